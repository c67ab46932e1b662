"""Whether the limit of a group still shows one bad pair.

A pair at its own limit draws the demanded limit's current, of unknown phase; the rest of the group
adds at least its declared capacitances and insulations. The step shows the pair if the reading
then reaches the step's limit. With the rest's in-phase current P = U·G and reactive current
Q = U·2πf·C, the reading of a total current is at least

    min( √((I + P)² + Q²), √(P² + (I + Q)²) )

(the phase farthest from the rest's is one of the two ends), of an in-phase current I + P, of an
insulation 1/(1/R + G). Source: addition of phasors and of conductances.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from orchestrator.coverage.fitting import as_strict, counterpart
from orchestrator.coverage.shares import Entry, Ids, Share, entries, least_shares
from orchestrator.coverage.steps import VoltageStep
from orchestrator.model.amounts import measured
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, Waveform

Reals = NDArray[np.float64]

_EQUAL = 1 - 1e-9
"""A limit that is just met counts as met, whatever the last bit of a float says."""


@dataclass(frozen=True, eq=False)
class Loose:
    """A demanded limit whose counterpart in the step is less strict taken alone.

    ``decided``: True or False where it is so for every pair, None where it depends on the pair.
    """

    demanded: LimitOrder
    given: LimitOrder
    step: VoltageStep
    capacitive: tuple[Share, ...]
    resistive: tuple[Share, ...]
    decided: bool | None

    def shows(self, own_f: Reals, own_s: Reals) -> NDArray[np.bool_]:
        """For pairs whose own share is at most so much (F, S)."""
        rest_f = sum(share.total for share in self.capacitive) - own_f
        rest_s = sum(share.total for share in self.resistive) - own_s
        reading, limit = _reading(self, np.maximum(rest_f, 0), np.maximum(rest_s, 0))
        return np.asarray(reading >= limit * _EQUAL)

    def own_of(self, rows: Ids, columns: Ids) -> tuple[Reals, Reals]:
        """The own shares (F, S) of every pair of a net of `rows` and one of `columns`."""
        return _own(self.capacitive, rows, columns), _own(self.resistive, rows, columns)

    def why(self, one: int, other: int) -> str:
        """The figures for one pair, in words."""
        if self.demanded.edge is not _SHOWN_BY_MORE[self.demanded.quantity]:
            given = measured(self.given.quantity, self.given.value)
            quantity = self.demanded.quantity.replace("_", " ")
            return f"its limit, {quantity} {_words(self.given.edge)} {given}, is that of a group"
        own_f, own_s = self.own_of(np.array([one]), np.array([other]))
        rest_f = np.maximum(sum(share.total for share in self.capacitive) - own_f[0], 0)
        rest_s = np.maximum(sum(share.total for share in self.resistive) - own_s[0], 0)
        reading, limit = (float(np.ravel(x)[0]) for x in _reading(self, rest_f, rest_s))
        if self.given.quantity is Measured.RESISTANCE:
            return (
                f"with the pair at its limit of {_of(self.demanded)} the group still reads "
                f"{_ohms(1 / reading)}, and the step accepts {_of(self.given)} and more"
            )
        return (
            f"with the pair at its limit of {_of(self.demanded)} the group may read only "
            f"{_amps(reading)}, and the step accepts up to {_amps(limit)}"
        )


_SHOWN_BY_MORE = {
    Measured.TOTAL_CURRENT: Edge.AT_MOST,
    Measured.IN_PHASE_CURRENT: Edge.AT_MOST,
    Measured.RESISTANCE: Edge.AT_LEAST,
}
"""Limits that a pair breaks by drawing more, so that the rest of the group adds to it."""


class Masking:
    """The declared values of a product, ready for questions about steps."""

    def __init__(self, demands: Demands) -> None:
        count = len(demands.nets)
        self.capacitances = entries_of(demands, count, resistances=False)
        self.insulations = entries_of(demands, count, resistances=True)
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
            strict = as_strict(limit, given)
            if limit.edge is not _SHOWN_BY_MORE.get(limit.quantity):
                # A pair that draws too little is hidden by whatever stands beside it.
                if not (strict and self._alone(step)):
                    yield Loose(limit, given, step, (), (), decided=False)
            elif not strict:
                yield self._weighed(limit, given, step)

    def _alone(self, step: VoltageStep) -> bool:
        up = np.unique(self._body_of[step.carried > 0])
        down = np.unique(self._body_of[step.carried < 0])
        return len(up) == len(down) == 1

    def _weighed(self, limit: LimitOrder, given: LimitOrder, step: VoltageStep) -> Loose:
        if step.number not in self._shares:
            self._shares[step.number] = (
                least_shares(self.capacitances, step.carried),
                least_shares(self.insulations, step.carried),
            )
        farads, siemens = self._shares[step.number]
        loose = Loose(limit, given, step, farads, siemens, decided=None)
        zero = np.zeros(1)
        if not loose.shows(zero, zero)[0]:
            return Loose(limit, given, step, farads, siemens, decided=False)
        most_f = np.array([sum(share.own for share in farads)])
        most_s = np.array([sum(share.own for share in siemens)])
        if loose.shows(most_f, most_s)[0]:
            return Loose(limit, given, step, farads, siemens, decided=True)
        return loose


def entries_of(demands: Demands, count: int, *, resistances: bool) -> tuple[Entry, ...]:
    """The product's declared capacitances, or its insulations as conductances."""
    declared = demands.insulations if resistances else demands.capacitances
    return entries(declared, count, resistances=resistances)


def _own(shares: Sequence[Share], rows: Ids, columns: Ids) -> Reals:
    total = np.zeros((len(rows), len(columns)))
    for share in shares:
        one, other = share.entry.ids[rows][:, None], share.entry.ids[columns][None, :]
        total += np.where((one >= 0) & (other >= 0) & (one != other), share.own, 0.0)
    return total


def _reading(loose: Loose, rest_f: Reals, rest_s: Reals) -> tuple[Reals, float]:
    """What the step reads at least with one pair at its limit, and its limit (A, or S)."""
    step, fault = loose.step, float(loose.demanded.value)
    if loose.given.quantity is Measured.RESISTANCE:
        return 1 / fault + rest_s, 1 / float(loose.given.value)
    level_v, limit_a = float(step.least), float(loose.given.value)
    in_phase = level_v * rest_s
    if step.waveform is Waveform.DC or loose.given.quantity is Measured.IN_PHASE_CURRENT:
        return fault + in_phase, limit_a
    omega = 2 * math.pi * float(step.frequency_hz or 0)
    reactive = level_v * omega * rest_f
    resistive_fault = np.hypot(fault + in_phase, reactive)
    if loose.demanded.quantity is Measured.IN_PHASE_CURRENT:
        return resistive_fault, limit_a
    return np.minimum(resistive_fault, np.hypot(in_phase, fault + reactive)), limit_a


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
