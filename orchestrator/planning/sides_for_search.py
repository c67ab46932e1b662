"""Choosing the two sides of a search test: how many suspects they oppose, never what mustn't be.

Every net that may not be left open stands on a side. Nets that mustn't be opposed to each other are
moved as one then; where one of them may be left open, it is opened instead.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from orchestrator.planning.sorts import Bools, Ints

Sides = npt.NDArray[np.int8]
"""Net → 1: apply to, -1: against, 0: open."""

SWEEPS = 8
"""Improvement ends by itself, mostly after two or three; this only bounds it."""

PAIRS_TRIED = 500
"""Single pairs tried, each of other units, before a set counts as inseparable."""


@dataclass(frozen=True)
class Wish:
    """What a test should do.

    Attributes:
        suspects: pairs of which some are to be opposed (symmetric).
        conflict: pairs that mustn't be opposed (symmetric).
        unknown: pairs better not opposed, since they may be faulty too (symmetric).
        low, high: how many suspects the test should oppose.
        not_all: whether a test that opposes all suspects would tell nothing.
    """

    suspects: Bools
    conflict: Bools
    unknown: Bools
    low: int
    high: int
    not_all: bool

    @property
    def count(self) -> int:
        """How many suspects there are."""
        return int(np.count_nonzero(self.suspects)) // 2


class _Tally:
    """How many pairs of a table are opposed, kept up to date net by net."""

    def __init__(self, table: Bools, sides: Sides) -> None:
        self.table = table
        self.near = {
            side: np.count_nonzero(table[:, sides == side], axis=1).astype(np.int64)
            for side in (1, -1)
        }
        self.total = int(self.near[-1][sides == 1].sum())

    def put(self, unit: Ints, side: int, sign: int) -> None:
        """Put a unit onto a side (sign 1) or take it off (-1)."""
        if not side:
            return
        rows = self.table[unit[0]] if len(unit) == 1 else self.table[unit].sum(axis=0)
        if sign < 0:
            self.near[side] -= rows
        self.total += sign * int(self.near[-side][unit].sum())
        if sign > 0:
            self.near[side] += rows


class Arranger:
    """Arranges sides for wishes.

    Args:
        bodies: net → number of its body; nets of one body are one conductor and move as one.
        may_float: net → whether it may be left open.
    """

    def __init__(self, bodies: Ints, may_float: Bools) -> None:
        groups = [np.flatnonzero(bodies == body) for body in np.unique(bodies)]
        self.floating = [group for group in groups if may_float[group].all()]
        self.fixed = [group for group in groups if not may_float[group].all()]

    def arrange(self, wish: Wish) -> Sides | None:
        """Sides that oppose about as many suspects as wished, or at least some; None: impossible.

        'Impossible' is exact for a single pair; of many it may be wrong only where more than
        `PAIRS_TRIED` different pairs of units were tried in vain.
        """
        units = self._units(wish.conflict)
        found = _Attempt(units, len(self.floating), wish).improve()
        if self.tells(found, wish):
            return self._pruned(found, wish)
        for sides in self._single_pairs(units, wish):
            if self.tells(sides, wish):
                return sides
        return None

    def sparest(self, wish: Wish) -> Sides | None:
        """Sides that oppose the only suspect, and as few as they can of what the wish calls
        unknown; None: impossible."""
        units = self._units(wish.conflict)
        found = _Attempt(units, len(self.floating), wish).improve()
        tried = [self._pruned(found, wish)] if self.tells(found, wish) else []
        tried += [sides for sides in self._single_pairs(units, wish) if self.tells(sides, wish)]
        return min(
            tried,
            key=lambda sides: np.count_nonzero(wish.unknown[np.ix_(sides == 1, sides == -1)]),
            default=None,
        )

    def singles(self, wish: Wish) -> Iterator[Sides]:
        """Sides for one pair of units after another, each unit alone on its side."""
        for sides in self._single_pairs(self._units(wish.conflict), wish):
            if self.tells(sides, wish):
                yield sides

    @staticmethod
    def tells(sides: Sides, wish: Wish) -> bool:
        """Whether a test with these sides would tell anything."""
        here, there = sides == 1, sides == -1
        hit = int(np.count_nonzero(wish.suspects[np.ix_(here, there)]))
        return bool(hit) and not (wish.not_all and hit >= wish.count)

    def _units(self, conflict: Bools) -> list[Ints]:
        """Floating bodies first, then the others merged where they mustn't be opposed."""
        nets = len(conflict)
        waiting = np.zeros(nets, dtype=np.bool_)
        body = np.full(nets, -1, dtype=np.int64)
        for number, group in enumerate(self.fixed):
            waiting[group] = True
            body[group] = number
        merged = []
        while waiting.any():
            reach = np.zeros(nets, dtype=np.bool_)
            ends = [int(body[np.flatnonzero(waiting)[0]])]
            waiting[self.fixed[ends[0]]] = False
            while ends:
                group = self.fixed[ends.pop()]
                reach[group] = True
                near = np.asarray(conflict[group].any(axis=0) & waiting, dtype=np.bool_)
                for number in np.unique(body[near]).tolist():
                    waiting[self.fixed[number]] = False
                    ends.append(number)
            merged.append(np.flatnonzero(reach))
        return [*self.floating, *merged]

    def _pruned(self, sides: Sides, wish: Wish) -> Sides:
        """Opens what may be open and takes no part: it is spared the level."""
        for group in self.floating:
            side = int(sides[group[0]])
            if side and not wish.suspects[np.ix_(group, sides == -side)].any():
                sides[group] = 0
        return sides

    def _single_pairs(self, units: list[Ints], wish: Wish) -> Iterator[Sides]:
        """Sides for one suspect each, where it can be opposed at all; exact."""
        unit_of = np.zeros(len(wish.conflict), dtype=np.int64)
        for number, unit in enumerate(units):
            unit_of[unit] = number
        fixed = np.zeros(len(unit_of), dtype=np.int8)
        for unit in units[len(self.floating) :]:
            fixed[unit] = -1
        none = np.zeros(len(unit_of), dtype=np.bool_)
        tried: set[tuple[int, int]] = set()
        for one, other in np.argwhere(np.triu(wish.suspects)):
            pair = (int(unit_of[one]), int(unit_of[other]))
            if pair[0] == pair[1] or pair in tried or len(tried) >= PAIRS_TRIED:
                continue
            tried.add(pair)
            for here, there in (pair, pair[::-1]):
                sides = fixed.copy()
                sides[units[there]] = -1
                sides[units[here]] = 1
                # Fixed units are in nobody's way but a floating one's: they go along with it.
                way = wish.conflict[units[here]].any(axis=0) if here < len(self.floating) else none
                for number in {int(unit) for unit in unit_of[way & (fixed == -1)]} - {there}:
                    sides[units[number]] = 1
                if not wish.conflict[np.ix_(sides == 1, sides == -1)].any():
                    yield sides


