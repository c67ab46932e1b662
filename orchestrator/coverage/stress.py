"""What a step puts on opposite sides above what it may see, and what floats that may not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from orchestrator.coverage.classes import Classes, Counts, Flags, Ids, Pair, classes_of, merged
from orchestrator.coverage.report import Afloat, Short, Stress
from orchestrator.coverage.shares import ids_of
from orchestrator.coverage.steps import VoltageStep
from orchestrator.formulas.currents import ROOT_TWO
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Waveform

_ROWS = 512


def shorts(demands: Demands, steps: Sequence[VoltageStep]) -> Iterator[Short]:
    """Steps with a net, or two joined nets, on both sides."""
    for step in steps:
        for one, other in step.shorted:
            names = demands.nets[one].name, demands.nets[other].name
            yield Short(step.number, step.name, names, step.at)


class Stressing:
    """Asks of each step which of its opposed pairs may see less than it gives.

    A pair may see what `Demands.highest` says; here that is asked of whole classes of nets.
    """

    def __init__(self, demands: Demands) -> None:
        self._demands = demands
        count = len(demands.nets)
        self._bodies = np.array(demands.body_of, dtype=np.int64)
        self._ceilings = [ids_of(ceiling.pairs, count) for ceiling in demands.ceilings]
        self._demanded = [ids_of(demand.pairs, count) for demand in demands.pair_demands]

    def of(self, step: VoltageStep, *, name: int, search: bool = False) -> Stress | None:
        """The finding on one step, naming at most `name` pairs; None where all is well.

        ``search``: the step is what a search may make of it (`searching`).
        """
        up, down = np.flatnonzero(step.carried > 0), np.flatnonzero(step.carried < 0)
        if not len(up) or not len(down):
            return None
        judge = _Judge(self, step, up, down)
        total = 0
        first: list[Pair] = []
        for start in range(0, len(judge.rows.first), _ROWS):
            end = min(start + _ROWS, len(judge.rows.first))
            wrong = judge.wrong(start, end)
            if not wrong.any():
                continue
            weights = wrong @ judge.columns.counts.astype(np.float64)
            total += round(float(judge.rows.counts[start:end] @ weights))
            first += _named(wrong, judge, start, name - len(first))
        if not total:
            return None
        told = tuple(
            (
                (self._demands.nets[one].name, self._demands.nets[other].name),
                self._demands.highest(one, other),
            )
            for one, other in first
        )
        return Stress(
            step.number, step.name, step.at, step.waveform, step.most, total, told, search
        )  # fmt: skip

    def by_group(self, step: VoltageStep, groups: Ids) -> Counts:
        """How many pairs a step stresses too high, by group against group, for the picture."""
        size = int(groups.max()) + 1
        total = np.zeros((size, size))
        up, down = np.flatnonzero(step.carried > 0), np.flatnonzero(step.carried < 0)
        if len(up) and len(down):
            judge = _Judge(self, step, up, down, groups)
            held = [np.zeros((len(side.first), size)) for side in (judge.rows, judge.columns)]
            for side, table in zip((judge.rows, judge.columns), held, strict=True):
                table[np.arange(len(side.first)), groups[side.first]] = side.counts
            for start in range(0, len(judge.rows.first), _ROWS):
                end = min(start + _ROWS, len(judge.rows.first))
                total += held[0][start:end].T @ (judge.wrong(start, end) @ held[1])
        both = total + total.T
        np.fill_diagonal(both, np.diag(total))
        return np.rint(both).astype(np.int64)

    def questions(
        self, waveform: Waveform, most_v: Decimal
    ) -> tuple[list[Ids], list[Ids], list[Ids], bool]:
        """Groupings that forbid a level, that say anything, that demand it; and whether a pair
        of which nothing is declared may see it."""
        held, allowed = self._demands.ceilings, self._demands.allowed
        ac = waveform is Waveform.AC
        forbid = [
            ids
            for ids, ceiling in zip(self._ceilings, held, strict=True)
            if (ceiling.ac_v if ac else ceiling.dc_v) < most_v
        ]
        allow = [
            ids
            for ids, demand in zip(self._demanded, self._demands.pair_demands, strict=True)
            if _equivalent_v(demand, waveform) >= most_v
        ]
        undeclared = allowed.undeclared_ac_v if ac else allowed.undeclared_dc_v
        return forbid, self._ceilings, allow, (undeclared or Decimal(0)) >= most_v

    @property
    def bodies(self) -> Ids:
        """By net: its body."""
        return self._bodies


def _equivalent_v(demand: PairDemand, waveform: Waveform) -> Decimal:
    """What a demand lets its pairs see, peak for peak: DC is √2 times AC."""
    if waveform is demand.waveform:
        return demand.ceiling_v
    if waveform is Waveform.DC:
        return demand.ceiling_v * ROOT_TWO
    return demand.ceiling_v / ROOT_TWO


class _Judge:
    """One step: classes of its source side (rows) against classes of its return side."""

    def __init__(
        self, whole: Stressing, step: VoltageStep, up: Ids, down: Ids, groups: Ids | None = None
    ) -> None:
        forbid, declared, allow, rest = whole.questions(step.waveform, step.most)
        self._rest = rest
        self._bodies = merged(whole.bodies, up, down)
        self._forbid = [merged(ids, up, down) for ids in forbid]
        self._declared = [] if rest else [merged(ids, up, down) for ids in declared]
        self._allow = [] if rest else [merged(ids, up, down) for ids in allow]
        columns: list[NDArray[np.generic]] = [self._bodies]
        columns += [*self._forbid, *self._declared, *self._allow]
        columns += [] if groups is None else [groups]
        self.rows: Classes = classes_of(up, columns)
        self.columns: Classes = classes_of(down, columns)

    def wrong(self, start: int, end: int) -> Flags:
        rows, columns = self.rows.first[start:end], self.columns.first
        found: Flags = self._bodies[rows][:, None] == self._bodies[columns][None, :]
        found = found | self._any(self._forbid, rows, columns)
        if not self._rest:
            spoken = self._any(self._declared, rows, columns)
            found |= ~spoken & ~self._any(self._allow, rows, columns)
        return found

    def _any(self, groupings: Sequence[Ids], rows: Ids, columns: Ids) -> Flags:
        found = np.zeros((len(rows), len(columns)), dtype=np.bool_)
        for ids in groupings:
            one, other = ids[rows][:, None], ids[columns][None, :]
            found |= (one != -1) & (other != -1) & (one != other)
        return found


def _named(wrong: Flags, judge: _Judge, start: int, room: int) -> list[Pair]:
    found: list[Pair] = []
    for row, column in np.argwhere(wrong)[: max(room, 0)]:
        for one in judge.rows.members(start + int(row)):
            for other in judge.columns.members(int(column)):
                if len(found) >= room:
                    return found
                found.append((int(one), int(other)))
    return found


def afloat(
    demands: Demands, step: VoltageStep, loose: Flags, *, name: int, search: bool = False
) -> Afloat | None:
    """Nets that may be open in a step (`loose`) and that may not float at its level.

    Such a net may take any voltage between the sides; so against either it may reach the level.
    """
    if not (step.driven > 0).any() or not (step.driven < 0).any():
        return None
    wrong: list[tuple[str, Decimal | None]] = []
    count = 0
    for net in np.flatnonzero(loose):
        said = demands.allowed.floating.get(int(net))
        up_to = None
        if said is not None:
            up_to = said.ac_v if step.waveform is Waveform.AC else said.dc_v
            if up_to is None or up_to >= step.most:
                continue
        count += 1
        if len(wrong) < name:
            wrong.append((demands.nets[int(net)].name, up_to))
    if not count:
        return None
    told = tuple(wrong)
    return Afloat(step.number, step.name, step.at, step.waveform, step.most, count, told, search)
