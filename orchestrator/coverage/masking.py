"""Whether the limit of a group still shows one bad pair.

**Too much** (upper limit on current, lower on resistance). A pair at its own limit draws the
demanded limit's current, of unknown phase; the rest of the group adds at least its declared
capacitances and insulations. The step shows the pair if the reading then reaches the step's limit.
With the rest's in-phase current P = U·G and reactive current Q = U·2πf·C, the reading of a total
current is at least

    min( √((I + P)² + Q²), √(P² + (I + Q)²) )

(the phase farthest from the rest's is one of the two ends), of an in-phase current I + P, of an
insulation 1/(1/R + G).

**Too little** (lower limit on current, upper on resistance). A pair that draws less than its limit
I is hidden by whatever else flows. It is held as shown exactly if the step's own limit is at least

    k·I + U·( Y + T )        for a resistance: 1/limit of the step ≥ 1/R + G + T

- U: the most that the wire may carry; k = U over the demand's ceiling, if that is more than 1, for
  at a higher level a bad pair draws more, too;
- Y: the sum of what all other opposed pairs have at most, √(G² + (2πf·C)²) for a total current, G
  for an in-phase current, for DC and for a resistance. A value that counts for all pairs together
  counts whole unless only this pair of it is opposed. Where one body stands on each side there
  are no others: Y = 0;
- T: what nets that the step leaves open conduct from side to side at most (`through`);
- of every other opposed pair what counts in Y must be declared, and of what is left open enough
  that T is bounded; undeclared is unknown, and the pair then not shown.

So a step with one body on each side and nothing left open shows it by the demanded limit itself
(k = 1). Source: addition of phasors and of conductances.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

import numpy as np

from orchestrator.coverage.classes import Flags, Ids
from orchestrator.coverage.fitting import as_strict, counterpart
from orchestrator.coverage.shares import Reals, Share, Values, least_shares, most_shares
from orchestrator.coverage.steps import VoltageStep
from orchestrator.coverage.through import through
from orchestrator.model.amounts import measured, volts
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, Waveform

_EQUAL = 1 - 1e-9
"""A limit that is just met counts as met, whatever the last bit of a float says."""


@dataclass(frozen=True, eq=False)
class Loose:
    """A demanded limit whose counterpart in the step isn't plainly as strict.

    ``beyond``: which way a pair breaks it: more current than it may draw, or less. The shares are
    what the group adds at least, or at most; ``through`` (S) what open nets add at most.
    ``unknown``: what counts isn't declared. ``decided``: True or False where it is so for every
    pair, None where it depends on the pair.
    """

    demanded: LimitOrder
    given: LimitOrder
    step: VoltageStep
    beyond: Beyond
    capacitive: tuple[Share, ...] = ()
    resistive: tuple[Share, ...] = ()
    through: float = 0.0
    scale: float = 1.0
    unknown: bool = False
    decided: bool | None = None

    def shows(self, rows: Ids, columns: Ids) -> Flags:
        """For every pair of a net of `rows` and one of `columns`."""
        size = (len(rows), len(columns))
        if self.unknown:
            return np.zeros(size, dtype=np.bool_)
        rest = (np.zeros(size) + _rest(shares, rows, columns) for shares in self.parts)
        return self._holds(*rest)

    @property
    def parts(self) -> tuple[tuple[Share, ...], tuple[Share, ...]]:
        """Capacitive and resistive shares."""
        return self.capacitive, self.resistive

    def settled(self) -> Loose:
        """With ``decided`` where the extremes of a pair's own share agree."""
        if self.unknown:
            return replace(self, decided=False)
        whole = (np.array([sum(s.total for s in part)]) for part in self.parts)
        least = (np.array([sum(s.beside for s in part)]) for part in self.parts)
        ends = {bool(self._holds(*whole)[0]), bool(self._holds(*least)[0])}
        return replace(self, decided=ends.pop() if len(ends) == 1 else None)

    def _holds(self, rest_f: Reals, rest_s: Reals) -> Flags:
        reading, limit = _reading(self, rest_f, rest_s)
        if self.beyond == "more":
            return np.asarray(reading >= limit * _EQUAL)
        return np.asarray(reading * _EQUAL <= limit)

    def why(self, one: int, other: int) -> str:
        """The figures for one pair, in words."""
        if self.unknown:
            return f"{_group(self)}, and what stands beside the pair isn't declared"
        pair = np.array([one]), np.array([other])
        rest = (np.zeros((1, 1)) + _rest(shares, *pair) for shares in self.parts)
        reading, limit = (float(np.ravel(x)[0]) for x in _reading(self, *rest))
        at_limit = f"with the pair at its limit of {_of(self.demanded)} the group"
        if self.beyond == "less":
            if math.isinf(reading):
                return f"{_group(self)}, and nothing bounds what flows beside the pair"
            told = _ohms(1 / reading) if self._ohmic else _amps(reading)
            return f"{_group(self)}; {at_limit} may still read {told} at {volts(self.step.most)}"
        if self._ohmic:
            accepted = f"the step accepts {_of(self.given)} and more"
            return f"{at_limit} still reads {_ohms(1 / reading)}, and {accepted}"
        accepted = f"the step accepts up to {_amps(limit)}"
        return f"{at_limit} may read only {_amps(reading)}, and {accepted}"

    @property
    def _ohmic(self) -> bool:
        return self.given.quantity is Measured.RESISTANCE


