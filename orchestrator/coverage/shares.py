"""What declared capacitances and insulations add up to between the two sides of a step.

Undeclared values count as zero where the least counts; where the most counts they are unknown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.coverage.steps import Sides
from orchestrator.model.demands import Declared, Grouping

Ids = NDArray[np.int64]


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


@dataclass(frozen=True, eq=False)
class Share:
    """What one entry surely adds in one step; `own`: what of it may be a single pair's own."""

    entry: Entry
    total: float
    own: float


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
