"""The bench's own log of what must never happen, written apart from the product's guards.

It shares no code with binding or the engine, so that a mistake there shows here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SAFE_AC_V = 25.0
SAFE_DC_V = 60.0
"""EN 50191:2010 clause 1.2: at or below these a voltage counts as harmless."""


class What(StrEnum):
    """Kinds of violation."""

    RELAY_COMMANDED_HOT = "relay commanded to move under voltage or with an output on"
    RELAY_MOVED_HOT = "relay moved under voltage or with an output on"
    STARTED_WHILE_MOVING = "output switched on while contacts were moving"
    GUARD_OPEN = "energised with the guard open"
    CONTACT_OVER_RATING = "contact above its rating"
    TERMINAL_OVER_RATING = "terminal of a tester above its rating"
    TOO_LONG = "output on for longer than ordered"
    BOTH_SIDES = "source and return closed on one point"


@dataclass(frozen=True, slots=True)
class Violation:
    """Something that must never happen, and when (monotonic, s)."""

    at_s: float
    what: What
    detail: str

    def __str__(self) -> str:
        return f"{self.at_s:.4f} s: {self.what}: {self.detail}"


class ViolationLog:
    """Keeps violations in order; one that goes on is entered once per occasion."""

    def __init__(self) -> None:
        self._entries: list[Violation] = []
        self._told: set[tuple[What, str, object]] = set()

    @property
    def entries(self) -> tuple[Violation, ...]:
        return tuple(self._entries)

    def add(self, at_s: float, what: What, detail: str, *, occasion: object = None) -> None:
        """Enter a violation, unless the same one was entered on the same occasion."""
        if occasion is not None:
            key = (what, detail, occasion)
            if key in self._told:
                return
            self._told.add(key)
        self._entries.append(Violation(at_s, what, detail))

    def clear(self) -> None:
        """Forget all entries."""
        self._entries.clear()
        self._told.clear()
