"""Limits of a test, and whether it stays within tester, energy, relays and what still reveals.

One pair at its own limit must break the limit of the group, and a good unit must pass it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal

from orchestrator.formulas.currents import capacitive_current_a, peak_v
from orchestrator.formulas.discharge import stored_energy_j
from orchestrator.formulas.group_limits import (
    group_total_a,
    revealing_sum,
    revealing_total_a,
)
from orchestrator.model.amounts import measured
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, Waveform
from orchestrator.planning.levels import Cut
from orchestrator.planning.sums import Between, Strays, pairs_opposed
from orchestrator.planning.words import amps, farads, joules, siemens, volts

SLACK = 1e-9
"""Relative: what only rounding of floats makes too much is not too much."""
_DOWN = Context(prec=4, rounding=ROUND_FLOOR)
_UP = Context(prec=4, rounding=ROUND_CEILING)


@dataclass(frozen=True, slots=True)
class TesterLimits:
    """What a tester can do, as far as planning needs it; None: not stated, not checked.

    Attributes:
        total_current_a: most AC current that it drives and measures.
        dc_current_a: most DC current: it charges within the rise.
        stored_energy_j: most that its discharge takes.
        relays_at_most: most contacts closed at once.
        relay_settle_s, discharge_s: for predicted times.
    """

    total_current_a: Decimal | None = None
    dc_current_a: Decimal | None = None
    stored_energy_j: Decimal | None = None
    relays_at_most: int | None = None
    relay_settle_s: float = 0.0
    discharge_s: float | None = None


@dataclass(frozen=True, slots=True)
class Breach:
    """A budget that a test breaks: found against expected, and whether fewer nets would help."""

    what: str
    found: str
    expected: str


@dataclass
class Settled:
    """Limits of a test, why they are what they are, and the budgets that it breaks."""

    capacitance: Between
    conductance: Between
    limits: list[LimitOrder] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    breaches: list[Breach] = field(default_factory=list)


class Budgets:
    """Judges tests of one product and tester."""

    def __init__(self, demands: Demands, tester: TesterLimits | None) -> None:
        self.demands = demands
        self.tester = tester or TesterLimits()
        self.capacitances = Strays(demands, demands.capacitances, inverse=False)
        self.conductances = Strays(demands, demands.insulations, inverse=True)
        ends = [demands.allowed.stored_energy_at_most_j, self.tester.stored_energy_j]
        self.energy_j = float(min(end for end in ends if end is not None))
        most = [demands.allowed.relays_at_most, self.tester.relays_at_most]
        self.relays = min((end for end in most if end is not None), default=None)

    def settle(self, cut: Cut, counting: Sequence[PairDemand]) -> Settled:
        """Limits for the demands that a test counts for."""
        found = Settled(self.capacitances.between(cut.sides), self.conductances.between(cut.sides))
        self._energy(cut, counting[0].waveform, found)
        self._relays(cut, found)
        shares = _Shares(cut, counting[0], found.capacitance, found.conductance)
        if counting[0].waveform is Waveform.AC:
            self._tester(shares, found)
        _Judging(cut, counting, shares, found).all_limits()
        return found

    def allows(self, cut: Cut, counting: Sequence[PairDemand]) -> bool:
        """Whether a test stays within all budgets."""
        return not self.settle(cut, counting).breaches

    # ---- single budgets --------------------------------------------------------------------------

    def _energy(self, cut: Cut, waveform: Waveform, found: Settled) -> None:
        if not found.capacitance.most:
            return
        top_v = float(peak_v(cut.wire_v) if waveform is Waveform.AC else cut.wire_v)
        energy_j = stored_energy_j(found.capacitance.most, top_v)
        told = f"{farads(found.capacitance.most)} at {volts(top_v)} store {joules(energy_j)} [½CU²]"
        if energy_j > self.energy_j * (1 + SLACK):
            found.breaches.append(Breach("stored energy", told, f"at most {joules(self.energy_j)}"))
        else:
            found.reasons.append(f"{told}, at most {joules(self.energy_j)} allowed")

    def _relays(self, cut: Cut, found: Settled) -> None:
        """One contact for each net at least."""
        closed = int((cut.sides >= 0).sum())
        if self.relays is not None and closed > self.relays:
            told = f"{closed} nets on the two sides"
            found.breaches.append(Breach("contacts", told, f"at most {self.relays} closed"))

    def _tester(self, shares: _Shares, found: Settled) -> None:
        reach = self.tester.total_current_a
        if reach is not None and shares.total_most > float(reach) * (1 + SLACK):
            told = f"{amps(shares.total_most)} expected at most"
            found.breaches.append(Breach("tester's current", told, f"at most {amps(reach)}"))


class _Judging:
    """Limits of one test, quantity by quantity; what breaks goes to ``found``."""

    def __init__(
        self, cut: Cut, counting: Sequence[PairDemand], shares: _Shares, found: Settled
    ) -> None:
        self._cut, self._counting, self._shares, self._found = cut, counting, shares, found

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
        own_sum = turn(float(own))
        single = f"a pair's own limit {measured(quantity, own)}"
        if expected <= own_sum * (1 + SLACK):
            self._found.limits.append(LimitOrder(quantity, edge, own))
            good = f"; a good unit has {good_edge} {told(expected)}" if expected else ""
            self._found.reasons.append(
                f"{quantity} {_edge(edge)} {measured(quantity, own)}: {single}{good}"
            )
            return
        if expected > reveals * (1 + SLACK):
            least = "others as low as declared"
            self._found.breaches.append(
                Breach(
                    f"{quantity} of the group",
                    f"a good unit may have {told(expected)}",
                    f"at most {told(reveals)}, so that one pair at its limit shows ({least})",
                )
            )
            return
        rounding = _UP if inverse else _DOWN
        value = rounding.create_decimal_from_float(turn(reveals))
        if expected > turn(float(value)) * (1 + 1e-3):
            value = Decimal(repr(turn(reveals)))
        self._found.limits.append(LimitOrder(quantity, edge, value))
        self._found.reasons.append(
            f"{quantity} {_edge(edge)} {measured(quantity, value)}: {single} with the least of the "
            f"other pairs makes {told(reveals)}; a good unit has {good_edge} {told(expected)}"
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
            self._found.limits.append(LimitOrder(quantity, edge, value))
            self._found.reasons.append(
                f"{quantity} {_edge(edge)} {measured(quantity, value)}: as demanded"
            )
            return
        needed = float(own) + most
        if needed > least:
            told = siemens if inverse else amps
            self._found.breaches.append(
                Breach(
                    f"lower limit of {quantity}",
                    f"{told(needed)} with one pair just below its limit",
                    f"at most {told(least)}, what a good group has at least",
                )
            )
            return
        rounding = _DOWN if inverse else _UP
        limit = rounding.create_decimal_from_float(1 / needed if inverse else needed)
        self._found.limits.append(LimitOrder(quantity, edge, limit))
        self._found.reasons.append(
            f"{quantity} {_edge(edge)} {measured(quantity, limit)}: others at most and one pair at "
            "its own lower limit"
        )


class _Shares:
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


def shortest_rise_s(capacitance_f: float, wire_v: float, current_a: float) -> Decimal:
    """Shortest rise (s) in which a current charges a capacitance: C·U/I, rounded up to 1 ms."""
    return Decimal(math.ceil(1000 * capacitance_f * wire_v / current_a * (1 - SLACK))) / 1000
