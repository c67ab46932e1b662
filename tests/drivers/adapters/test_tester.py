"""Shipped testers on the simulated bench: set-up, run, result, off proof."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest

from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_tester
from drivers.simulators.bench import Bench
from drivers.simulators.faults import answer_with, silent
from orchestrator.clock import VirtualClock
from orchestrator.contract import CannotCarry, SafetyTester, StartMark
from orchestrator.errors import InstrumentRefused, SetupMismatch, TimedOut
from orchestrator.model.record import Progress
from orchestrator.model.schedule import Contact, Route, StepOrder
from orchestrator.model.words import (
    DischargeGrade,
    Evidence,
    Measured,
    Role,
    StepKind,
    TesterState,
    Waveform,
)

from .pump import Answers, Fake, Pump
from .texts import ROUTING, adapter_of, at_least, at_most, withstand

SHIPPED = ("orrin", "pell", "stave")
DC = {"waveform": Waveform.DC, "frequency": None, "fall": Decimal("0.5")}
OHM = Measured.RESISTANCE
ORDERS = {
    StepKind.WITHSTAND_AC: withstand("1500", limits_during_rise=True, fall=Decimal("0.5")),
    StepKind.WITHSTAND_DC: withstand(
        "2130", at_most("0.001"), kind=StepKind.WITHSTAND_DC, limits_during_rise=True, **DC
    ),
    StepKind.INSULATION: withstand("500", at_least("2E6", OHM), kind=StepKind.INSULATION, **DC),
    StepKind.BONDING: withstand("25", at_most("0.1", OHM), kind=StepKind.BONDING, fall=Decimal(0)),
    StepKind.CONTINUITY: withstand("0.2", at_most("1", OHM), kind=StepKind.CONTINUITY, **DC),
}


class Seat:
    """One shipped tester with nothing connected to it."""

    def __init__(self, name: str) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.pump = Pump(self.bench.add("T", name), self.clock)
        self.tester: SafetyTester = ProfileTester(load_tester(name), "T")

    def stop(self) -> None:
        for data in self.tester.stop_bytes:
            self.pump.send(data)
        self.tester.stopped()
        self.tester.absorb(self.pump.drain())
        self.pump.run(self.tester.resync())

    def ready(self) -> None:
        self.stop()
        self.pump.run(self.tester.enter())
        self.pump.run(self.tester.arm())

    def prepared(self, *orders: StepOrder) -> None:
        self.pump.run(self.tester.prepare(tuple(map(self.tester.quantise, orders))))

    def watch(self) -> Iterator[Progress]:
        while True:
            progress = self.pump.run(self.tester.poll())
            yield progress
            self.clock.sleep(0.02)

    def until_end(self) -> tuple[list[Progress], StartMark]:
        mark = self.pump.run(self.tester.start())
        seen: list[Progress] = []
        for progress in self.watch():
            seen.append(progress)
            begun = any(p.state.active for p in seen)
            if begun and not progress.state.active:
                return seen, mark
        raise AssertionError


@pytest.fixture(params=SHIPPED)
def seat(request: pytest.FixtureRequest) -> Seat:
    made = Seat(request.param)
    made.ready()
    return made


@pytest.mark.parametrize("kind", list(StepKind))
def test_every_kind_is_set_up_run_and_read(seat: Seat, kind: StepKind) -> None:
    """With nothing connected: high voltage passes, contact steps fail above their range."""
    seat.prepared(ORDERS[kind])
    seen, mark = seat.until_end()
    result = seat.pump.run(seat.tester.result(mark, 0))
    assert seen[-1].state is TesterState.COMPLETE
    if kind in {StepKind.BONDING, StepKind.CONTINUITY}:
        assert result.verdict == "fail"
        reading = result.values[OHM]
        assert reading.bound == "above"
        assert reading.value is not None
        assert reading.value >= 2
    else:
        assert result.verdict == "pass"
        assert result.values[Measured.VOLTAGE].value == ORDERS[kind].level
        assert result.values[Measured.TIME].value == 2
    assert result.cause


def test_states_come_in_order_with_live_readings(seat: Seat) -> None:
    """Rising, dwelling, falling, then complete."""
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    seen, _ = seat.until_end()
    order = [s for s in dict.fromkeys(p.state for p in seen) if s.active]
    assert order[:3] == [TesterState.RISING, TesterState.DWELLING, TesterState.FALLING]
    held = [p for p in seen if p.state is TesterState.DWELLING]
    assert held[-1].live[Measured.VOLTAGE].value == 1500


def test_off_is_proved_after_the_end_and_after_a_stop_not_before(seat: Seat) -> None:
    """While the output is on the proof fails; afterwards it stands with its grade."""
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    seat.pump.run(seat.tester.start())
    for progress in seat.watch():
        if progress.state is TesterState.DWELLING:
            break
    assert not seat.pump.run(seat.tester.confirm_off()).off
    seat.stop()
    proof = seat.pump.run(seat.tester.confirm_off())
    for _ in range(200):
        if proof.off:
            break
        seat.clock.sleep(0.02)
        proof = seat.pump.run(seat.tester.confirm_off())
    assert proof.off
    if proof.grade is DischargeGrade.VOLTAGE:
        assert proof.discharged is None
        assert proof.residual_v is not None
        assert proof.residual_v < 25
    else:
        assert proof.discharged
    assert not seat.bench.state().any_on
    assert not seat.bench.violations


def test_a_stopped_step_has_no_verdict_of_the_tester(seat: Seat) -> None:
    """Whatever it reads, a stop is neither pass nor fail."""
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    mark = seat.pump.run(seat.tester.start())
    for progress in seat.watch():
        if progress.state is TesterState.DWELLING:
            break
    seat.stop()
    seat.clock.sleep(0.5)
    result = seat.pump.run(seat.tester.result(mark, 0))
    assert result.verdict is None
    assert result.cause == "stopped"


def test_the_interlock_is_told_as_it_is(seat: Seat) -> None:
    """Closed, then open."""
    assert seat.pump.run(seat.tester.interlock()) is True
    seat.bench.guard_closed = False
    seat.clock.sleep(0.01)
    assert seat.pump.run(seat.tester.interlock()) is False


def test_an_open_guard_refuses_the_start(seat: Seat) -> None:
    """The tester's own refusal reaches the engine as one."""
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    seat.bench.guard_closed = False
    seat.clock.sleep(0.01)
    with pytest.raises(InstrumentRefused):
        seat.pump.run(seat.tester.start())
    assert not seat.bench.state().any_on


