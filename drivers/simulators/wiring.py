"""How terminals, buses, contacts and points hang together, as a circuit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from drivers.simulators.circuit import GROUND, Branch, Circuit, Solution
from drivers.simulators.relays import BUSES, Key, RelayUnit

LEAD_OHM = 0.005
"""A closed contact with its lead, or a lead from a terminal to a bus."""
OPEN_OHM = 1e12
"""An open contact."""
MAINS_HZ = 50.0


def terminal_node(tester: str, terminal: str) -> str:
    """The node of a tester's terminal; blanks, hyphens and case in its name don't matter."""
    return f"terminal {tester}.{terminal.lower().replace(' ', '_').replace('-', '_')}"


def bus_node(chain: str, bank: str, bus: str) -> str:
    """The node of a bank's bus, which runs through all units of a chain."""
    return f"bus {chain}/{bank}/{bus}"


def point_node(point: str) -> str:
    """The node of a contact point of the product."""
    return f"point {point}"


@dataclass(frozen=True, slots=True)
class Contact:
    """One wired contact with its two nodes."""

    unit: RelayUnit
    key: Key
    bus: str
    point: str

    @property
    def closed(self) -> bool:
        return self.key in self.unit.closed

    def __str__(self) -> str:
        return f"{self.unit}/{self.key.bank}/{self.key.channel} to {self.key.bus}"


@dataclass(frozen=True, slots=True)
class Transfer:
    """What one volt between two terminals does to the bench.

    Attributes:
        meter_s: current through the meter in the return lead, complex (real: in phase).
        feed_s: current out of the source terminal.
        voltages: of every node, return terminal at zero.
        capacitance_f: seen from the terminals.
        breakdown_v: level (rms or DC) from which some part breaks down.
    """

    meter_s: complex
    feed_s: complex
    voltages: Mapping[str, complex]
    capacitance_f: float
    breakdown_v: float

    def voltage(self, node: str) -> complex:
        """Per volt; 0 for a node that is connected to nothing."""
        return self.voltages.get(node, 0j)


