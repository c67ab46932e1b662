"""Shipped profiles against shipped simulators: two readings of one prose, written apart.

Every kind of step on every tester, every matrix with a route over its units, on virtual time.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TypeVar

import pytest

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_matrix, load_tester
from drivers.simulators.base import Instrument
from drivers.simulators.bench import Bench
from drivers.simulators.unit import parse_unit
from orchestrator.clock import VirtualClock
from orchestrator.contract import Receive, Reply, Send, Talk
from orchestrator.errors import InstrumentRefused, LinkError, TimedOut
from orchestrator.model.record import Reading, TesterReading
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import Measured, TesterState
from orchestrator.running.framing import FrameReader
from tests.profiles.harness import contacts_of, order_of, route_of

T = TypeVar("T")
SLICE_S = 0.005
TERMINALS = (
    ("high_current_output", "A"),
    ("sense_high", "A"),
    ("high_current_return", "B"),
    ("sense_low", "B"),
    ("output", "C"),
    ("return", "D"),
)
BOND = "{between: [A, B], resistance: 42 mohm}"
TIMES = "rise: 0.5 s, dwell: 1 s, fall: 0 s"
MOST = "total_current_at_most: 5 mA, during_rise: yes"
STEPS = {
    "bonding": (
        f"{{kind: bonding, level: 25 A, frequency: 50 Hz, {TIMES}, at_most: 100 mohm}}",
        "resistance: 1 Mohm",
        (Measured.RESISTANCE, "0.042"),
    ),
    "insulation": (
        f"{{kind: insulation, level: 500 V, {TIMES}, at_least: 2 Mohm}}",
        "resistance: 212 Mohm",
        (Measured.RESISTANCE, "212000000"),
    ),
    "withstand_ac": (
        f"{{kind: withstand_ac, level: 1500 V, frequency: 50 Hz, {TIMES}, {MOST}}}",
        "resistance: 1 Mohm",
        (Measured.TOTAL_CURRENT, "0.0015"),
    ),
    "withstand_dc": (
        f"{{kind: withstand_dc, level: 2000 V, {TIMES}, at_most: 5 mA, during_rise: yes}}",
        "resistance: 1 Mohm",
        (Measured.TOTAL_CURRENT, "0.002"),
    ),
}


class Rig:
    """An instrument of the bench, spoken to by its adapter; time passes while one waits."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.readers: dict[str, FrameReader] = {}

    def tester(self, kind: str, part: str) -> ProfileTester:
        self.bench.add("t", kind)
        for terminal, point in TERMINALS:
            self.bench.wire_terminal("t", terminal, point)
        self.bench.load_unit(parse_unit(f"parts: [{BOND}, {{between: [C, D], {part}}}]"))
        return ProfileTester(load_tester(kind), "t")

    def hold(self, talk: Talk[T], name: str = "t") -> T:
        instrument = self.bench.instruments[name]
        reader = self.readers.setdefault(name, FrameReader())
        answer: Reply | None = None
        error: LinkError | None = None
        try:
            while True:
                wanted = talk.send(answer) if error is None else talk.throw(error)
                answer = error = None
                if isinstance(wanted, Send):
                    instrument.feed(wanted.data)
                elif isinstance(wanted, Receive):
                    try:
                        answer = self._receive(instrument, reader, wanted)
                    except TimedOut as caught:
                        error = caught
                else:
                    self.clock.advance(wanted.seconds)
        except StopIteration as stop:
            result: T = stop.value
            return result

    def _receive(
        self, instrument: Instrument, reader: FrameReader, wanted: Receive
    ) -> Reply | None:
        until_s = self.clock.monotonic() + wanted.within_s
        while True:
            reader.feed(instrument.take())
            reply = reader.take(wanted.frame)
            if reply is not None:
                return reply
            if self.clock.monotonic() >= until_s:
                break
            self.clock.advance(SLICE_S)
        if wanted.silence_ok and not reader.pending:
            return None
        raise TimedOut("no whole answer", received=reader.pending)

    def run(self, tester: ProfileTester, orders: tuple[StepOrder, ...]) -> list[TesterReading]:
        """Set up, start, wait for the end, prove it off; the results."""
        assert self.hold(tester.identify()).simulated
        self.hold(tester.enter())
        self.hold(tester.arm())
        batch = tuple(tester.quantise(order) for order in orders)
        self.hold(tester.prepare(batch))
        mark = self.hold(tester.start())
        seen: set[TesterState] = set()
        for _ in range(4000):
            state = self.hold(tester.poll()).state
            seen.add(state)
            if state is TesterState.COMPLETE and TesterState.DWELLING in seen:
                break
            self.clock.advance(0.02)
        assert {TesterState.RISING, TesterState.DWELLING, TesterState.COMPLETE} <= seen
        assert self.hold(tester.confirm_off()).off
        return [self.hold(tester.result(mark, index)) for index in range(len(batch))]


def order(kind: str) -> StepOrder:
    return order_of(STEPS[kind][0])[0]


@pytest.mark.parametrize("kind", sorted(STEPS))
@pytest.mark.parametrize("name", ["orrin", "pell", "stave"])
def test_every_kind_runs_and_passes_on_every_tester(name: str, kind: str) -> None:
    """Verdict, reading within 6 %, level, time held and evidence, from a run on the bench."""
    _, part, (measured, wanted) = STEPS[kind]
    rig = Rig()
    tester = rig.tester(name, part)
    (reading,) = rig.run(tester, (order(kind),))
    assert reading.verdict == "pass"
    value = reading.values[measured].value
    assert value is not None
    assert abs(value / Decimal(wanted) - 1) < Decimal("0.06")
    held = reading.values[Measured.TIME].value
    assert held is not None
    assert abs(held - 1) <= Decimal("0.1")
    assert reading.evidence
    assert not rig.bench.violations


