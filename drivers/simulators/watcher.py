"""Watches the bench for what must never happen and enters it in the violation log."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from drivers.simulators.relays import Key, RelayUnit
from drivers.simulators.violations import SAFE_AC_V, SAFE_DC_V, ViolationLog, What
from drivers.simulators.wiring import LEAD_OHM, Contact

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.output import Output

GUARD_GRACE_S = 0.050
"""A tester may take 20 ms to switch off when the guard opens; more than this is a violation."""
LONGER_S = 0.5
"""How much longer than ordered an output may stay on."""
SLACK = 1.001
"""Ratings are kept to within the simulation's own rounding."""


class Watcher:
    """Looks at every start, every movement of a contact and every change of a level."""

    def __init__(self, bench: Bench, log: ViolationLog) -> None:
        self._bench = bench
        self._log = log

    # ---- relays

    def commanded(self, unit: RelayUnit, keys: Iterable[Key]) -> None:
        """Contacts were told to move."""
        self._hot(What.RELAY_COMMANDED_HOT, unit, keys)

    def moving(self, unit: RelayUnit, keys: Iterable[Key]) -> None:
        """Contacts move now."""
        self._hot(What.RELAY_MOVED_HOT, unit, keys)

    def _hot(self, what: What, unit: RelayUnit, keys: Iterable[Key]) -> None:
        names = ", ".join(f"{k.bank}/{k.channel} {k.bus}" for k in sorted(keys))
        for output in self._bench.outputs.values():
            why = self._why_hot(output, unit, keys)
            if why:
                self._add(what, f"{unit}: {names}: {why}")

    def _why_hot(self, output: Output, unit: RelayUnit, keys: Iterable[Key]) -> str:
        ac_v, dc_v = output.voltage()
        fed = self._bench.wiring.feeds_chain(output.tester, unit.chain)
        if fed and output.on:
            return f"the output of {output.tester} is on"
        if ac_v <= SAFE_AC_V and dc_v <= SAFE_DC_V:
            return ""
        transfer = self._bench.wiring.transfer(*output.nodes, output.frequency_hz)
        moved = set(keys)
        for contact in self._bench.wiring.contacts():
            if contact.unit is unit and contact.key in moved:
                per_volt = max(
                    abs(transfer.voltage(contact.bus)), abs(transfer.voltage(contact.point))
                )
                if ac_v * per_volt > SAFE_AC_V or dc_v * per_volt > SAFE_DC_V:
                    return f"{ac_v * per_volt:.0f} V AC, {dc_v * per_volt:.0f} V DC on {contact}"
        return ""

    def both_sides(self) -> None:
        """Whether a point is on the source and the return bus of one bank."""
        sides: dict[tuple[str, str, str], set[str]] = {}
        for contact in self._bench.wiring.contacts():
            if contact.closed:
                where = (contact.unit.chain, contact.key.bank, contact.point)
                sides.setdefault(where, set()).add(contact.key.bus)
        for (chain, bank, point), buses in sides.items():
            if len(buses) > 1:
                detail = f"{chain}/{bank}: {point}"
                self._add(What.BOTH_SIDES, detail, occasion=(chain, self._bench.now_s))

    # ---- outputs

    def started(self, output: Output) -> None:
        """An output was switched on."""
        for unit in self._bench.wiring.units:
            if unit.moving:
                detail = f"{output.tester} while {unit} moves"
                self._add(What.STARTED_WHILE_MOVING, detail)
        self._guard(output, output.starts)
        order, start = output.order, output.starts
        if order is not None and order.dwell_s > 0:
            longest_s = order.rise_s + order.dwell_s + order.fall_s + LONGER_S
            self._bench.after(longest_s, lambda: self._still_on(output, start, longest_s))

    def guard_opened(self) -> None:
        """The guard opened: every hazardous output must be off in a moment."""

        def look() -> None:
            for output in self._bench.outputs.values():
                self._guard(output, output.starts)

        self._bench.after(GUARD_GRACE_S, look)

    def _guard(self, output: Output, start: int) -> None:
        hazardous = output.order is not None and output.order.kind.high_voltage
        if output.on and hazardous and not self._bench.guard_closed:
            self._add(What.GUARD_OPEN, output.tester, occasion=start)

    def _still_on(self, output: Output, start: int, longest_s: float) -> None:
        if output.on and output.starts == start:
            self._add(What.TOO_LONG, f"{output.tester}: longer than {longest_s:.2f} s")

    # ---- ratings

    def ratings(self, output: Output, level: float) -> None:
        """Whether any contact, open or closed, or any terminal is above its rating."""
        order = output.order
        if order is None:
            return
        wiring = self._bench.wiring
        transfer = wiring.transfer(*output.nodes, output.frequency_hz)
        if order.kind.high_voltage:
            volts = level
        else:
            volts = level / abs(transfer.meter_s) if transfer.meter_s else 0.0
        for contact in wiring.contacts():
            ends = transfer.voltage(contact.bus), transfer.voltage(contact.point)
            stress_v = max(abs(ends[0]), abs(ends[1]), abs(ends[0] - ends[1])) * volts
            self._contact(output, contact, stress_v, order.kind.ac)
            if contact.closed:
                self._current(output, contact, abs(ends[0] - ends[1]) * volts / LEAD_OHM)
        self._terminals(output, volts, order.kind.ac)

    def _current(self, output: Output, contact: Contact, current_a: float) -> None:
        rated_a = contact.unit.banks[contact.key.bank].current_a
        if current_a > rated_a * SLACK:
            detail = f"{contact}: {current_a:.3g} A, rated {rated_a:g} A"
            occasion = (output.tester, output.starts)
            self._add(What.CONTACT_OVER_RATING, detail, occasion=occasion)

    def _contact(self, output: Output, contact: Contact, stress_v: float, ac: bool) -> None:
        bank = contact.unit.banks[contact.key.bank]
        peak_v = stress_v * math.sqrt(2.0) if ac else stress_v
        rated_v = bank.ac_rms_v if ac else bank.dc_v
        if stress_v > rated_v * SLACK or (ac and peak_v > bank.peak_v * SLACK):
            state = "closed" if contact.closed else "open"
            detail = f"{contact} ({state}): {stress_v:.0f} V, rated {rated_v:g} V"
            self._add(What.CONTACT_OVER_RATING, detail, occasion=(output.tester, output.starts))

    def _terminals(self, output: Output, volts: float, ac: bool) -> None:
        wiring = self._bench.wiring
        transfer = wiring.transfer(*output.nodes, output.frequency_hz)
        for node in sorted(wiring.terminals() - set(output.nodes)):
            tester = node.removeprefix("terminal ").partition(".")[0]
            owner = self._bench.outputs.get(tester)
            if owner is None:
                continue
            rated_v = owner.traits.terminal_ac_v if ac else owner.traits.terminal_dc_v
            stress_v = abs(transfer.voltage(node)) * volts
            if stress_v > rated_v * SLACK:
                detail = f"{node}: {stress_v:.0f} V, rated {rated_v:g} V"
                occasion = (output.tester, output.starts)
                self._add(What.TERMINAL_OVER_RATING, detail, occasion=occasion)

    def _add(self, what: What, detail: str, *, occasion: object = None) -> None:
        self._log.add(self._bench.now_s, what, detail, occasion=occasion)
