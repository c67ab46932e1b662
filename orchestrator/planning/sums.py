"""What declared capacitances and insulations add up to between the two sides of a test.

Figures are floats; every sum comes as least and most, tolerances included.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
import numpy.typing as npt

from orchestrator.model.demands import Declared, Demands, Grouping
from orchestrator.planning.sorts import Ints

DENSE_NETS = 400
"""Up to so many nets what each pair has is kept as a table."""
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Between:
    """A sum over opposed pairs: least and most, and the most that one pair has at least."""

    least: float
    most: float
    one_pair: float


@dataclass(frozen=True)
class _Entry:
    """One declaration as arrays: its nets, their groups, values of a pair or of all together."""

    nets: Ints
    groups: Ints
    least: float
    most: float
    each: bool
    opposable: int


class Strays:
    """Declared values of one sort (capacitances in F, conductances in S), ready to be summed."""

    def __init__(self, demands: Demands, declared: Sequence[Declared], *, inverse: bool) -> None:
        self._demands = demands
        self.entries = tuple(_entry(demands, one, inverse=inverse) for one in declared)
        self._declared = tuple(declared)
        summed = [e for e in self.entries if e.each] if len(demands.nets) <= DENSE_NETS else []
        self._table = _tabled(summed, len(demands.nets)) if len(summed) > 3 else None

    @cached_property
    def largest_pair(self) -> float:
        """The most that any single pair of nets has at least: entries that share a pair add up."""
        return _largest_pair(self.entries)

    @cached_property
    def share(self) -> float:
        """Least over most, of the declaration with the narrowest tolerance."""
        return max((entry.least / entry.most for entry in self.entries if entry.most), default=0.0)

    def each_pair(self) -> Iterator[tuple[float, Grouping]]:
        """What each pair has at most, with the pairs; values of pairs together are left out."""
        for entry, one in zip(self.entries, self._declared, strict=True):
            if entry.each:
                yield entry.most, one.pairs

    def between(self, sides: Ints) -> Between:
        """The sum between the two sides of a test (1, 0; nets left open count for nothing)."""
        least = most = widest = 0.0
        if self._table is not None:
            one, other = (sides == 1).astype(np.float64), (sides == 0).astype(np.float64)
            least, most = (float(one @ table @ other) for table in self._table)
            widest = least
        for entry in self.entries:
            if entry.each and self._table is not None:
                continue
            opposed = crossing(entry.nets, entry.groups, sides)
            if not opposed:
                continue
            if entry.each:
                least += opposed * entry.least
                most += opposed * entry.most
            else:
                least += entry.least if opposed == entry.opposable else 0.0
                most += entry.most
            widest += entry.least
        return Between(least, most, min(widest, self.largest_pair))

    def through_open(self, sides: Ints) -> tuple[float, float]:
        """The most between the nets that a test leaves open and either of its sides (1, 0)."""
        ends = []
        for side in (1, 0):
            probe = np.where(sides == side, 0, -1)
            probe[sides < 0] = 1
            ends.append(self.between(probe).most)
        return ends[0], ends[1]

    def across(self, sides: Ints) -> Floats:
        """Net → the most that it may have across to the other side."""
        found = np.zeros(len(sides), dtype=np.float64)
        for entry in self.entries:
            mine = sides[entry.nets]
            width = int(entry.groups.max()) + 1
            here = np.array([np.bincount(entry.groups[mine == k], minlength=width) for k in (0, 1)])
            other = np.where(mine == 1, 0, 1)
            count = here.sum(axis=1)[other] - here[other, entry.groups]
            count[mine < 0] = 0
            np.add.at(found, entry.nets, entry.most * (count if entry.each else count > 0))
        return found

    def of_units(self, unit_of: Ints, units: int) -> Floats:
        """What each pair of units has at most; values of pairs together are spread over them."""
        table = np.zeros((units, units), dtype=np.float64)
        for entry in self.entries:
            width = int(entry.groups.max()) + 1
            count = np.zeros((units, width), dtype=np.float64)
            mine = unit_of[entry.nets]
            part = mine >= 0
            np.add.at(count, (mine[part], entry.groups[part]), 1.0)
            total = count.sum(axis=1)
            share = 1.0 if entry.each else 1.0 / max(entry.opposable, 1)
            table += entry.most * share * (np.outer(total, total) - count @ count.T)
        return table

    def of_net(self, net: int, sides: Ints) -> tuple[float, float, float]:
        """What one net has across to the other side, least and most, and the most on its own side.

        ``together`` values may all lie in another pair, so the least of them counts only where the
        net is the only one of its side.
        """
        least = most = beside = 0.0
        for entry in self.entries:
            here = np.flatnonzero(entry.nets == net)
            if len(here) == 0:
                continue
            group, side = entry.groups[here[0]], sides[net]
            others = entry.groups != group
            across = int(((sides[entry.nets] == 1 - side) & others).sum())
            near = int(((sides[entry.nets] == side) & others).sum())
            if entry.each:
                least += across * entry.least
                most += across * entry.most
                beside += near * entry.most
            elif across:
                all_of_it = across == entry.opposable
                least += entry.least if all_of_it else 0.0
                most += entry.most
            if not entry.each and near:
                beside += entry.most
        return least, most, beside


def _entry(demands: Demands, one: Declared, *, inverse: bool) -> _Entry:
    nets = np.array(list(one.pairs.group_of), dtype=np.int64)
    groups = np.array(list(one.pairs.group_of.values()), dtype=np.int64)
    least, most = (1 / one.most, 1 / one.least) if inverse else (one.least, one.most)
    joined = _joined_pairs(demands, one.pairs)
    return _Entry(nets, groups, float(least), float(most), one.each_pair, one.pairs.pairs - joined)


def _tabled(entries: Sequence[_Entry], nets: int) -> tuple[Floats, Floats]:
    """Least and most of each pair of nets: sums over many declarations become products."""
    least, most = np.zeros((nets, nets)), np.zeros((nets, nets))
    for entry in entries:
        inside = entry.groups[:, None] != entry.groups[None, :]
        here = np.ix_(entry.nets, entry.nets)
        least[here] += entry.least * inside
        most[here] += entry.most * inside
    return least, most


def _joined_pairs(demands: Demands, grouping: Grouping) -> int:
    """Pairs of a grouping that are of one body and so are never opposed."""
    inside: dict[int, list[int]] = {}
    for net, group in grouping.group_of.items():
        if len(demands.bodies[demands.body_of[net]]) > 1:
            inside.setdefault(demands.body_of[net], []).append(group)
    return sum(one != other for groups in inside.values() for one, other in combinations(groups, 2))


def crossing(nets: Ints, groups: Ints, sides: Ints) -> int:
    """How many pairs of different groups stand on opposite sides."""
    mine = sides[nets]
    width = int(groups.max()) + 1 if len(groups) else 1
    one = np.bincount(groups[mine == 1], minlength=width)
    other = np.bincount(groups[mine == 0], minlength=width)
    return int(one.sum()) * int(other.sum()) - int(one @ other)


def _largest_pair(entries: Sequence[_Entry]) -> float:
    """Over-estimated where many entries overlap in part: that only makes limits stricter."""
    by_nets: dict[int, float] = {}
    for entry in entries:
        for net in entry.nets.tolist():
            by_nets[net] = by_nets.get(net, 0.0) + entry.least
    largest = sorted(by_nets.values())[-2:]
    return largest[0] if len(largest) == 2 else 0.0


def pairs_opposed(grouping: Grouping, sides: Ints) -> int:
    """How many pairs of a grouping stand on opposite sides of a test."""
    if len(grouping.group_of) == 2:
        (one, mine), (other, theirs) = grouping.group_of.items()
        return int(mine != theirs and {int(sides[one]), int(sides[other])} == {0, 1})
    nets = np.fromiter(grouping.group_of.keys(), dtype=np.int64)
    groups = np.fromiter(grouping.group_of.values(), dtype=np.int64)
    return crossing(nets, groups, sides)