_SHOWN_BY_MORE = {
    Measured.TOTAL_CURRENT: Edge.AT_MOST,
    Measured.IN_PHASE_CURRENT: Edge.AT_MOST,
    Measured.RESISTANCE: Edge.AT_LEAST,
}
"""Limits that a pair breaks by drawing more, so that the rest of the group adds to it."""

Beyond = Literal["more", "less"]


class Masking:
    """The declared values of a product, ready for questions about steps."""

    def __init__(self, demands: Demands) -> None:
        self._values = Values(demands)
        self._body_of = np.array(demands.body_of, dtype=np.int64)
        self._shares: dict[int, tuple[tuple[Share, ...], tuple[Share, ...]]] = {}

    def looseness(self, demand: PairDemand, step: VoltageStep) -> tuple[Loose, ...]:
        """Every limit of a fit step that isn't plainly as strict as demanded."""
        return tuple(self._loose(demand, step))

    def _loose(self, demand: PairDemand, step: VoltageStep) -> Iterator[Loose]:
        for limit in demand.limits:
            given = counterpart(limit, step)
            if given is None:
                raise ValueError(f"{step.told} has no limit for {limit.quantity}")
            if limit.edge is not _SHOWN_BY_MORE.get(limit.quantity):
                found = self._too_little(demand, limit, given, step)
                if found.decided is not True:
                    yield found
            elif not as_strict(limit, given):
                yield self._too_much(limit, given, step)

    def _too_much(self, limit: LimitOrder, given: LimitOrder, step: VoltageStep) -> Loose:
        if step.number not in self._shares:
            self._shares[step.number] = (
                least_shares(self._values.farads, step.carried),
                least_shares(self._values.siemens, step.carried),
            )
        return Loose(limit, given, step, "more", *self._shares[step.number]).settled()

    def _too_little(
        self, demand: PairDemand, limit: LimitOrder, given: LimitOrder, step: VoltageStep
    ) -> Loose:
        if limit.quantity not in _SHOWN_BY_MORE:
            return Loose(limit, given, step, "less", unknown=True).settled()
        reactive = step.waveform is Waveform.AC and limit.quantity is Measured.TOTAL_CURRENT
        farads: tuple[Share, ...] | None = ()
        siemens: tuple[Share, ...] | None = ()
        if not self._alone(step):
            siemens = most_shares(self._values.siemens, step.carried)
            farads = most_shares(self._values.farads, step.carried) if reactive else ()
        scale = max(1.0, float(step.most / demand.ceiling_v))
        if limit.quantity is Measured.RESISTANCE:
            scale = 1.0
        if farads is None or siemens is None:
            return Loose(limit, given, step, "less", scale=scale, unknown=True).settled()
        afloat = np.flatnonzero(step.carried == 0)
        omega = _omega(step) if step.waveform is Waveform.AC else 0.0
        around = through(
            self._values,
            afloat,
            step.carried,
            omega,
            whole=len(np.unique(self._body_of[afloat])) == 1,
            in_phase=not reactive,
        )
        return Loose(limit, given, step, "less", farads, siemens, around, scale).settled()

    def _alone(self, step: VoltageStep) -> bool:
        """Whether one conductor stands on each side; nets that are joined are one."""
        up = np.unique(self._body_of[step.carried > 0])
        down = np.unique(self._body_of[step.carried < 0])
        return len(up) == len(down) == 1


def _rest(shares: Sequence[Share], rows: Ids, columns: Ids) -> Reals | float:
    return sum((share.rest(rows, columns) for share in shares), 0.0)


def _omega(step: VoltageStep) -> float:
    return 2 * math.pi * float(step.frequency_hz or 0)


def _reading(loose: Loose, rest_f: Reals, rest_s: Reals) -> tuple[Reals, float]:
    """What the step reads with one pair at its limit, at least or (`less`) at most, and its limit
    (A, or S)."""
    step, fault = loose.step, float(loose.demanded.value)
    if loose.given.quantity is Measured.RESISTANCE:
        return 1 / fault + rest_s + loose.through, 1 / float(loose.given.value)
    limit_a = float(loose.given.value)
    in_phase_alone = (
        step.waveform is Waveform.DC or loose.given.quantity is Measured.IN_PHASE_CURRENT
    )
    if loose.beyond == "less":
        siemens = rest_s if in_phase_alone else np.hypot(rest_s, _omega(step) * rest_f)
        return loose.scale * fault + float(step.most) * (siemens + loose.through), limit_a
    level_v = float(step.least)
    in_phase = level_v * rest_s
    if in_phase_alone:
        return fault + in_phase, limit_a
    reactive = level_v * _omega(step) * rest_f
    resistive_fault = np.hypot(fault + in_phase, reactive)
    if loose.demanded.quantity is Measured.IN_PHASE_CURRENT:
        return resistive_fault, limit_a
    return np.minimum(resistive_fault, np.hypot(in_phase, fault + reactive)), limit_a


def _group(loose: Loose) -> str:
    given = measured(loose.given.quantity, loose.given.value)
    quantity = loose.demanded.quantity.replace("_", " ")
    return f"its limit, {quantity} {_words(loose.given.edge)} {given}, is that of a group"


def _four(value: float) -> Decimal:
    return Decimal(f"{value:.4g}")


def _words(edge: Edge) -> str:
    return edge.replace("_", " ")


def _of(limit: LimitOrder) -> str:
    return measured(limit.quantity, limit.value)


def _amps(value: float) -> str:
    return measured(Measured.CURRENT, _four(value))


def _ohms(value: float) -> str:
    return measured(Measured.RESISTANCE, _four(value))
