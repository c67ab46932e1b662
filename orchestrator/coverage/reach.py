"""What a net that is left open may reach.

An open net is a conductor that nothing holds: it may take the voltage of either side, so against a
driven net, and against another open one, it may reach the whole level. Where the product declares
how much such a pair may see (`never_above`), that counts; where it declares nothing for the pair,
`allow: floating` with its levels is the licence (`stress.afloat`).
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from orchestrator.coverage.classes import Classes, Counts, Flags, Ids, Pair, apart, classes_of, lone
from orchestrator.coverage.report import Reached
from orchestrator.coverage.shares import ids_of
from orchestrator.coverage.steps import VoltageStep
from orchestrator.coverage.tally import blocks
from orchestrator.model.demands import Demands
from orchestrator.model.words import Waveform


def open_nets(step: VoltageStep) -> Flags:
    """By net: driven by nothing, not even through what joins it to another."""
    found: Flags = step.carried == 0
    found[[one for one, other in step.shorted if one == other]] = False  # on both sides: a short
    return found


class Reach:
    """Asks of each step which pairs an open net takes above what is declared for them."""

    def __init__(self, demands: Demands) -> None:
        self._demands = demands
        count = len(demands.nets)
        self._bodies = np.array(demands.body_of, dtype=np.int64)
        self._ceilings = [ids_of(ceiling.pairs, count) for ceiling in demands.ceilings]

    def of(
        self, step: VoltageStep, loose: Flags, *, name: int, search: bool = False
    ) -> Reached | None:
        """The finding on one step, naming at most `name` pairs. ``loose``: may be open, by net."""
        if (judge := self._judge(step, loose)) is None:
            return None
        total = 0
        first: list[Pair] = []
        for start, wrong in judge.blocks():
            total += judge.count(start, wrong)
            first += judge.named(start, wrong, name - len(first))
        if not total:
            return None
        nets = self._demands.nets
        told = tuple(
            ((nets[one].name, nets[other].name), self._demands.highest(one, other))
            for one, other in first
        )
        return Reached(
            step.number, step.name, step.at, step.waveform, step.most, total, told, search
        )  # fmt: skip

    def by_group(self, step: VoltageStep, loose: Flags, groups: Ids) -> Counts:
        """The same by group against group, for the picture."""
        size = int(groups.max()) + 1
        total = np.zeros((size, size), dtype=np.float64)
        if (judge := self._judge(step, loose, groups)) is not None:
            classes = judge.classes
            held = np.zeros((len(classes.first), size))
            held[np.arange(len(classes.first)), groups[classes.first]] = classes.counts
            for start, wrong in judge.blocks():
                total += held[start : start + len(wrong)].T @ (np.triu(wrong, 1) @ held[start:])
                own = np.diag(wrong) * judge.within(start, len(wrong))
                total[np.diag_indices(size)] += own @ (held[start : start + len(wrong)] > 0)
        both = total + total.T
        np.fill_diagonal(both, np.diag(total))
        return np.rint(both).astype(np.int64)

    def _judge(self, step: VoltageStep, loose: Flags, groups: Ids | None = None) -> _Judge | None:
        if not (step.driven > 0).any() or not (step.driven < 0).any() or not loose.any():
            return None
        forbid = [
            ids
            for ids, ceiling in zip(self._ceilings, self._demands.ceilings, strict=True)
            if _held(ceiling.ac_v, ceiling.dc_v, step.waveform) < step.most
        ]
        return _Judge(step, loose, forbid, self._bodies, groups) if forbid else None


def _held(ac_v: Decimal, dc_v: Decimal, waveform: Waveform) -> Decimal:
    return ac_v if waveform is Waveform.AC else dc_v


class _Judge:
    """One step: classes of all its nets against each other."""

    def __init__(
        self,
        step: VoltageStep,
        loose: Flags,
        forbid: list[Ids],
        bodies: Ids,
        groups: Ids | None,
    ) -> None:
        nets = np.flatnonzero((step.carried != 0) | loose)
        self._loose, self._sides = loose, step.carried
        self._forbid = [lone(ids, nets) for ids in forbid]
        self._bodies = lone(bodies, nets)
        columns: list[NDArray[np.generic]] = [loose, step.carried, self._bodies, *self._forbid]
        columns += [] if groups is None else [groups]
        self.classes: Classes = classes_of(nets, columns)

    def blocks(self) -> Iterator[tuple[int, Flags]]:
        """Which classes against which from there on; on the diagonal two nets of one class."""
        for start, end in blocks(len(self.classes.first)):
            wrong = self._wrong(start, end)
            if wrong.any():
                yield start, wrong

    def _wrong(self, start: int, end: int) -> Flags:
        rows, columns = self.classes.first[start:end], self.classes.first[start:]
        loose = self._loose[rows][:, None] | self._loose[columns][None, :]
        sides = self._sides.astype(np.int8)
        opposed = sides[rows][:, None] * sides[columns][None, :] < 0
        wrong = loose & ~opposed & apart(self._forbid, rows, columns)
        wrong &= apart([self._bodies], rows, columns)
        wrong &= np.arange(len(columns)) >= np.arange(len(rows))[:, None]
        np.fill_diagonal(wrong, np.diag(wrong) & (self.classes.counts[start:end] > 1))
        return wrong

    def within(self, start: int, size: int) -> Ids:
        """Pairs within each class."""
        counts = self.classes.counts[start : start + size]
        return np.asarray(counts * (counts - 1) // 2)

    def count(self, start: int, wrong: Flags) -> int:
        """How many pairs of nets."""
        counts = self.classes.counts.astype(np.float64)
        across = counts[start : start + len(wrong)] @ (np.triu(wrong, 1) @ counts[start:])
        own = np.diag(wrong) @ self.within(start, len(wrong))
        return round(float(across)) + int(own)

    def named(self, start: int, wrong: Flags, room: int) -> list[Pair]:
        """The first pairs."""
        found: list[Pair] = []
        for row, column in np.argwhere(wrong)[: max(room, 0)]:
            here = self.classes.members(start + int(row))
            there = self.classes.members(start + int(column))
            for one in here:
                for other in there:
                    if row == column and other <= one:
                        continue
                    if len(found) >= room:
                        return found
                    found.append((int(min(one, other)), int(max(one, other))))
        return found