def test_a_tester_that_opens_its_interlock_in_the_run_ends_without_a_pass(seat: Seat) -> None:
    """Off at once; no pass, whatever was read before."""
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    mark = seat.pump.run(seat.tester.start())
    for progress in seat.watch():
        if progress.state is TesterState.DWELLING:
            break
    seat.bench.guard_closed = False
    for progress in seat.watch():
        if not progress.state.active:
            break
    assert progress.state is TesterState.TRIPPED
    assert seat.pump.run(seat.tester.result(mark, 0)).verdict is None


def test_a_mute_tester_times_out(seat: Seat) -> None:
    """No answer, no state."""
    seat.bench.instruments["T"].faults.on(silent, times=None)
    with pytest.raises(TimedOut):
        seat.pump.run(seat.tester.poll())


# ---- one by one -------------------------------------------------------------------------------


def test_a_result_of_the_orrin_is_fresh_by_its_counter() -> None:
    """The counter moved, and the result carries the new one."""
    seat = Seat("orrin")
    seat.ready()
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    _, mark = seat.until_end()
    fresh = seat.pump.run(seat.tester.result(mark, 0))
    assert Evidence.COUNTER in fresh.evidence
    assert mark.counter is not None
    later = seat.pump.run(seat.tester.result(StartMark(mark.counter + 1), 0))
    assert Evidence.COUNTER not in later.evidence


def test_the_pell_may_still_show_the_old_state_just_after_the_start_and_it_proves_nothing() -> None:
    """'At rest' read in the lag isn't believed before something active was seen."""
    seat = Seat("pell")
    seat.ready()
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    mark = seat.pump.run(seat.tester.start())
    assert mark.cleared
    assert seat.bench.state().any_on
    proof = seat.pump.run(seat.tester.confirm_off())
    assert proof.state is TesterState.OFF
    assert not proof.off


def test_a_set_up_that_was_changed_by_hand_is_a_mismatch() -> None:
    """What is read back is compared, field by field."""
    seat = Seat("pell")
    seat.ready()
    changed = b"QS\r40151500100200000050000000\rK\r"
    seat.bench.instruments["T"].faults.on(answer_with(changed), message=b"QS")
    with pytest.raises(SetupMismatch, match="level 1510 read, 1500 sent"):
        seat.prepared(ORDERS[StepKind.WITHSTAND_AC])


def test_the_orrin_reports_a_refused_setting_by_its_error_queue() -> None:
    """A silent refusal of a setting is found by the queue, with its text."""
    seat = Seat("orrin")
    seat.ready()
    orrin = seat.bench.instruments["T"]
    orrin.faults.do(lambda: orrin.feed(b"TASK:NONSENSE 1\n"), message=b"TASK:LEVEL")
    with pytest.raises(InstrumentRefused, match="Undefined header"):
        seat.prepared(ORDERS[StepKind.WITHSTAND_AC])


def test_an_error_that_stood_before_the_set_up_is_not_blamed_on_it() -> None:
    """What the last step left in the queue belongs to its own verdict."""
    seat = Seat("orrin")
    seat.ready()
    seat.pump.send(b"TASK:NONSENSE 1\n")
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])


def test_a_query_that_the_orrin_refuses_by_silence_is_a_refusal() -> None:
    """No result stands: nothing comes, the queue says why."""
    seat = Seat("orrin")
    seat.ready()
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    with pytest.raises(InstrumentRefused, match="-230"):
        seat.pump.run(seat.tester.result(StartMark(0), 0))


