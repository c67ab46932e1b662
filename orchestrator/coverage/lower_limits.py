"""Whether a lower limit on current shows that a lead has fallen off.

Without the lead its net is no longer driven. What may flow then is, tolerances included:

- the sum of what the remaining opposed pairs may conduct at most, and
- what goes through the net that now floats, and through nets that the step leaves open: their
  admittance to one side in series with that to the other, |Y1|·|Y2| / (|Y1| + |Y2|), taken as one
  node (to short nets together never lowers a conductance: Rayleigh), and divided by a power of
  cos(δ/2), δ being how far the phases of Y1 and Y2 may lie apart: 1 where all is capacitive.

The limit is a proof only if it lies above the level times the sum of the magnitudes. A pair of
which nothing is declared may conduct anything (nets on one side, too: a capacitor between two
phases goes on driving the one that is open); then nothing is proved, unless no pair is left at
all. Source: sum and series connection of admittances; |Y1 + Y2| ≥ cos(δ/2)·(|Y1| + |Y2|).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

import numpy as np

from orchestrator.coverage.masking import entries_of
from orchestrator.coverage.shares import Entry, Ids, least_shares, opposed
from orchestrator.coverage.steps import Sides, VoltageStep
from orchestrator.coverage.tally import classes_of, merged
from orchestrator.model.amounts import measured
from orchestrator.model.demands import Demands
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, Waveform

_CURRENTS = (Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT)


class LowerLimits:
    """The declared values of a product, for questions about open leads."""

    def __init__(self, demands: Demands) -> None:
        count = len(demands.nets)
        self._demands = demands
        self._body_of = np.array(demands.body_of, dtype=np.int64)
        self.farads = entries_of(demands, count, resistances=False)
        self.siemens = entries_of(demands, count, resistances=True)

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
            return dict.fromkeys(points, "no lower limit on current")
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
        self._step, self._sides = step, step.carried
        self._up = int((step.carried > 0).sum())
        self._down = int((step.carried < 0).sum())
        self._farads = _Part(whole.farads, step.carried)
        self._siemens = _Part(whole.siemens, step.carried)
        self._omega = 2 * math.pi * float(step.frequency_hz or 0)
        self._open = np.flatnonzero(step.carried == 0)

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
            why = _weigh(self._step, limit, quick)
            why = why or _weigh(self._step, limit, self._most(nets, reactive))
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
        direct = self._magnitude(self._farads.direct(rest), self._siemens.direct(rest), reactive)
        return None if direct is None else direct + self._through(nets, rest)

    def _through(self, nets: Ids, rest: Sides) -> float:
        """Source – all that floats – return."""
        afloat = np.union1d(nets, self._open)
        siemens = self._siemens.ends(afloat, rest)
        if self._step.waveform is not Waveform.AC:
            return _series(*(most for most, _ in siemens))
        farads = self._farads.ends(afloat, rest)
        both = list(zip(farads, siemens, strict=True))
        ends = [math.hypot(self._omega * f, g) for (f, _), (g, _) in both]
        # The least phase of each end; the most is a right angle.
        lowest = min(math.atan2(self._omega * f, g) for (_, f), (g, _) in both)
        spread = math.cos((math.pi / 2 - lowest) / 2)
        if len(self._open):
            return _series(*ends) / spread**3
        # One node in series with anything passive conducts no more than alone.
        return min(_series(*ends) / spread, *ends)


def _series(one: float, other: float) -> float:
    if math.isinf(one) or math.isinf(other):
        return min(one, other)
    return 0.0 if one + other == 0 else one * other / (one + other)


class _Part:
    """Capacitances, or conductances, of one step."""

    def __init__(self, found: tuple[Entry, ...], sides: Sides) -> None:
        self._entries, self._sides = found, sides
        self._silent = _silent(found, sides)
        self._silent_total = int(self._silent[sides > 0].sum())
        self._each = np.zeros(len(sides))
        for entry in found:
            if entry.each_pair:
                degree = _degree(entry, sides)
                self._each[degree > 0] += degree[degree > 0] * entry.most
        self._each_total = float(self._each[sides > 0].sum())

    def floor(self, nets: Ids) -> float | None:
        """At most what `direct` says without these nets, quickly found; None: unknown."""
        if self._silent_total > int(self._silent[nets].sum()):
            return None
        left = self._each_total - float(self._each[nets].sum())
        return 0.0 if math.isnan(left) else max(left * (1 - 1e-9), 0.0)

    def direct(self, rest: Sides) -> float:
        """What opposed pairs conduct at most."""
        return sum(_most(entry, rest) for entry in self._entries)

    def ends(self, afloat: Ids, rest: Sides) -> tuple[tuple[float, float], tuple[float, float]]:
        """Most and least between what floats and either side; unbounded where undeclared."""
        found = []
        for end in (1, -1):
            probe = np.where(rest == end, -1, 0).astype(np.int8)
            probe[afloat] = 1
            unknown = bool(_silent(self._entries, probe).any())
            most = math.inf if unknown else self.direct(probe)
            found.append((most, sum(s.total for s in least_shares(self._entries, probe))))
        return found[0], found[1]


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


def _most(entry: Entry, sides: Sides) -> float:
    count = opposed(entry.ids, sides)
    if not count:
        return 0.0
    return count * entry.most if entry.each_pair else entry.most


def _silent(found: Sequence[Entry], sides: Sides) -> Ids:
    """By net: with how many opposed nets nothing of it is declared."""
    by_net = np.zeros(len(sides), dtype=np.int64)
    up, down = np.flatnonzero(sides > 0), np.flatnonzero(sides < 0)
    if not len(up) or not len(down):
        return by_net
    columns = [np.zeros(len(sides), dtype=np.int64)]
    columns += [merged(entry.ids, up, down) for entry in found]
    there, here = classes_of(up, columns), classes_of(down, columns)
    silent = np.ones((len(there.first), len(here.first)), dtype=np.bool_)
    for ids in columns[1:]:
        one, other = ids[there.first][:, None], ids[here.first][None, :]
        silent &= (one == -1) | (other == -1) | (one == other)
    by_net[up] = (silent @ here.counts)[there.of_net]
    by_net[down] = (there.counts @ silent)[here.of_net]
    return by_net