class _Attempt:
    """Moves units one by one as long as that comes nearer to the wish."""

    def __init__(self, units: list[Ints], floating: int, wish: Wish) -> None:
        self.units, self.floating, self.wish = units, floating, wish
        nets = len(wish.conflict)
        self.unit_of = np.zeros(nets, dtype=np.int64)
        for number, unit in enumerate(units):
            self.unit_of[unit] = number
        active = np.asarray(wish.suspects.any(axis=0), dtype=np.bool_)
        self.sides = np.zeros(nets, dtype=np.int8)
        for number, unit in enumerate(units):
            # All on one side: nothing is opposed yet.
            self.sides[unit] = -1 if number >= floating or active[unit].any() else 0
        self.hit = _Tally(wish.suspects, self.sides)
        self.beside = _Tally(wish.unknown, self.sides) if wish.unknown.any() else None

    def score(self) -> tuple[int, int, int]:
        """How far from the wish, from its middle, and what else is opposed; less is better."""
        hit, wish = self.hit.total, self.wish
        away = max(wish.low - hit, hit - wish.high, 0)
        beside = self.beside.total if self.beside is not None else 0
        return away, abs(2 * hit - wish.low - wish.high) // 2, beside

    def improve(self) -> Sides:
        order = self._order()
        for _ in range(SWEEPS):
            moved = False
            for number in order:
                for side in (1, -1, 0) if number < self.floating else (1, -1):
                    if self.score() == (0, 0, 0):
                        return self.sides
                    moved |= self._try(number, side)
            if not moved:
                break
        return self.sides

    def _order(self) -> list[int]:
        """Units with most suspects first, so that the small ones make it come out even."""
        degree = np.count_nonzero(self.wish.suspects, axis=1)
        weights = [int(degree[unit].sum()) for unit in self.units]
        order = sorted(range(len(self.units)), key=lambda number: -weights[number])
        return [number for number in order if weights[number]]

    def _put(self, number: int, side: int) -> None:
        unit = self.units[number]
        old = int(self.sides[unit[0]])
        for tally in (self.hit, self.beside):
            if tally is not None:
                tally.put(unit, old, -1)
                tally.put(unit, side, 1)
        self.sides[unit] = side

    def _try(self, number: int, side: int) -> bool:
        """Move a unit, opening what is in its way, if that comes nearer."""
        unit = self.units[number]
        old = int(self.sides[unit[0]])
        if side == old:
            return False
        way = np.zeros(len(self.sides), dtype=np.bool_)
        if side:
            way = self.wish.conflict[unit].any(axis=0) & (self.sides == -side)
            way[unit] = False
        opened = sorted({int(one) for one in self.unit_of[way]})
        if opened and opened[-1] >= self.floating:
            return False
        before = self.score()
        for one in opened:
            self._put(one, 0)
        self._put(number, side)
        if self.score() < before:
            return True
        self._put(number, old)
        for one in opened:
            self._put(one, -side)
        return False
