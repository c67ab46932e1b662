"""What a simulated tester measures, and what its source can drive, from the bench's circuit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.simulators.output_models import Kind, Order, Reading, Traits, Verdict
from drivers.simulators.wiring import Transfer, terminal_node

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench


class Meter:
    """Measures between the terminals of one tester; the meter sits in the return lead."""

    def __init__(self, bench: Bench, tester: str, traits: Traits) -> None:
        self._bench = bench
        self._tester = tester
        self._traits = traits

    def nodes(self, kind: Kind) -> tuple[str, str]:
        """Source and return node that a kind of test uses."""
        heavy = kind.bonding or (kind is Kind.CONT and self._traits.continuity_four_wire)
        names = ("high_current_output", "high_current_return") if heavy else ("output", "return")
        return terminal_node(self._tester, names[0]), terminal_node(self._tester, names[1])

    def most(self, order: Order) -> float:
        """The level that the source can drive into the circuit as it is."""
        transfer = self._transfer(order)
        if order.kind is Kind.INSUL:
            siemens = max(0.0, transfer.meter_s.real)
            most_a = self._traits.insulation_most_a
            return math.inf if siemens <= 0 else most_a / siemens
        if order.kind.high_voltage:
            return math.inf
        return self._traits.compliance_of(order.kind) * abs(transfer.meter_s)

    def drop_v(self, order: Order, level_a: float) -> float:
        """Voltage at the terminals of a current source kind."""
        siemens = abs(self._transfer(order).meter_s)
        compliance_v = self._traits.compliance_of(order.kind)
        return compliance_v if siemens == 0 else min(compliance_v, level_a / siemens)

    def measure(self, order: Order, level: float, *, rising: bool) -> Reading:
        """The reading at a level."""
        if not order.kind.high_voltage:
            return self._resistance(order, level)
        broken = False
        transfer = self._transfer(order)
        current = transfer.meter_s * level
        if level > transfer.breakdown_v:
            nodes = self.nodes(order.kind)
            solution = self._bench.wiring.solve_at(*nodes, order.test_hz, level)
            current, broken = solution.currents["meter"], bool(solution.broken)
        if rising and not order.kind.ac:
            # Charging: C dU/dt comes on top while the level rises.
            current += transfer.capacitance_f * order.level / order.rise_s
        if order.kind is Kind.INSUL:
            ohm = level / current.real if current.real > 0 else math.inf
            return Reading(level, resistance_ohm=ohm, broken_down=broken)
        in_phase = current.real if order.kind.ac else None
        return Reading(level, abs(current), in_phase, broken_down=broken)

    def _resistance(self, order: Order, level: float) -> Reading:
        source, back = self.nodes(order.kind)
        transfer = self._transfer(order)
        ohm = math.inf if transfer.meter_s == 0 else 1 / abs(transfer.meter_s)
        if order.kind.bonding or self._traits.continuity_four_wire:
            high = terminal_node(self._tester, "sense_high")
            low = terminal_node(self._tester, "sense_low")
            wiring = self._bench.wiring
            # A sense lead that hangs open would read 0 ohm; a real input detects that.
            sensed = wiring.connected(high, source) and wiring.connected(low, back)
            if sensed and math.isfinite(ohm):
                ohm *= abs(transfer.voltage(high) - transfer.voltage(low))
            else:
                ohm = math.inf
        return Reading(level, resistance_ohm=ohm, open_lead=ohm > self._traits.range_of(order.kind))

    def _transfer(self, order: Order) -> Transfer:
        return self._bench.wiring.transfer(*self.nodes(order.kind), order.test_hz)


def judge(order: Order, reading: Reading) -> Verdict:
    """Both limits on the reading at the end of the dwell."""

    def value(in_phase: bool) -> float:
        if reading.resistance_ohm is not None:
            return reading.resistance_ohm
        chosen = reading.in_phase_a if in_phase else reading.total_a
        return 0.0 if chosen is None else chosen

    if order.upper is not None and value(order.upper_in_phase) > order.upper:
        return Verdict.HIGH
    if order.lower is not None and value(order.lower_in_phase) < order.lower:
        return Verdict.LOW
    return Verdict.PASS
