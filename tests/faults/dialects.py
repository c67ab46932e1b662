"""How each invented instrument says things, after the prose in profiles/*.md alone.

What the tests let go wrong is told by the first bytes of a message, and faked answers are framed as
the prose says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce

from drivers.simulators.faults import Answers, Change


@dataclass(frozen=True, slots=True)
class Framing:
    """What stands behind a body: its end, and a checksum for some."""

    end: bytes
    kind: str = "none"

    def wrap(self, body: bytes) -> bytes:
        """A whole line."""
        if self.kind == "sum":
            return b"%s;%02X%s" % (body, sum(body) % 256, self.end)
        if self.kind == "xor":
            return b"{%s%02X%s" % (body, reduce(lambda a, b: a ^ b, body, 0), self.end)
        return body + self.end

    def body(self, line: bytes) -> bytes:
        """What stands in a line, its end off."""
        if self.kind == "sum":
            return line.rpartition(b";")[0]
        if self.kind == "xor":
            return line[1:-2]
        return line


@dataclass(frozen=True, slots=True)
class Dialect:
    """First bytes of messages, by what they are for."""

    framing: Framing
    messages: Mapping[str, bytes]


TESTERS: Mapping[str, Dialect] = {
    "orrin": Dialect(
        Framing(b"\n"),
        {
            "identify": b"*IDN?",
            "set-up": b"TASK:LEVEL?",
            "start": b"TASK:BEGIN",
            "status": b"TASK:STATE?",
            "stop": b"TASK:HALT",
            "result": b"TASK:RESULT?",
            "off": b"TERMINAL:VOLTAGE?",
        },
    ),
    "pell": Dialect(
        Framing(b"\r"),
        {
            "identify": b"ID",
            "set-up": b"SL",
            "start": b"GO",
            "status": b"QT",
            "stop": b"ST",
            "result": b"QR",
            "off": b"QT",
        },
    ),
    "stave": Dialect(
        Framing(b"\n", "sum"),
        {
            "identify": b"WHO?",
            "set-up": b"SLOT ",
            "start": b"LAUNCH",
            "status": b"STATUS?",
            "stop": b"QUIT",
            "result": b"RESULT?",
            "off": b"STATUS?",
        },
    ),
}

CHAINS: Mapping[str, Dialect] = {
    "orrin": Dialect(
        Framing(b"\n"),
        {
            "identify": b"3 NAME?",
            "apply": b"3 SET",
            "open": b"3 OPEN",
            "moving": b"3 MOVING?",
            "read-back": b"3 CONTACTS?",
        },
    ),
    "pell": Dialect(
        Framing(b"\r", "xor"),
        {
            "identify": b"{05I",
            "apply": b"{05W",
            "open": b"{05Z",
            "moving": b"{05Q",
            "read-back": b"{05R",
        },
    ),
    "stave": Dialect(
        Framing(b"\n"),
        {
            "identify": b"do=name",
            "apply": b"do=put",
            "open": b"do=open",
            "moving": b"do=look",
            "read-back": b"do=look",
        },
    ),
}


def lines_of(answers: Answers, framing: Framing) -> tuple[tuple[float, bytes], ...]:
    """Each line of an answer with its time, ends off."""
    found = []
    for at_s, data in answers:
        found += [(at_s, line) for line in data.split(framing.end) if line]
    return tuple(found)


def rewritten(framing: Framing, old: bytes, new: bytes) -> Change:
    """Replace bytes in every body of an answer and give it a right checksum again."""

    def change(_message: bytes, answers: Answers) -> Answers:
        return tuple(
            (at_s, framing.wrap(framing.body(line).replace(old, new)))
            for at_s, line in lines_of(answers, framing)
        )

    return change


class OldAnswer:
    """Remembers the answers to a message and gives the oldest again once `armed`."""

    def __init__(self) -> None:
        self.first: Answers = ()
        self.armed = False

    def __call__(self, _message: bytes, answers: Answers) -> Answers:
        if not self.first:
            self.first = answers
        return self.first if self.armed else answers
