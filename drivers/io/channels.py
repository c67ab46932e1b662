"""Judges what the bits of a block say: two-channel contacts, and the life sign. Pure.

Bits and their time in, closed or open and the reason out. Whatever contradicts itself or stands
still is open.
"""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.model.station import IoInput, LifeSign

Bits = tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """``closed``: the contact counts as closed (the life sign: alive); else ``reason`` says why."""

    closed: bool
    reason: str = ""
    faulty: bool = False
    """Open because something is wrong, not because a contact opened."""


CLOSED = Judged(True)


def level_word(level: bool) -> str:
    """As a person reads it off the block's lamp."""
    return "high" if level else "low"


class ContactJudge:
    """One contact with one channel or two.

    Two channels that contradict each other are open at once. If they do so for longer than they
    may while they move, that is latched: closed again only after both have been seen open, then
    both closed. A welded contact doesn't heal by closing the guard once more.
    """

    def __init__(self, source: IoInput) -> None:
        self._source = source
        self._closed_level = source.closed_when == "high"
        self._differ_since_s: float | None = None
        self._latched = ""
        self._seen_open = False

    def look(self, bits: Bits, at_s: float) -> Judged:
        """Judge the bits read at this time; times never run backwards."""
        number, second = self._source.input, self._source.second
        if max(number, second.input if second else 0) >= len(bits):
            return Judged(
                False, f"input {number} is not among the {len(bits)} inputs read", faulty=True
            )
        closed = bits[number] == self._closed_level
        if second is None:
            return _single(number, bits[number], closed)
        other = bits[second.input] == (self._closed_level == (second.moves == "same"))
        if closed != other:
            return self._contradiction(bits, at_s)
        self._differ_since_s = None
        return self._agreed(bits, closed)

    def _contradiction(self, bits: Bits, at_s: float) -> Judged:
        second = self._source.second
        if second is None:
            raise ValueError("a single channel can't contradict itself")
        pair = _pair(self._source.input, second.input, bits)
        if self._differ_since_s is None:
            self._differ_since_s = at_s
        longest_s = float(second.differ_at_most)
        if at_s - self._differ_since_s > longest_s:
            self._seen_open = False
            self._latched = (
                f"its two channels contradicted each other for more than {longest_s * 1000:.0f} ms "
                f"({pair}): open the guard, close it again, and look for a stuck contact"
            )
        why = self._latched or f"its two channels contradict each other: {pair}"
        return Judged(False, why, faulty=True)

    def _agreed(self, bits: Bits, closed: bool) -> Judged:
        second = self._source.second
        if self._latched and closed and self._seen_open:
            self._latched = ""
        elif self._latched and not closed:
            self._seen_open = True
        if self._latched:
            return Judged(False, self._latched, faulty=True)
        if closed or second is None:
            return CLOSED if closed else Judged(False)
        return Judged(False, _pair(self._source.input, second.input, bits))


class LifeJudge:
    """The input that must change all the time: alive only while both edges are young enough.

    With ``follows`` an edge counts only if it goes to the level that the output was last given,
    and the output is turned only after the input has followed, so that an input filter slower
    than the period makes it slower and not dead.
    """

    def __init__(self, sign: LifeSign) -> None:
        self._sign = sign
        self._within_s = float(sign.changes_within)
        self._level: bool | None = None
        self._edges_s: dict[bool, float] = {}

    @property
    def follows(self) -> int | None:
        """The output that the block turns for this."""
        return self._sign.follows

    def look(self, bits: Bits, at_s: float, ordered: bool | None = None) -> Judged:
        """Judge the bits read at this time; ``ordered``: the followed output as last written."""
        number = self._sign.input
        if number >= len(bits):
            return Judged(
                False, f"life sign {number} is not among the {len(bits)} inputs read", faulty=True
            )
        level, before = bits[number], self._level
        self._level = level
        if before is not None and level != before and ordered in {None, level}:
            self._edges_s[level] = at_s
        for edge in (True, False):
            seen_s = self._edges_s.get(edge)
            if seen_s is None or at_s - seen_s > self._within_s:
                return Judged(False, self._frozen(level), faulty=True)
        return CLOSED

    def next_level(self, ordered: bool) -> bool:
        """What the followed output is to be given next."""
        return not ordered if self._level == ordered else ordered

    def _frozen(self, level: bool) -> str:
        cause = "" if self.follows is None else f" though output {self.follows} is turned"
        return (
            f"life sign at input {self._sign.input} stays {level_word(level)}{cause}, or hasn't "
            f"been seen to change both ways within {self._within_s * 1000:.0f} ms: the inputs may "
            "be frozen"
        )


def _single(number: int, level: bool, closed: bool) -> Judged:
    return CLOSED if closed else Judged(False, f"input {number} reads {level_word(level)}")


def _pair(first: int, second: int, bits: Bits) -> str:
    return (
        f"input {first} reads {level_word(bits[first])}, "
        f"input {second} reads {level_word(bits[second])}"
    )
