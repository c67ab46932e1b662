"""Plays the dialogues of a manual against its simulator.

A dialogue is a fenced block marked ``dialogue``:

    -> bytes sent        <- bytes that must have come, and no others        .. what happens

Control characters stand as names in angle brackets, other bytes as two hex digits in them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

NAMES = {"CR": 13, "LF": 10, "STX": 2, "ETX": 3, "NAK": 21, "CAN": 24}
_TOKEN = re.compile(r"<(CR|LF|STX|ETX|NAK|CAN|[0-9A-F]{2})>")


def to_bytes(text: str) -> bytes:
    """The bytes a manual's line stands for."""
    out, at = bytearray(), 0
    for match in _TOKEN.finditer(text):
        out += text[at : match.start()].encode("ascii")
        word = match[1]
        out.append(NAMES[word] if word in NAMES else int(word, 16))
        at = match.end()
    return bytes(out + text[at:].encode("ascii"))


def to_text(data: bytes) -> str:
    """How a manual writes bytes."""
    names = {number: name for name, number in NAMES.items()}
    return "".join(
        f"<{names[b]}>" if b in names else chr(b) if 32 <= b < 127 else f"<{b:02X}>" for b in data
    )


@dataclass(frozen=True)
class Dialogue:
    """One block: its title (the heading above it) and its lines (sign, text)."""

    title: str
    lines: tuple[tuple[str, str], ...]


def dialogues(manual: Path) -> Iterator[Dialogue]:
    """All dialogues of a manual, in order.

    Raises:
        ValueError: a line of a block that begins with none of the three signs.
    """
    title = ""
    lines: list[tuple[str, str]] | None = None
    for line in manual.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            title = line.lstrip("# ")
        elif line == "```dialogue":
            lines = []
        elif line == "```" and lines is not None:
            yield Dialogue(title, tuple(lines))
            lines = None
        elif lines is not None:
            if line[:3] not in {"-> ", "<- ", ".. "}:
                raise ValueError(f"{manual.name}: not a line of a dialogue: {line!r}")
            lines.append((line[:2], line[3:]))


def play(
    dialogue: Dialogue, instrument: Any, clock: Any, happen: Callable[[str], None]
) -> list[tuple[str, str]]:
    """Play a dialogue; returns its lines as they came out.

    Bytes that come without a `<-` line, or other ones, show as a difference. ``.. after X s``
    lets the time pass; other ``..`` lines go to `happen`. Before each `<-` up to 10 ms pass.
    """
    out: list[tuple[str, str]] = []
    wanted = [sign for sign, _ in dialogue.lines]
    for number, (sign, text) in enumerate(dialogue.lines):
        if sign == "->":
            instrument.feed(to_bytes(text))
            out.append((sign, text))
        elif sign == "..":
            if found := re.fullmatch(r"after ([0-9.]+) s", text):
                clock.advance(float(found[1]))
            else:
                happen(text)
            out.append((sign, text))
        else:
            clock.advance(0.010)
            out.append((sign, to_text(instrument.take())))
        following = wanted[number + 1] if number + 1 < len(wanted) else None
        if sign != "<-" and following == "->" and (extra := instrument.take()):
            out.append(("!!", to_text(extra)))
    clock.advance(0.010)
    if extra := instrument.take():
        out.append(("!!", to_text(extra)))
    return out
