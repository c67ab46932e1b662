"""The shipped profiles on their simulated instruments, as subjects of the contracts.

Entry points of group ``ohmward.conformance``; needs what ``ohmward[conformance]`` installs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import ClassVar

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_matrix, load_tester
from drivers.links.simulated import open_link
from drivers.simulators.bench import Bench
from drivers.simulators.unit import parse_unit
from orchestrator.clock import VirtualClock
from orchestrator.conformance.subjects import MatrixSubject, TesterSubject
from orchestrator.model.schedule import Contact, LimitOrder, Route, StepOrder
from orchestrator.model.station import SimulatedLink
from orchestrator.model.words import Edge, Measured, Role, StepKind, Waveform

LEVEL = b"500"
FAR_TOO_HIGH = b"9500"
"""9.5 kV of insulation voltage: no shipped instrument goes above 1 kV."""


def order(
    kind: StepKind, level: Decimal, limit: LimitOrder, waveform: Waveform = Waveform.DC
) -> StepOrder:
    """A step of 0.5 s rise and 2 s dwell; level in V or A."""
    return StepOrder(
        kind=kind,
        level=level,
        waveform=waveform,
        frequency=Decimal(50) if waveform is Waveform.AC else None,
        rise=Decimal("0.5"),
        dwell=Decimal(2),
        fall=Decimal(0),
        limits=(limit,),
    )


class ProfileTesterSubject(TesterSubject):
    """A shipped tester on a bench with 212 Mohm between output and return."""

    kind: ClassVar[str]
    level_message: ClassVar[bytes]
    """First bytes of the message that carries the level."""
    maker: ClassVar[bytes]

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.bench.add("t", self.kind)
        self.bench.wire_terminal("t", "output", "a")
        self.bench.wire_terminal("t", "return", "b")
        self._load("212 Mohm")
        self.tester = ProfileTester(load_tester(self.kind), "t")
        settings = SimulatedLink(kind="simulated", instrument=self.kind)
        self.link = open_link(settings, name="t", clock=self.clock, bench=self.bench)

    def order(self) -> StepOrder:
        limit = LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, Decimal(2_000_000))
        return order(StepKind.INSULATION, Decimal(500), limit)

    def orders(self) -> tuple[StepOrder, ...]:
        ohms = LimitOrder(Measured.RESISTANCE, Edge.AT_MOST, Decimal("0.1"))
        amps = LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal("0.005"))
        return (
            self.order(),
            order(StepKind.BONDING, Decimal(25), ohms, Waveform.AC),
            order(StepKind.CONTINUITY, Decimal("0.2"), replace(ohms, value=Decimal(1))),
            order(StepKind.WITHSTAND_AC, Decimal(1500), amps, Waveform.AC),
            order(StepKind.WITHSTAND_DC, Decimal(2000), amps),
        )

    def output_on(self) -> bool:
        return self.bench.state().any_on

    def guard(self, closed: bool) -> None:
        self.bench.guard_closed = closed

    def bad_load(self) -> None:
        self._load("1.2 Mohm")

    def as_another(self, reply: bytes) -> bytes:
        # Two letters change places: a sum of the characters stays right.
        return reply.replace(self.maker, self.maker[1::-1] + self.maker[2:])

    def spoiled(self, sent: bytes) -> bytes:
        return sent.replace(LEVEL, FAR_TOO_HIGH) if sent.startswith(self.level_message) else sent

    def close(self) -> None:
        self.link.close()

    def _load(self, resistance: str) -> None:
        text = f"parts: [{{between: [a, b], resistance: {resistance}}}]"
        self.bench.load_unit(parse_unit(text))


class OrrinSubject(ProfileTesterSubject):
    """Orrin: command tree, error queue, result counter."""

    kind = "orrin"
    level_message = b"TASK:LEVEL"
    maker = b"QUILLHAVEN"


class PellSubject(ProfileTesterSubject):
    """Pell: digits, echo, acknowledge."""

    kind = "pell"
    level_message = b"SL"
    maker = b"DUNMARROW"

    def spoiled(self, sent: bytes) -> bytes:
        return b"SL9500\r" if sent.startswith(b"SL") else sent


class StaveSubject(ProfileTesterSubject):
    """Stave: slots, checked lines."""

    kind = "stave"
    level_message = b""
    maker = b"Varrowby"


class ProfileMatrixSubject(MatrixSubject):
    """Two shipped relay units on a bench, nothing connected to them."""

    kind: ClassVar[str]
    addresses: ClassVar[Mapping[str, int]] = {"u": 1, "v": 2}
    maker: ClassVar[bytes]
    banks: ClassVar[tuple[str, str]]

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self._build()
        high, other = self.banks
        first, last = min(self.addresses), max(self.addresses)
        one = Contact("c", first, high, 1, Role.SOURCE)
        two = Contact("c", last, high, 3, Role.RETURN)
        three = Contact("c", first, other, 2, Role.RETURN)
        self.routes = (Route(frozenset({one, two})), Route(frozenset({two, three})))

    def _build(self) -> None:
        self.bench.add("c", self.kind, units=dict(self.addresses))
        self.matrix = ProfileMatrix(load_matrix(self.kind), "c", self.addresses)
        settings = SimulatedLink(kind="simulated", instrument=self.kind)
        self.link = open_link(settings, name="c", clock=self.clock, bench=self.bench)

    @property
    def units(self) -> frozenset[str]:
        return frozenset(self.addresses)

    def closed(self) -> frozenset[Contact]:
        found = set()
        for place, bus in self.bench.state().closed:
            chain, unit, bank, channel = place.split("/")
            found.add(Contact(chain, unit, bank, int(channel), Role(bus)))
        return frozenset(found)

    def weld(self, contact: Contact) -> None:
        for unit in self.bench.wiring.units:
            if unit.unit == contact.unit:
                unit.weld(contact.bank, contact.channel, contact.role.value)

    def as_another(self, reply: bytes) -> bytes:
        return reply.replace(self.maker, self.maker[1::-1] + self.maker[2:])

    def close(self) -> None:
        self.link.close()


class LatticeSubject(ProfileMatrixSubject):
    """Lattice: masks."""

    kind = "lattice"
    maker = b"Ostrel"
    banks = ("hv", "sense")


class CombSubject(ProfileMatrixSubject):
    """Comb: telegrams with a checksum."""

    kind = "comb"
    maker = b"FENNICK"
    banks = ("high", "sense")


class SprigSubject(ProfileMatrixSubject):
    """Sprig: one unit, carried through a Stave's link."""

    kind = "sprig"
    addresses: ClassVar[Mapping[str, int]] = {"u": 0}
    maker = b"Tarrowmere"
    banks = ("mix", "heavy")

    def _build(self) -> None:
        self.bench.add("t", "stave")
        self.bench.add("c", "sprig", units=("u",), carrier="t")
        tester = ProfileTester(load_tester("stave"), "t")
        self.matrix = CarriedMatrix(ProfileMatrix(load_matrix("sprig"), "c", {"u": None}), tester)
        settings = SimulatedLink(kind="simulated", instrument="stave")
        self.link = open_link(settings, name="t", clock=self.clock, bench=self.bench)