class Wiring:
    """The wires of the bench, and the circuit they make with the contacts as they are."""

    def __init__(self) -> None:
        self._feeds: list[tuple[str, str]] = []
        self._wires: dict[tuple[str, str, int], str] = {}
        self._direct: list[tuple[str, str]] = []
        self._parts: tuple[Branch, ...] = ()
        self._units: dict[str, RelayUnit] = {}
        self._circuit: Circuit | None = None
        self._transfers: dict[tuple[str, str, float], Transfer] = {}

    def changed(self) -> None:
        """Contacts, wires or parts are no longer what they were."""
        self._circuit = None
        self._transfers.clear()

    # ---- building

    def attach(self, unit: RelayUnit) -> None:
        """Add a relay unit."""
        self._units[str(unit)] = unit
        self.changed()

    def unit(self, chain_unit: str) -> RelayUnit:
        """A unit by 'chain/unit'.

        Raises:
            ValueError: there is none.
        """
        try:
            return self._units[chain_unit]
        except KeyError:
            known = ", ".join(sorted(self._units)) or "none"
            raise ValueError(f"no relay unit {chain_unit!r} on the bench ({known})") from None

    @property
    def units(self) -> tuple[RelayUnit, ...]:
        return tuple(self._units.values())

    def feed(self, terminal: str, chain_unit: str, bank: str, bus: str) -> None:
        """Connect a terminal's node with a bus.

        Raises:
            ValueError: no such unit, bank or bus.
        """
        unit = self.unit(chain_unit)
        if bank not in unit.banks or bus not in BUSES:
            raise ValueError(f"no bus {bank!r} {bus!r} in {chain_unit!r}")
        self._feeds.append((terminal, bus_node(unit.chain, bank, bus)))
        self.changed()

    def wire(self, chain_unit: str, bank: str, channel: int, point: str) -> None:
        """Connect a channel with a point.

        Raises:
            ValueError: no such channel, or it is wired already.
        """
        traits = self.unit(chain_unit).banks.get(bank)
        if traits is None or not 1 <= channel <= traits.channels:
            raise ValueError(f"no channel {channel} in bank {bank!r} of {chain_unit!r}")
        if (chain_unit, bank, channel) in self._wires:
            raise ValueError(f"channel {chain_unit}/{bank}/{channel} is wired already")
        self._wires[chain_unit, bank, channel] = point_node(point)
        self.changed()

    def wire_direct(self, terminal: str, point: str) -> None:
        """Connect a terminal's node straight with a point."""
        self._direct.append((terminal, point_node(point)))
        self.changed()

    def load(self, parts: Iterable[Branch]) -> None:
        """Put another unit under test in."""
        self._parts = tuple(replace(p, a=point_node(p.a), b=point_node(p.b)) for p in parts)
        self.changed()

    # ---- asking

    def contacts(self) -> Iterator[Contact]:
        """Every wired contact."""
        for (chain_unit, bank, channel), point in self._wires.items():
            unit = self._units[chain_unit]
            for bus in BUSES:
                yield Contact(unit, Key(bank, channel, bus), bus_node(unit.chain, bank, bus), point)

    def feeds_chain(self, tester: str, chain: str) -> bool:
        """Whether one of a tester's terminals feeds a bus of the chain."""
        ours, theirs = terminal_node(tester, ""), f"bus {chain}/"
        return any(t.startswith(ours) and b.startswith(theirs) for t, b in self._feeds)

    def terminals(self) -> frozenset[str]:
        """Nodes of all terminals that are wired to anything."""
        return frozenset(t for t, _ in self._feeds) | frozenset(t for t, _ in self._direct)

    def circuit(self) -> Circuit:
        """Everything but the sources."""
        if self._circuit is None:
            self._circuit = Circuit()
            for branch in self._branches():
                self._circuit.add(branch)
        return self._circuit

    def connected(self, a: str, b: str) -> bool:
        """Whether leads and closed contacts (or low-ohm parts) join two nodes."""
        return self.circuit().connected(a, b, 1e4)

    def transfer(self, source: str, back: str, frequency_hz: float) -> Transfer:
        """What one volt from `source` to `back` does, as long as nothing breaks down."""
        key = (source, back, frequency_hz)
        if key not in self._transfers:
            self._transfers[key] = self._solve_transfer(source, back, frequency_hz)
        return self._transfers[key]

    def solve_at(self, source: str, back: str, frequency_hz: float, level_v: float) -> Solution:
        """The bench at a level, broken-down parts included; sources 'out' and 'meter'."""
        circuit = _driven(self.circuit(), source, back, level_v)
        return circuit.solve_with_breakdown(frequency_hz)

    def _solve_transfer(self, source: str, back: str, frequency_hz: float) -> Transfer:
        circuit = _driven(self.circuit(), source, back, 1.0)
        solution = circuit.solve(frequency_hz)
        if frequency_hz > 0:
            ac, ac_hz, peak = solution, frequency_hz, math.sqrt(2.0)
        else:
            ac, ac_hz, peak = circuit.solve(MAINS_HZ), MAINS_HZ, 1.0
        breakdown_v = math.inf
        for part in circuit.branches:
            across = abs(solution.voltage(part.a) - solution.voltage(part.b)) * peak
            if math.isfinite(part.breakdown_v) and across > 0:
                breakdown_v = min(breakdown_v, part.breakdown_v / across)
        return Transfer(
            meter_s=solution.currents["meter"],
            feed_s=-solution.currents["out"],
            voltages=solution.voltages,
            capacitance_f=max(0.0, -ac.currents["out"].imag / (2 * math.pi * ac_hz)),
            breakdown_v=breakdown_v,
        )

    def _branches(self) -> Iterator[Branch]:
        for terminal, node in (*self._feeds, *self._direct):
            yield Branch(terminal, node, LEAD_OHM)
        for contact in self.contacts():
            yield Branch(contact.bus, contact.point, LEAD_OHM if contact.closed else OPEN_OHM)
        yield from self._parts


def _driven(passive: Circuit, source: str, back: str, level_v: float) -> Circuit:
    circuit = Circuit()
    for branch in passive.branches:
        circuit.add(branch)
    circuit.source("out", source, GROUND, level_v)
    circuit.source("meter", back, GROUND, 0.0)
    return circuit
