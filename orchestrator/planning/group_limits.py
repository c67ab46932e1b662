"""Limits of a group: one pair at its own limit must break them, and a good unit must pass them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal

from orchestrator.formulas.currents import capacitive_current_a
from orchestrator.formulas.group_limits import (
    group_total_a,
    revealing_sum,
    revealing_total_a,
)
from orchestrator.model.amounts import measured
from orchestrator.model.demands import PairDemand
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, Waveform
from orchestrator.planning.guarding import Guard
from orchestrator.planning.levels import Cut
from orchestrator.planning.settled import Breach, Settled
from orchestrator.planning.sums import Between, pairs_opposed
from orchestrator.planning.words import amps, siemens

_DOWN = Context(prec=4, rounding=ROUND_FLOOR)
_UP = Context(prec=4, rounding=ROUND_CEILING)


class GroupLimits:
    """Limits of one test, quantity by quantity; what breaks goes to ``found``."""

    def __init__(
        self,
        cut: Cut,
        counting: Sequence[PairDemand],
        shares: Shares,
        found: Settled,
        guard: Guard,
    ) -> None:
        self._cut, self._counting, self._shares, self._found = cut, counting, shares, found
        self._guard = guard

    def all_limits(self) -> None:
        """Settle every quantity that a demand limits."""
        for quantity in Measured:
            high = _strictest(self._counting, quantity, Edge.AT_MOST)
            low = _strictest(self._counting, quantity, Edge.AT_LEAST)
            if quantity is Measured.RESISTANCE:
                self._resistance(high, low)
            else:
                self._current(quantity, high, low)

    def _current(
        self,
        quantity: Measured,
        own: Decimal | None,
        low: Decimal | None,
    ) -> None:
        total = quantity is Measured.TOTAL_CURRENT and self._shares.ac
        expected = self._shares.total_most if total else self._shares.resistive_most
        if own is not None:
            others = self._shares.others_capacitive if total else self._shares.others_resistive
            reveals = (revealing_total_a if total else revealing_sum)(float(own), others)
            self._upper(quantity, own, expected, reveals)
        if low is not None:
            least = self._shares.total_least if total else self._shares.resistive_least
            self._lower(quantity, low, least, expected)

    def _resistance(
        self,
        high: Decimal | None,
        low: Decimal | None,
    ) -> None:
        if low is not None:
            reveals = revealing_sum(1 / float(low), self._shares.others_conductance)
            most = self._shares.conductance.most
            self._upper(Measured.RESISTANCE, low, most, reveals)
        if high is not None:
            most_s, least_s = self._shares.conductance.most, self._shares.conductance.least
            own = Decimal(1) / high
            self._lower(Measured.RESISTANCE, own, least_s, most_s)

    def _upper(
        self,
        quantity: Measured,
        own: Decimal,
        expected: float,
        reveals: float,
    ) -> None:
        """An upper limit on what adds up; a resistance is looked at as its conductance."""
        inverse = quantity is Measured.RESISTANCE

        def turn(value: float) -> float:
            return 1 / value if inverse else value

        told = siemens if inverse else amps
        edge = Edge.AT_LEAST if inverse else Edge.AT_MOST
        good_edge = "at least" if inverse else "at most"
        single = f"a pair's own limit {measured(quantity, own)}"
        if self._passes(quantity, edge, float(own), expected):
            good = f"; a good unit has {good_edge} {told(expected)}" if expected else ""
            self._hold(quantity, edge, own, f"{single}{good}")
            return
        if not self._passes(quantity, edge, turn(reveals), expected):
            least = "others as low as declared"
            guarded = self._guard.told(quantity, edge, Decimal(repr(turn(reveals))))
            self._found.breaches.append(
                Breach(
                    f"{quantity} of the group",
                    f"a good unit may have {told(expected)}",
                    f"at most {told(reveals)}, so that one pair at its limit shows ({least})"
                    f"{guarded}",
                )
            )
            return
        rounding = _UP if inverse else _DOWN
        value = rounding.create_decimal_from_float(turn(reveals))
        if not self._passes(quantity, edge, float(value), expected, by=1e-3):
            value = Decimal(repr(turn(reveals)))
        why = (
            f"{single} with the least of the other pairs makes {told(reveals)}; a good unit has "
            f"{good_edge} {told(expected)}"
        )
        self._hold(quantity, edge, value, why)

    def _passes(
        self, quantity: Measured, edge: Edge, limit: float, expected: float, by: float = 0.0
    ) -> bool:
        """Whether a good unit passes; ``expected`` is its sum: a current, or a conductance.

        ``by``: a share by which it may miss the limit all the same.
        """
        if quantity is not Measured.RESISTANCE:
            return self._guard.passes(quantity, edge, limit * (1 + by), expected)
        good = 1 / expected if expected else math.inf
        return self._guard.passes(quantity, edge, limit / (1 + by), good)

    def _hold(self, quantity: Measured, edge: Edge, value: Decimal, why: str) -> None:
        """A limit, and why it is what it is."""
        self._found.limits.append(LimitOrder(quantity, edge, value))
        accepted = self._guard.told(quantity, edge, value)
        self._found.reasons.append(
            f"{quantity} {_edge(edge)} {measured(quantity, value)}: {why}{accepted}"
        )

    def _lower(
        self,
        quantity: Measured,
        own: Decimal,
        least: float,
        most: float,
    ) -> None:
        """A lower limit of a pair: the group must have more than the others with it just below."""
        inverse = quantity is Measured.RESISTANCE
        edge = Edge.AT_MOST if inverse else Edge.AT_LEAST
        opposed = max(pairs_opposed(demand.pairs, self._cut.sides) for demand in self._counting)
        value = Decimal(1) / own if inverse else own
        if opposed <= 1:
            self._hold(quantity, edge, value, "as demanded")
            return
        needed = float(own) + most
        good = (1 / least if least else math.inf) if inverse else least
        bound = 1 / needed if inverse else needed
        if not self._guard.passes(quantity, edge, bound, good):
            told = siemens if inverse else amps
            self._found.breaches.append(
                Breach(
                    f"lower limit of {quantity}",
                    f"{told(needed)} with one pair just below its limit",
                    f"at most {told(least)}, what a good group has at least"
                    f"{self._guard.told(quantity, edge, Decimal(repr(bound)))}",
                )
            )
            return
        rounding = _DOWN if inverse else _UP
        limit = rounding.create_decimal_from_float(bound)
        self._hold(quantity, edge, limit, "others at most and one pair at its own lower limit")


class Shares:
    """Currents of a test's declared capacitances and insulations (A)."""

    def __init__(self, cut: Cut, demand: PairDemand, farad: Between, siemens_: Between) -> None:
        self.ac = demand.waveform is Waveform.AC
        self.conductance = siemens_
        level, wire = float(cut.level_v), float(cut.wire_v)
        hertz = float(demand.frequency_hz or 0)
        others_f = max(farad.least - farad.one_pair, 0.0)
        self.others_conductance = max(siemens_.least - siemens_.one_pair, 0.0)
        self.others_capacitive = capacitive_current_a(others_f, level, hertz)
        self.others_resistive = self.others_conductance * level
        self.resistive_most = siemens_.most * wire
        self.resistive_least = siemens_.least * level
        self.total_most = group_total_a(
            capacitive_current_a(farad.most, wire, hertz), self.resistive_most
        )
        self.total_least = group_total_a(
            capacitive_current_a(farad.least, level, hertz), self.resistive_least
        )


def _strictest(counting: Iterable[PairDemand], quantity: Measured, edge: Edge) -> Decimal | None:
    values = [v for v in (d.limit(quantity, edge) for d in counting) if v is not None]
    return (min if edge is Edge.AT_MOST else max)(values, default=None)


def _edge(edge: Edge) -> str:
    return "at least" if edge is Edge.AT_LEAST else "at most"