def test_the_orrin_lost_its_watch_by_a_power_cycle_and_the_check_tells() -> None:
    """Off after every power-up."""
    seat = Seat("orrin")
    seat.ready()
    assert seat.pump.run(seat.tester.check_armed())
    seat.bench.instruments["T"].power_cycle()
    seat.clock.sleep(3)
    assert not seat.pump.run(seat.tester.check_armed())


def test_a_step_memory_holds_the_batch_and_nothing_else() -> None:
    """What lay in later slots is cleared; each result comes from its own slot."""
    seat = Seat("stave")
    seat.ready()
    high, dc = ORDERS[StepKind.WITHSTAND_AC], ORDERS[StepKind.WITHSTAND_DC]
    seat.prepared(high, high, high, high)
    seat.prepared(high, dc)
    _, mark = seat.until_end()
    results = [seat.pump.run(seat.tester.result(mark, n)) for n in (0, 1)]
    assert [r.values[Measured.VOLTAGE].value for r in results] == [high.level, dc.level]
    assert all(Evidence.SLOT_ECHO in r.evidence for r in results)
    seat.prepared(high, dc, high)
    with pytest.raises(InstrumentRefused, match="no result"):
        seat.pump.run(seat.tester.result(mark, 2))


def test_a_trip_is_never_cleared_by_a_set_up() -> None:
    """The command that clears a result would end the trip too: it isn't sent then."""
    seat = Seat("pell")
    seat.ready()
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    seat.pump.run(seat.tester.start())
    seat.clock.sleep(1.5)
    seat.bench.guard_closed = False
    seat.clock.sleep(1)
    seat.bench.guard_closed = True
    with pytest.raises(InstrumentRefused, match="trip stands"):
        seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    assert b"CL\r" not in seat.pump.sent[-3:]


# ---- a tester that routes itself ----------------------------------------------------------------


def test_a_tester_that_routes_itself_takes_the_route_with_each_step() -> None:
    """Absolute numbers by unit and bank, slots counted from 0, the tail erased."""
    clock = VirtualClock()
    fake = Fake(clock, lambda _: answers_ok())
    tester, pump = adapter_of(ROUTING), Pump(fake, clock)
    tester.use_relays({"a": 0, "b": 1})
    assert tester.abilities.routes_itself
    route = Route(
        frozenset(
            {
                Contact("T", "a", "hv", 1, Role.SOURCE),
                Contact("T", "b", "hv", 8, Role.RETURN),
                Contact("T", "b", "aux", 2, Role.RETURN),
            }
        )
    )
    first = tester.quantise(withstand("1500", rise=None, fall=None, route=route))
    second = tester.quantise(withstand("1000", rise=None, fall=None))
    pump.run(tester.prepare((first, second)))
    assert fake.messages == [
        b"step 0 1500 5.00",
        b"path 0 H [101] [208]",
        b"path 0 X [] [252]",
        b"step 1 1000 5.00",
        b"path 1 H [] []",
        b"path 1 X [] []",
        b"erase 2",
    ]


def answers_ok() -> Answers:
    return [b"ok\n"]


# ---- what a step leaves out ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "off"),
    [
        ("orrin", (b"TASK:FLASH OFF\n", b"TASK:LIMIT:LOWER OFF\n")),
        ("pell", (b"SM00000\r",)),
        ("stave", (b"SLOT 1,WAC,1500V,50Hz,1.0s,2.0s,0.5s,5.00mA,OFF,RISE;C7\n",)),
    ],
)
def test_what_a_step_leaves_out_is_switched_off_on_the_wire(
    name: str, off: tuple[bytes, ...]
) -> None:
    """The last step's limit must not stick."""
    seat = Seat(name)
    seat.ready()
    lower = at_least("0.0001")
    seat.prepared(withstand("1500", at_most("0.005"), lower, limits_during_rise=True))
    seat.pump.sent.clear()
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    assert set(off) <= set(seat.pump.sent)


def test_a_tester_that_cannot_tell_its_interlock_says_so() -> None:
    """``None`` is neither closed nor open; the engine takes it for open."""
    clock = VirtualClock()
    fake = Fake(clock, lambda _: answers_ok())
    assert Pump(fake, clock).run(adapter_of(ROUTING).interlock()) is None
    assert not fake.messages


def test_an_opening_that_the_tester_has_latched_is_in_every_look_at_it() -> None:
    """Bits 8 and 9 of the Stave's status: tripped, interlock open."""
    seat = Seat("stave")
    seat.ready()
    seat.prepared(ORDERS[StepKind.WITHSTAND_AC])
    seat.pump.run(seat.tester.start())
    seat.clock.sleep(1.5)
    seat.bench.guard_closed = False
    seat.clock.sleep(0.5)
    assert seat.pump.run(seat.tester.poll()).latched_open


def test_more_steps_than_slots_are_refused_before_anything_is_sent() -> None:
    """One set-up, two steps."""
    seat = Seat("pell")
    order = ORDERS[StepKind.WITHSTAND_AC]
    with pytest.raises(CannotCarry, match="2 steps"):
        seat.pump.run(seat.tester.prepare((order, order)))
    assert not seat.pump.sent
