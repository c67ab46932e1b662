"""What is moved when tests are narrowed, and what budgets say of the tests that come of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.errors import Fault
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.planning.least_cut import Weights
from orchestrator.planning.levels import Cut, LevelPlan, turned
from orchestrator.planning.limits import Breach, Budgets
from orchestrator.planning.opposing import Units
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.sums import pairs_opposed

FINE = 600
"""Up to so many units single nets are tried too, and pairs of units are weighed."""


def opposed(demands: Sequence[PairDemand], cut: Cut) -> tuple[PairDemand, ...]:
    """The demands that a test counts for; all where it parts none of them."""
    found = tuple(d for d in demands if pairs_opposed(d.pairs, cut.sides))
    return found or tuple(demands)


@dataclass(frozen=True)
class Moved:
    """Nets as they are moved: net → unit, and which units are demanded against each other."""

    unit_of: Ints
    need: Bools

    @classmethod
    def of(
        cls, units: Units, table: Bools, nets: int, piece: int, *, inside: bool = False
    ) -> Moved:
        """Merged nets together; nets of one sort that aren't demanded against each other in
        pieces of so many; all others one by one."""
        unit_of = np.full(nets, -1, dtype=np.int64)
        blocks: list[int] = []
        for block, sorts in enumerate(units.blocks):
            if not units.free[block]:
                for sort in sorts:
                    unit_of[units.sorts.members[sort]] = len(blocks)
                blocks.append(block)
                continue
            members = units.sorts.members[sorts[0]]
            share = 1 if table[block, block] and not inside else piece
            numbers = np.arange(len(members)) // share
            unit_of[members] = len(blocks) + numbers
            blocks += [block] * (int(numbers[-1]) + 1)
        place = np.array(blocks, dtype=np.int64)
        need = table[np.ix_(place, place)]
        need[np.diag_indices(len(need))] = False
        return cls(unit_of, need)

    def in_pieces(self, alike: Ints, most: int) -> Moved | None:
        """Like units in pieces, so that there are at most so many; None: too many kinds."""
        kinds, place = int(alike.max()) + 1, np.zeros(len(alike), dtype=np.int64)
        for kind in range(kinds):
            mine = alike == kind
            place[mine] = np.arange(int(mine.sum()))
        count = np.bincount(alike)
        share = 2
        while kinds <= most < int((-(-count // share)).sum()):
            share += 1 + share // 8
        if kinds > most:
            return None
        begin = np.cumsum([0, *(-(-count // share))[:-1]])
        piece_of = begin[alike] + place // share
        first = np.unique(piece_of, return_index=True)[1]
        kind_first = np.unique(alike, return_index=True)[1]
        if (self.need[kind_first] & (alike[None, :] == np.arange(kinds)[:, None])).any():
            return None  # units of one kind are demanded against each other
        need = self.need[np.ix_(first, first)]
        return Moved(np.where(self.unit_of >= 0, piece_of[self.unit_of], -1), need)


@dataclass(frozen=True)
class Judge:
    """Turns sides of units into tests of a level and judges them."""

    demands: Demands
    level: LevelPlan
    budgets: Budgets
    moved: Moved

    def as_cut(self, sides: Bools) -> Cut:
        """The test with these units on one side."""
        return self.with_open(sides.astype(np.int64))

    def with_open(self, sides: Ints) -> Cut:
        """The test with units on side 1 or 0, or left open (-1)."""
        unit_of = self.moved.unit_of
        return self.of_nets(np.where(unit_of >= 0, sides[unit_of], -1))

    def of_nets(self, sides: Ints) -> Cut:
        """The test with these sides of nets."""
        wire_v = self.level.cuts[0].wire_v
        return Cut(self.level.level_v, wire_v, turned(self.demands, sides))

    def allows_nets(self, sides: Ints) -> bool:
        """Whether it is within all budgets."""
        cut = self.of_nets(sides)
        return self.budgets.allows(cut, opposed(self.level.demands, cut))

    def allows_open(self, sides: Ints) -> bool:
        """Whether such a test is within all budgets."""
        return self.allows_nets(self.with_open(sides).sides)

    def allows(self, sides: Bools) -> bool:
        """Whether it is within all budgets."""
        return self.allows_nets(self.as_cut(sides).sides)

    def weights(self) -> tuple[Weights, ...]:
        """What each pair of units has at most, of capacitance and of conductance, if few enough."""
        units = len(self.moved.need)
        if units > FINE:
            return ()
        strays = (self.budgets.capacitances, self.budgets.conductances)
        return tuple(one.of_units(self.moved.unit_of, units) for one in strays if one.entries)

    def alike(self, blocks: Ints) -> Ints:
        """Unit → kind: of one kind are units of one block, and where units are few enough, all that
        are demanded against the same and weigh the same."""
        weights = self.weights()
        if not weights:
            return blocks
        rows = [self.moved.need, *(np.sort(table, axis=1) for table in weights)]
        kinds: dict[bytes, int] = {}
        keys = (b"".join(row[unit].tobytes() for row in rows) for unit in range(len(blocks)))
        return np.array([kinds.setdefault(key, len(kinds)) for key in keys], dtype=np.int64)

    def gap(self, one: int, other: int) -> Fault:
        """What keeps two units from being opposed: the budgets of one of them alone."""
        alone = np.zeros(len(self.moved.need), dtype=np.bool_)
        alone[one] = True
        cut = self.as_cut(alone)
        breaches = self.budgets.settle(cut, opposed(self.level.demands, cut)).breaches
        unit_of = self.moved.unit_of
        last = 1 if one == other else 0
        pair = (int(np.flatnonzero(unit_of == one)[0]), int(np.flatnonzero(unit_of == other)[last]))
        return _gap(self.demands, self.level, pair, breaches)


def _gap(
    demands: Demands, level: LevelPlan, pair: tuple[int, int], breaches: Sequence[Breach]
) -> Fault:
    one, other = (demands.nets[net].name for net in pair)
    demand = next(
        (d for d in level.demands if pair in d.pairs or pair[::-1] in d.pairs), level.demands[0]
    )
    told = "; ".join(f"{b.what}: {b.found}, {b.expected}" for b in breaches)
    told = told or "other pairs break them"
    return Fault(
        demand.origin.what,
        f"no test of {one!r} against {other!r} within the budgets ({told})",
        "a test that tester and limits allow and that still shows one bad pair",
        "raise the pair's limit or the budget, declare narrower tolerances, or take DC for AC",
        demand.origin.at,
    )
