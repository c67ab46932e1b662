"""Nets that nothing tells apart are of one sort.

Two nets are of one sort if exchanging them changes no demand, no ceiling and no declaration: in
each grouping both are absent, both in one group, or each alone in a group of its own. So 5,000 nets
of one product are a handful of sorts, and tables of pairs are tables of pairs of sorts.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from orchestrator.model.demands import Demands, Grouping

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Sorts:
    """Sorts of nets.

    Attributes:
        of_net: net → sort.
        first: sort → one net of it, that stands for all.
        sizes: sort → how many nets it has.
        bodies: sort → body, where the nets of the sort are joined to others or each other; else -1.
    """

    of_net: Ints
    first: Ints
    sizes: Ints
    bodies: Ints

    @property
    def count(self) -> int:
        """How many sorts there are."""
        return len(self.first)

    @cached_property
    def members(self) -> tuple[Ints, ...]:
        """Sort → its nets in order."""
        by_sort = np.argsort(self.of_net, kind="stable")
        return tuple(np.split(by_sort, np.cumsum(self.sizes)[:-1]))

    def pairs(self, grouping: Grouping) -> tuple[Ints, Bools]:
        """The sorts of a grouping, and which of their pairs are pairs of it.

        The diagonal says whether two nets of one sort are.
        """
        group_of = grouping.group_of
        found = sorted({int(self.of_net[net]) for net in group_of})
        sorts = np.array(found, dtype=np.int64)
        groups = np.array([group_of[int(net)] for net in self.first[sorts]], dtype=np.int64)
        table = groups[:, None] != groups[None, :]
        alone = np.array([len(grouping.groups[group]) == 1 for group in groups], dtype=np.bool_)
        table[np.diag_indices(len(sorts))] = alone & (self.sizes[sorts] > 1)
        return sorts, table

    def any_of(self, groupings: Iterable[Grouping]) -> Bools:
        """Which pairs of sorts are pairs of at least one of some groupings."""
        table = np.zeros((self.count, self.count), dtype=np.bool_)
        for grouping in groupings:
            self.mark(table, grouping)
        return table

    def mark(self, table: Bools, grouping: Grouping) -> None:
        """Set the pairs of a grouping in a table of all sorts."""
        sorts, pairs = self.pairs(grouping)
        if len(sorts) == self.count:
            np.logical_or(table, pairs, out=table)
        else:
            table[np.ix_(sorts, sorts)] |= pairs

    def joined(self) -> Bools:
        """Which pairs of sorts are of one body; the diagonal included."""
        one, other = self.bodies[:, None], self.bodies[None, :]
        table: Bools = (one == other) & (one >= 0)
        return table


def sorts_of(demands: Demands, marks: Sequence[Hashable] = ()) -> Sorts:
    """The sorts of a product's nets. ``marks``: net → something more that tells nets apart."""
    floating = demands.allowed.floating
    joined_to: list[int] = []
    labels: list[Hashable] = []
    for net in demands.nets:
        body = demands.body_of[net.index]
        joined = body if len(demands.bodies[body]) > 1 or net.index == demands.earth_net else -1
        may = floating.get(net.index)
        limits = None if may is None else (may.ac_v, may.dc_v)
        joined_to.append(joined)
        labels.append((joined, limits, marks[net.index] if marks else None))
    current = _numbered(labels)
    fresh = len(current)
    for grouping in _groupings(demands):
        seen: dict[tuple[int, int], int] = {}
        for number, group in grouping.group_of.items():
            place = group if len(grouping.groups[group]) > 1 else -1
            current[number] = seen.setdefault((current[number], place), fresh + len(seen))
        fresh += len(seen)
    of_net = np.array(_numbered(current), dtype=np.int64)
    first = np.unique(of_net, return_index=True)[1].astype(np.int64)
    sizes = np.bincount(of_net).astype(np.int64)
    bodies = np.array([joined_to[int(net)] for net in first], dtype=np.int64)
    return Sorts(of_net, first, sizes, bodies)


def _groupings(demands: Demands) -> Iterable[Grouping]:
    for demand in demands.pair_demands:
        yield demand.pairs
    for ceiling in demands.ceilings:
        yield ceiling.pairs
    for declared in (*demands.capacitances, *demands.insulations):
        yield declared.pairs


def _numbered(labels: Sequence[Hashable]) -> list[int]:
    numbers: dict[Hashable, int] = {}
    return [numbers.setdefault(label, len(numbers)) for label in labels]
