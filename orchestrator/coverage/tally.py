"""Counting pairs without listing them: nets alike in every step are counted as one.

Two nets are opposed in a step if their sides are SOURCE and RETURN, in either order; an open net
is opposed to none. So the pairs that a set of steps leaves out are found from the nets' signatures
(their sides, step by step): with no net open they are those within a class of equal signatures;
with open nets being 'never opposed' isn't transitive, so classes are compared with each other, in
blocks. A product of matrices counts the steps that oppose two classes: exact in float32 up to
2²⁴ steps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.coverage.classes import Classes, Counts, Flags, Ids, Pair, classes_of
from orchestrator.coverage.masking import Loose
from orchestrator.coverage.shares import ids_of
from orchestrator.coverage.steps import VoltageStep
from orchestrator.model.demands import Demands, PairDemand

_CELLS = 2_000_000
"""Cells of a block of classes against classes; 8 MB in float32."""


def signature(
    steps: Sequence[VoltageStep], count: int, *, carried: bool = False
) -> NDArray[np.uint8]:
    """By net: its sides in all steps, packed; with `carried` those of nets joined to driven ones,
    too."""
    if not steps:
        return np.zeros((count, 1), dtype=np.uint8)
    sides = np.stack([step.carried if carried else step.driven for step in steps], axis=1)
    return np.concatenate([np.packbits(sides > 0, axis=1), np.packbits(sides < 0, axis=1)], axis=1)


class Opposed:
    """How many of some steps oppose two nets, for blocks of nets."""

    def __init__(self, steps: Sequence[VoltageStep], nets: Ids, *, carried: bool = False) -> None:
        self._size = len(nets)
        self._none = not steps
        if steps:
            sides = np.stack([(s.carried if carried else s.driven)[nets] for s in steps], axis=1)
            up, down = (sides > 0).astype(np.float32), (sides < 0).astype(np.float32)
            self._rows = np.concatenate([up, down], axis=1)
            self._columns = np.concatenate([down, up], axis=1)

    def block(self, start: int, end: int) -> NDArray[np.float32]:
        """Rows `start` to `end` against columns from `start` on."""
        if self._none:
            return np.zeros((end - start, self._size - start), dtype=np.float32)
        found: NDArray[np.float32] = self._rows[start:end] @ self._columns[start:].T
        return found


def blocks(size: int) -> Iterator[tuple[int, int]]:
    """Row ranges whose cells fit a block."""
    start = 0
    while start < size:
        end = min(size, start + max(1, _CELLS // (size - start)))
        yield start, end
        start = end


@dataclass(frozen=True, eq=False)
class Fit:
    """The fit steps of a demand, by how they show a pair at its limit.

    ``sure``: every pair that they oppose. ``mixed``: it depends on the pair. ``blind``: none.
    """

    sure: tuple[VoltageStep, ...]
    mixed: tuple[tuple[VoltageStep, tuple[Loose, ...]], ...]
    blind: tuple[tuple[VoltageStep, tuple[Loose, ...]], ...]

    @property
    def all_steps(self) -> tuple[VoltageStep, ...]:
        """All of them."""
        return (*self.sure, *(step for step, _ in (*self.mixed, *self.blind)))


@dataclass(frozen=True, eq=False)
class Tally:
    """Pairs of one demand. With groups of nets: the same by group against group (symmetrical)."""

    pairs: int
    covered: int
    masked: int
    open_pairs: tuple[Pair, ...]
    masked_pairs: tuple[Pair, ...]
    demanded_by: Counts | None = None
    open_by: Counts | None = None
    masked_by: Counts | None = None


def tally(
    demands: Demands, demand: PairDemand, fit: Fit, *, name: int, groups: Ids | None = None
) -> Tally:
    """Count the covered, the masked and the open pairs of a demand.

    Args:
        name: how many open and how many masked pairs to name.
        groups: by net, a group for the picture; None: no picture.
    """
    return _Count(demands, demand, fit, name, groups).run()


class _Count:
    def __init__(
        self, demands: Demands, demand: PairDemand, fit: Fit, name: int, groups: Ids | None
    ) -> None:
        count = len(demands.nets)
        self._demand, self._fit, self._limit = demand, fit, name
        ids = ids_of(demand.pairs, count)
        columns: list[NDArray[np.generic]] = [ids, signature(fit.all_steps, count)]
        columns += [
            share.entry.ids
            for _, loose in fit.mixed
            for each in loose
            for share in (*each.capacitive, *each.resistive)
        ]
        if groups is not None:
            columns.append(groups)
        self._classes = classes_of(np.flatnonzero(ids >= 0), columns)
        self._groups = groups
        self._ids = ids[self._classes.first]
        self._weights = self._classes.counts.astype(np.float64)
        self._open: list[Pair] = []
        self._masked: list[Pair] = []

    def run(self) -> Tally:
        first = self._classes.first
        sure = Opposed(self._fit.sure, first)
        other = Opposed([step for step, _ in (*self._fit.mixed, *self._fit.blind)], first)
        masked = uncovered = 0
        tables = _Tables(self._groups, self._classes)
        for start, end in blocks(len(first)):
            wanted = self._ids[start:end, None] != self._ids[None, start:]
            rows = np.arange(end - start)
            wanted &= np.arange(wanted.shape[1])[None, :] > rows[:, None]
            shown = sure.block(start, end) > 0
            for step, loose in self._fit.mixed:
                shown |= self._revealed(step, loose, start, end)
            rest = wanted & ~shown
            hidden = rest & (other.block(start, end) > 0)
            bare = rest & ~hidden
            masked += self._sum(hidden, start, end)
            uncovered += self._sum(bare, start, end)
            self._name(bare, start, self._open)
            self._name(hidden, start, self._masked)
            tables.add(start, end, wanted, bare, hidden)
        pairs = self._demand.pairs.pairs
        return Tally(
            pairs, pairs - masked - uncovered, masked,
            tuple(self._open), tuple(self._masked), *tables.all(),
        )  # fmt: skip

    def _revealed(self, step: VoltageStep, loose: Sequence[Loose], start: int, end: int) -> Flags:
        first = self._classes.first
        rows, columns = first[start:end], first[start:]
        sides = step.driven.astype(np.int8)
        found: Flags = sides[rows][:, None] * sides[columns][None, :] < 0
        for each in loose:
            if each.decided is None:
                found &= each.shows(rows, columns)
        return found

    def _sum(self, mask: Flags, start: int, end: int) -> int:
        if not mask.any():
            return 0
        rows = mask @ self._weights[start:]
        return round(float(self._weights[start:end] @ rows))

    def _name(self, mask: Flags, start: int, into: list[Pair]) -> None:
        """Add pairs until enough are named."""
        if len(into) >= self._limit or not mask.any():
            return
        for row in np.flatnonzero(mask.any(axis=1)):
            for column in np.flatnonzero(mask[row])[: self._limit]:
                for one in self._classes.members(start + int(row)):
                    for other in self._classes.members(start + int(column)):
                        into.append((int(min(one, other)), int(max(one, other))))
                        if len(into) >= self._limit:
                            return


class _Tables:
    """Pairs by group against group."""

    def __init__(self, groups: Ids | None, classes: Classes) -> None:
        self._on = groups is not None
        if groups is None:
            return
        size = int(groups.max()) + 1
        self._held = np.zeros((len(classes.first), size))
        self._held[np.arange(len(classes.first)), groups[classes.first]] = classes.counts
        self._sums = [np.zeros((size, size)) for _ in range(3)]

    def add(self, start: int, end: int, *masks: Flags) -> None:
        """A block's wanted, open and masked pairs."""
        if not self._on:
            return
        for index, mask in enumerate(masks):
            if mask.any():
                self._sums[index] += self._held[start:end].T @ (mask @ self._held[start:])

    def all(self) -> tuple[Counts | None, Counts | None, Counts | None]:
        """Symmetrical whole numbers; a pair within one group counts once."""
        if not self._on:
            return None, None, None
        found = []
        for total in self._sums:
            both = total + total.T
            np.fill_diagonal(both, np.diag(total))
            found.append(np.rint(both).astype(np.int64))
        return found[0], found[1], found[2]