@pytest.mark.parametrize(
    ("name", "wanted"), [("orrin", "0.33"), ("pell", "0.042"), ("stave", "0.33")]
)
def test_continuity_is_two_wire_or_four_wire_as_the_manual_says(name: str, wanted: str) -> None:
    """The Pell measures it at its high-current terminals, with sense leads; the others don't."""
    rig = Rig()
    tester = rig.tester(name, "resistance: 0.33 ohm")
    text = f"{{kind: continuity, level: 0.2 A, {TIMES}, at_most: 1 ohm}}"
    (reading,) = rig.run(tester, order_of(text))
    assert reading.verdict == "pass"
    value = reading.values[Measured.RESISTANCE].value
    assert value is not None
    assert abs(value - Decimal(wanted)) < Decimal("0.03")  # leads of two-wire, resolution


def test_the_stave_runs_a_batch_of_two_kinds() -> None:
    """Two slots with one start; each result from its own slot."""
    rig = Rig()
    tester = rig.tester("stave", "resistance: 212 Mohm")
    first, second = rig.run(tester, (order("bonding"), order("insulation").in_slot(1)))
    assert (first.verdict, second.verdict) == ("pass", "pass")
    assert Measured.CURRENT in first.values
    assert Measured.VOLTAGE in second.values


@pytest.mark.parametrize("name", ["orrin", "pell", "stave"])
def test_insulation_above_the_range_is_a_bound_on_every_tester(name: str) -> None:
    """1 Tohm: above 10, 5 and 2 Gohm, as the manuals have it."""
    rig = Rig()
    tester = rig.tester(name, "resistance: 1 Tohm")
    (reading,) = rig.run(tester, (order("insulation"),))
    top = {"orrin": "10000000000", "pell": "5000000000", "stave": "2000000000"}[name]
    assert reading.values[Measured.RESISTANCE] == Reading(Decimal(top), "above")


@pytest.mark.parametrize("name", ["orrin", "pell", "stave"])
def test_an_open_guard_refuses_the_start(name: str) -> None:
    """Each in its own words; the output stays off."""
    rig = Rig()
    tester = rig.tester(name, "resistance: 212 Mohm")
    rig.hold(tester.enter())
    rig.hold(tester.arm())
    rig.bench.guard_closed = False
    assert rig.hold(tester.interlock()) is False
    rig.hold(tester.prepare((tester.quantise(order("insulation")),)))
    with pytest.raises(InstrumentRefused):
        rig.hold(tester.start())
    assert not rig.bench.state().any_on


@pytest.mark.parametrize("name", ["orrin", "pell", "stave"])
def test_a_guard_opened_in_the_run_is_latched(name: str) -> None:
    """Open and closed between two looks: a stop, a trip, no pass; a person's reset ends it."""
    rig = Rig()
    tester = rig.tester(name, "resistance: 212 Mohm")
    rig.hold(tester.enter())
    rig.hold(tester.arm())
    batch = (tester.quantise(replace(order("insulation"), dwell=Decimal(5))),)
    rig.hold(tester.prepare(batch))
    mark = rig.hold(tester.start())
    rig.clock.advance(1.5)
    assert rig.hold(tester.poll()).state is TesterState.DWELLING
    rig.bench.guard_closed = False
    rig.clock.advance(0.5)
    if name != "stave":  # its trip tells the interlock only while that is open; the verdict does
        rig.bench.guard_closed = True
    rig.clock.advance(1)
    progress = rig.hold(tester.poll())
    assert progress.state is TesterState.TRIPPED
    assert progress.latched_open
    assert rig.hold(tester.result(mark, 0)).verdict is None
    rig.bench.guard_closed = True
    rig.hold(tester.reset_trip())
    rig.hold(tester.prepare(batch))


@pytest.mark.parametrize(
    ("name", "units", "route"),
    [
        ("lattice", {"a": 1, "b": 2}, "a/hv/1=source a/hv/4=return a/hv/6=return b/hv/2=return"),
        ("comb", {"a": 5, "b": 17}, "a/high/1=source a/high/8=return b/sense/2=return"),
        ("lattice", {"a": 1, "b": 2}, "a/hc/1=source b/hc/3=return a/sense/1=source"),
    ],
)
def test_every_chain_is_switched_and_read_back(
    name: str, units: dict[str, int], route: str
) -> None:
    """A second bank while the first still moves is answered 'busy' and sent again."""
    rig = Rig()
    rig.bench.add("c", name, units=units)
    chain = ProfileMatrix(load_matrix(name), "c", units)
    assert all(who.simulated for who in rig.hold(chain.identify(), "c").values())
    rig.hold(chain.apply(route_of(route, "c")), "c")
    assert rig.hold(chain.read_back(), "c") == contacts_of(route, "c")
    rig.hold(chain.open_all(), "c")
    assert rig.hold(chain.read_back(), "c") == frozenset()


def test_the_sprig_is_switched_through_the_stave() -> None:
    """Two routes one after the other, contacts read back; then everything open."""
    rig = Rig()
    tester = rig.tester("stave", "resistance: 1 Mohm")
    rig.bench.add("c", "sprig", units=("u",), carrier="t")
    chain = CarriedMatrix(ProfileMatrix(load_matrix("sprig"), "c", {"u": None}), tester)
    assert all(who.simulated for who in rig.hold(chain.identify()).values())
    for route in ("u/mix/1=source u/mix/16=return", "u/heavy/1=source u/heavy/4=return"):
        rig.hold(chain.apply(route_of(route, "c")))
        assert rig.hold(chain.read_back()) == contacts_of(route, "c")
    rig.hold(chain.open_all())
    assert rig.hold(chain.read_back()) == frozenset()
