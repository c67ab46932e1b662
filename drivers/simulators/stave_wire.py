"""The Varrowby Stave's lines: checksum, refusals and the waiting line, after profiles/stave.md."""

from __future__ import annotations

LONGEST_LINE = 300
KEPT_LINES = 16

_WORDS = {
    1: "checksum",
    2: "unknown",
    3: "fields",
    4: "format",
    5: "range",
    6: "running",
    7: "interlock",
    8: "empty",
    9: "noresult",
    10: "tripped",
    11: "limits",
}


class Refused(Exception):
    """The line isn't carried out; `codes` stand in the order in which they are sent."""

    def __init__(self, *codes: int) -> None:
        super().__init__(", ".join(_WORDS[code] for code in codes))
        self.codes = codes


def checksum(body: bytes) -> bytes:
    """Sum of all bytes of the body, modulo 256, as two upper-case hex digits (section 1)."""
    return b"%02X" % (sum(body) % 256)


def line(body: str) -> bytes:
    """A whole line as it stands on the wire."""
    raw = body.encode("ascii")
    return raw + b";" + checksum(raw) + b"\n"


def refusal(code: int) -> bytes:
    """The refusal line of one code."""
    return line(f"REFUSED {code:02d} {_WORDS[code]}")


def body_of(raw: bytes) -> str:
    """The body of a line received without its LF.

    Raises:
        Refused: 01, the checksum is wrong, missing or lower-case, or the line too long.
    """
    body, separator, sent = raw.rpartition(b";")
    if len(raw) + 1 > LONGEST_LINE or not separator or sent != checksum(body):
        raise Refused(1)
    try:
        return body.decode("ascii")
    except UnicodeDecodeError:
        raise Refused(2) from None
