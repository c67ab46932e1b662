"""Limits of a group: one pair at its own limit must break them, and a good unit must pass them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal

from orchestrator.formulas.currents import capacitive_current_a
from orchestrator.formulas.group_limits import (
    MIXED,
    group_total_a,
    in_series,
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
from orchestrator.planning.sums import Between
from orchestrator.planning.words import amps, siemens

Ends = tuple[float, float]
NOTHING: Ends = (0.0, 0.0)
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
            low = _strictest(self._counting, quantity, Edge.AT_LEAST, self._cut.wire_v)
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
            self._lower(quantity, low, least)

    def _resistance(
        self,
        high: Decimal | None,
        low: Decimal | None,
    ) -> None:
        if low is not None:
            reveals = revealing_sum(1 / float(low), self._shares.others_conductance)
            most = self._shares.conductance_most
            self._upper(Measured.RESISTANCE, low, most, reveals)
        if high is not None:
            own = Decimal(1) / high
            self._lower(Measured.RESISTANCE, own, self._shares.conductance.least)

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
                    f"{_word(quantity)} of the group",
                    f"a good unit may have {told(expected)}",
                    f"{good_edge} {told(reveals)}, so that one pair at its limit shows ({least})"
                    f"{guarded}",
                )
            )
            return
        rounding = _UP if inverse else _DOWN
        value = rounding.create_decimal_from_float(turn(reveals))
        if not self._passes(quantity, edge, float(value), expected):
            value = Decimal(repr(turn(reveals)))  # four digits would fail a good unit
        why = (
            f"{single} with the least of the other pairs makes {told(reveals)}; a good unit has "
            f"{good_edge} {told(expected)}"
        )
        self._hold(quantity, edge, value, why)

    def _passes(self, quantity: Measured, edge: Edge, limit: float, expected: float) -> bool:
        """Whether a good unit passes; ``expected`` is its sum: a current, or a conductance."""
        if quantity is not Measured.RESISTANCE:
            return self._guard.passes(quantity, edge, limit, expected)
        return self._guard.passes(quantity, edge, limit, 1 / expected if expected else math.inf)

    def _hold(self, quantity: Measured, edge: Edge, value: Decimal, why: str) -> None:
        """A limit, and why it is what it is."""
        self._found.limits.append(LimitOrder(quantity, edge, value))
        accepted = self._guard.told(quantity, edge, value)
        self._found.reasons.append(
            f"{_word(quantity)} {_edge(edge)} {measured(quantity, value)}: {why}{accepted}"
        )

    def _lower(self, quantity: Measured, own: Decimal, least: float) -> None:
        """A lower limit of a pair. What stands beside the pair hides that it takes too little, and
        of what it may take without a declaration nothing is known: it has to be alone."""
        inverse = quantity is Measured.RESISTANCE
        edge = Edge.AT_MOST if inverse else Edge.AT_LEAST
        value = Decimal(1) / own if inverse else own
        if not self._shares.alone:
            self._found.breaches.append(
                Breach(
                    f"lower limit of {_word(quantity)}",
                    "other nets on the two sides, or left open",
                    "the pair alone, as what stands beside it hides that it takes too little",
                )
            )
            return
        if not least:
            self._hold(quantity, edge, value, "as demanded; nothing is declared of the pair")
            return
        good = 1 / least if inverse else least
        if not self._guard.passes(quantity, edge, float(value), good):
            told = siemens if inverse else amps
            self._found.breaches.append(
                Breach(
                    f"lower limit of {_word(quantity)}",
                    f"a good unit may have {told(least)}",
                    f"{_edge(edge)} {measured(quantity, value)}"
                    f"{self._guard.told(quantity, edge, value)}",
                )
            )
            return
        self._hold(quantity, edge, value, "as demanded")


class Shares:
    """Currents of a test's declared capacitances and insulations (A).

    ``alone``: each side is one net, with what is joined to it. ``open_f``, ``open_s``: the most
    between the nets left open and either side.
    """

    def __init__(
        self,
        cut: Cut,
        demand: PairDemand,
        farad: Between,
        siemens_: Between,
        *,
        alone: bool,
        open_f: Ends = NOTHING,
        open_s: Ends = NOTHING,
    ) -> None:
        self.alone = alone
        self.ac = demand.waveform is Waveform.AC
        self.conductance = siemens_
        level, wire = float(cut.level_v), float(cut.wire_v)
        hertz = float(demand.frequency_hz or 0)
        others_f = max(farad.least - farad.one_pair, 0.0)
        self.others_conductance = max(siemens_.least - siemens_.one_pair, 0.0)
        self.others_capacitive = capacitive_current_a(others_f, level, hertz)
        self.others_resistive = self.others_conductance * level
        self.conductance_most = siemens_.most + in_series(*open_s)
        self.resistive_most = self.conductance_most * wire
        self.resistive_least = siemens_.least * level
        self.total_most = group_total_a(
            capacitive_current_a(farad.most, wire, hertz), siemens_.most * wire
        ) + _through_a(open_f, open_s, wire, hertz)
        self.total_least = group_total_a(
            capacitive_current_a(farad.least, level, hertz), self.resistive_least
        )


def _through_a(open_f: Ends, open_s: Ends, wire_v: float, hertz: float) -> float:
    """The most AC current by way of nets left open (A)."""
    ends = [
        group_total_a(capacitive_current_a(f, wire_v, hertz), s * wire_v)
        for f, s in zip(open_f, open_s, strict=True)
    ]
    mixed = any(open_f) and any(open_s)
    return in_series(*ends) * (MIXED if mixed else 1.0)


def _strictest(
    counting: Iterable[PairDemand], quantity: Measured, edge: Edge, wire_v: Decimal | None = None
) -> Decimal | None:
    """The strictest limit. A lower one on current grows with the level: at a ``wire_v`` above
    the demand's own ceiling a pair takes more, and less than its limit would hide in that."""
    values = []
    for demand in counting:
        value = demand.limit(quantity, edge)
        if value is None:
            continue
        if edge is Edge.AT_LEAST and wire_v is not None and quantity is not Measured.RESISTANCE:
            value *= max(Decimal(1), wire_v / demand.ceiling_v)
        values.append(value)
    return (min if edge is Edge.AT_MOST else max)(values, default=None)


def _edge(edge: Edge) -> str:
    return "at least" if edge is Edge.AT_LEAST else "at most"


def _word(quantity: Measured) -> str:
    return quantity.value.replace("_", " ")
