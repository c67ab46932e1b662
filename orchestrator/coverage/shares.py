"""What declared capacitances and insulations add up to between the two sides of a step.

Undeclared values count as zero where the least counts; where the most counts they are unknown
(`silent` tells of which pairs).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.coverage.classes import Ids, classes_of, merged
from orchestrator.coverage.steps import Sides
from orchestrator.model.demands import Declared, Demands, Grouping

Reals = NDArray[np.float64]


def ids_of(grouping: Grouping, count: int) -> Ids:
    """By net: the index of its group, or -1."""
    found = np.full(count, -1, dtype=np.int64)
    for index, group in enumerate(grouping.groups):
        found[list(group)] = index
    return found


def opposed(ids: Ids, sides: Sides) -> int:
    """How many pairs of a grouping stand on opposite sides: |S|·|R| less those within a group."""
    up = ids[(sides > 0) & (ids >= 0)]
    down = ids[(sides < 0) & (ids >= 0)]
    if not len(up) or not len(down):
        return 0
    length = int(max(up.max(), down.max())) + 1
    within = np.bincount(up, minlength=length) @ np.bincount(down, minlength=length)
    return len(up) * len(down) - int(within)


@dataclass(frozen=True, eq=False)
class Entry:
    """A declared value between bounds, with the groups of its nets.

    ``least``, ``most``: F, or S for an insulation (1/R of its most and least resistance).
    """

    ids: Ids
    pairs: int
    least: float
    most: float
    each_pair: bool


def entries(declared: Sequence[Declared], count: int, *, resistances: bool) -> tuple[Entry, ...]:
    """Declared values as what adds up when they lie side by side: F or S."""
    return tuple(_entry(each, count, inverse=resistances) for each in declared)


def _entry(declared: Declared, count: int, *, inverse: bool) -> Entry:
    least, most = float(declared.least), float(declared.most)
    if inverse:
        least, most = (0.0 if most == 0 else 1 / most), (math.inf if least == 0 else 1 / least)
    ids = ids_of(declared.pairs, count)
    return Entry(ids, declared.pairs.pairs, least, most, declared.each_pair)


class Values:
    """What a product declares: ``farads``, and its insulations as ``siemens``."""

    def __init__(self, demands: Demands) -> None:
        count = len(demands.nets)
        self.farads = entries(demands.capacitances, count, resistances=False)
        self.siemens = entries(demands.insulations, count, resistances=True)


@dataclass(frozen=True, eq=False)
class Share:
    """What one entry adds in one step; ``own``: what of it is, or may be, a single pair's own."""

    entry: Entry
    total: float
    own: float

    @property
    def beside(self) -> float:
        """What is left beside a pair that takes its own share."""
        return 0.0 if self.total == self.own else max(self.total - self.own, 0.0)

    def rest(self, rows: Ids, columns: Ids) -> Reals:
        """What is left beside every pair of a net of `rows` and one of `columns`."""
        one, other = self.entry.ids[rows][:, None], self.entry.ids[columns][None, :]
        within = (one >= 0) & (other >= 0) & (one != other)
        return np.where(within, self.beside, self.total)


def least_shares(found: Sequence[Entry], sides: Sides) -> tuple[Share, ...]:
    """What each entry adds at least.

    A value that counts for all pairs together adds something sure only where all of them stand
    opposed; how it is spread over them nobody said, so all of it may be one pair's own.
    """
    shares = []
    for entry in found:
        count = opposed(entry.ids, sides)
        if entry.each_pair:
            total, own = count * entry.least, entry.least
        else:
            total = entry.least if count == entry.pairs else 0.0
            own = total
        if total > 0:
            shares.append(Share(entry, total, own))
    return tuple(shares)


def most_shares(found: Sequence[Entry], sides: Sides) -> tuple[Share, ...] | None:
    """What each entry adds at most; None: two or more opposed pairs are declared by none.

    A value that counts for all pairs together may stand wholly beside any one of several. Where
    one single pair is undeclared, its share is without bounds and its own.
    """
    shares = []
    for entry in found:
        if count := opposed(entry.ids, sides):
            total = count * entry.most if entry.each_pair else entry.most
            own = entry.most if entry.each_pair or count == 1 else 0.0
            shares.append(Share(entry, total, own))
    unknown = silent(found, sides)
    pairs = int(unknown[sides > 0].sum())
    if pairs > 1:
        return None
    if pairs:
        ids = np.where(unknown > 0, sides > 0, -1).astype(np.int64)
        shares.append(Share(Entry(ids, 1, 0.0, math.inf, each_pair=True), math.inf, math.inf))
    return tuple(shares)


def most_between(found: Sequence[Entry], sides: Sides) -> float:
    """What opposed pairs of which something is declared have at most, all together."""
    return sum(_most(entry, opposed(entry.ids, sides)) for entry in found)


def _most(entry: Entry, count: int) -> float:
    if not count:
        return 0.0
    return count * entry.most if entry.each_pair else entry.most


def silent(found: Sequence[Entry], sides: Sides) -> Ids:
    """By net: with how many opposed nets nothing of it is declared."""
    by_net = np.zeros(len(sides), dtype=np.int64)
    up, down = np.flatnonzero(sides > 0), np.flatnonzero(sides < 0)
    if not len(up) or not len(down):
        return by_net
    columns = [np.zeros(len(sides), dtype=np.int64)]
    columns += [merged(entry.ids, up, down) for entry in found]
    there, here = classes_of(up, columns), classes_of(down, columns)
    unknown = np.ones((len(there.first), len(here.first)), dtype=np.bool_)
    for ids in columns[1:]:
        one, other = ids[there.first][:, None], ids[here.first][None, :]
        unknown &= (one == -1) | (other == -1) | (one == other)
    by_net[up] = (unknown @ here.counts)[there.of_net]
    by_net[down] = (there.counts @ unknown)[here.of_net]
    return by_net
