"""Whether a lower limit on current shows that a lead has fallen off.

Without the lead its net is no longer driven. What may flow then is, tolerances included:

- the sum of what the remaining opposed pairs may conduct at most, and
- what goes through the net that now floats, and through nets that the step leaves open (`through`).

The limit is a proof only if it lies above the level times the sum of the magnitudes. A pair of
which nothing is declared may conduct anything (nets on one side, too: a capacitor between two
phases goes on driving the one that is open); then nothing is proved, unless no pair is left at
all. Source: sum and series connection of admittances.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

import numpy as np

from orchestrator.coverage.classes import Ids
from orchestrator.coverage.shares import Entry, Values, most_between, silent
from orchestrator.coverage.steps import Sides, VoltageStep
from orchestrator.coverage.through import through
from orchestrator.model.amounts import measured
from orchestrator.model.demands import Demands
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, Waveform

NO_LIMIT = "no lower limit on current"
_CURRENTS = (Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT)


class LowerLimits:
    """The declared values of a product, for questions about open leads."""

    def __init__(self, demands: Demands) -> None:
        self._demands = demands
        self.values = Values(demands)

    def shown(self, step: VoltageStep, points: Sequence[str]) -> dict[str, str | None]:
        """For each point None where the step's lower limit shows its open lead, else why not."""
        limits = [
            limit
            for limit in step.limits
            if limit.edge is Edge.AT_LEAST and limit.quantity in _CURRENTS
        ]
        if not points:
            return {}
        if not limits:
            return dict.fromkeys(points, NO_LIMIT)
        if not step.sound:
            return dict.fromkeys(points, "the step has no two sides apart")
        driving = [0] * len(self._demands.bodies)
        for point in (*step.source, *step.back):
            driving[self._body(point)] += 1
        rest = _Rest(self, step)
        found: dict[str, str | None] = {}
        for point in points:
            body = self._body(point)
            if driving[body] > 1:
                found[point] = "another point drives its net, so a lower limit shows nothing"
            else:
                found[point] = rest.judge(self._demands.bodies[body], limits)
        return found

    def _body(self, point: str) -> int:
        return self._demands.body_of[self._demands.net_of_point[point]]


def _weigh(step: VoltageStep, limit: LimitOrder, admittance: float | None) -> str | None:
    """None if the limit lies above what may still flow."""
    if admittance is None:
        return "capacitance or insulation of pairs beside it isn't declared"
    current = float(step.most) * admittance
    if float(limit.value) > current:
        return None
    given = measured(limit.quantity, limit.value)
    if math.isinf(current):
        return f"without it nothing bounds the current; the lower limit is {given}"
    told = measured(Measured.CURRENT, Decimal(f"{current:.4g}"))
    return f"without it {told} may still flow; the lower limit is {given}"


class _Rest:
    """One step: what may conduct in it without one body."""

    def __init__(self, whole: LowerLimits, step: VoltageStep) -> None:
        self._step, self._sides, self._values = step, step.carried, whole.values
        self._up = int((step.carried > 0).sum())
        self._down = int((step.carried < 0).sum())
        self._farads = _Part(whole.values.farads, step.carried)
        self._siemens = _Part(whole.values.siemens, step.carried)
        self._omega = 2 * math.pi * float(step.frequency_hz or 0)
        self._open = np.flatnonzero(step.carried == 0)
        self._weighed: dict[tuple[Measured, float | None], str | None] = {}

    def judge(self, body: tuple[int, ...], limits: Sequence[LimitOrder]) -> str | None:
        """Why no limit shows the open lead of a body; None where one does."""
        nets = np.array(body, dtype=np.int64)
        sides = self._sides[nets]
        up, down = int((sides > 0).sum()), int((sides < 0).sum())
        if not (self._up - up) * (self._down - down):
            return None  # no pair is left that could carry the current
        reasons = []
        for limit in limits:
            reactive = self._reactive(limit)
            # Most groups are told apart by what surely remains; the whole reckoning takes longer.
            quick = self._magnitude(self._farads.floor(nets), self._siemens.floor(nets), reactive)
            key = limit.quantity, quick
            if key not in self._weighed:
                self._weighed[key] = _weigh(self._step, limit, quick)
            why = self._weighed[key] or _weigh(self._step, limit, self._most(nets, reactive))
            if why is None:
                return None
            reasons.append(why)
        return "; ".join(reasons)

    def _reactive(self, limit: LimitOrder) -> bool:
        """Whether reactive current counts towards a limit."""
        return self._step.waveform is Waveform.AC and limit.quantity is Measured.TOTAL_CURRENT

    def _magnitude(
        self, farads: float | None, siemens: float | None, reactive: bool
    ) -> float | None:
        if siemens is None:
            return None
        if not reactive:
            return siemens
        return None if farads is None else math.hypot(self._omega * farads, siemens)

    def _most(self, nets: Ids, reactive: bool) -> float | None:
        rest = self._sides.copy()
        rest[nets] = 0
        farads, siemens = (
            most_between(found, rest) for found in (self._values.farads, self._values.siemens)
        )
        direct = self._magnitude(farads, siemens, reactive)
        if direct is None:
            return None
        ac = self._step.waveform is Waveform.AC
        return direct + through(
            self._values,
            np.union1d(nets, self._open),
            rest,
            self._omega if ac else 0.0,
            whole=not len(self._open),
            in_phase=not reactive,
        )


class _Part:
    """Capacitances, or conductances, of one step."""

    def __init__(self, found: tuple[Entry, ...], sides: Sides) -> None:
        self._silent = silent(found, sides)
        self._silent_total = int(self._silent[sides > 0].sum())
        self._each = np.zeros(len(sides))
        for entry in found:
            if entry.each_pair:
                degree = _degree(entry, sides)
                self._each[degree > 0] += degree[degree > 0] * entry.most
        self._each_total = float(self._each[sides > 0].sum())

    def floor(self, nets: Ids) -> float | None:
        """No more than the other opposed pairs have at most, quickly found; None: unknown."""
        if self._silent_total > int(self._silent[nets].sum()):
            return None
        left = self._each_total - float(self._each[nets].sum())
        return 0.0 if math.isnan(left) else max(left * (1 - 1e-9), 0.0)


def _degree(entry: Entry, sides: Sides) -> Ids:
    """By net: with how many nets it is opposed within one entry."""
    size = int(entry.ids.max()) + 2
    ids = np.where(entry.ids < 0, size - 1, entry.ids)
    degree = np.zeros(len(sides), dtype=np.int64)
    for side in (1, -1):
        there = np.bincount(ids[(sides == -side) & (entry.ids >= 0)], minlength=size)
        here = (sides == side) & (entry.ids >= 0)
        degree[here] = int(there.sum()) - there[ids[here]]
    return degree
