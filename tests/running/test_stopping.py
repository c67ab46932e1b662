"""Stops that nothing may delay, swallow or make depend on another tester, a display or a person.

Whole runs on the simulated stations where the moment matters, the sequence by hand elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.clock import VirtualClock
from orchestrator.contract import Sample, StartMark
from orchestrator.errors import LinkLost, RelayMismatch, TimedOut
from orchestrator.model.record import OffProof, Reading
from orchestrator.model.schedule import Batch, Route
from orchestrator.model.words import (
    DischargeGrade,
    Measured,
    Outcome,
    ReadBackProof,
    StepKind,
    TesterState,
)
from orchestrator.running import batch
from orchestrator.running.commands import Command, Converse, Stop, Wait, Watch
from orchestrator.running.discharge import confirm_off, graded
from orchestrator.running.interlock import Interlock, RunCancelled, Trip
from orchestrator.running.rack import Notice, RunState
from orchestrator.running.routing import open_chain, prove_chain
from orchestrator.running.states import Phase as RunPhase
from orchestrator.running.take_over import take_over
from orchestrator.running.watching import Seen
from tests.faults.rig import STOPS, Rig
from tests.faults.stations import GUARD_INPUT, SHORT_PROGRAM, STATIONS
from tests.running.test_judge import ABILITIES, GOOD, STEP

MAINS, COIL = "withstand mains", "withstand coil"
MakeRig = Callable[..., Rig]


@pytest.fixture
def make_rig(tmp_path: Path) -> Iterator[MakeRig]:
    """Rigs, closed again whatever happens."""
    rigs: list[Rig] = []

    def build(station: str, **settings: Any) -> Rig:
        rigs.append(Rig(tmp_path / f"{station}{len(rigs)}", station, **settings))
        return rigs[-1]

    yield build
    for rig in rigs:
        rig.close()


def refuse_first_stop(rig: Rig, error: Exception) -> list[float]:
    """The link takes no stop once, in the dwell; returns when stops were tried from then on."""
    link = rig.live.controller.rack.ports[rig.make.tester].link
    real_send, tries = link.send, list[float]()

    def send(data: bytes) -> None:
        if armed and STOPS[rig.station] in data:
            tries.append(rig.clock.monotonic())
            if len(tries) == 1:
                raise error
        real_send(data)

    armed: list[bool] = []
    rig.during(Phase.HOLD, lambda: armed.append(True), step=MAINS)
    link.send = send  # type: ignore[method-assign]
    return tries


# ---- trips


@pytest.mark.parametrize("error", [TimedOut("send buffer full"), LinkLost("reset")], ids=repr)
@pytest.mark.parametrize("station", STATIONS)
def test_a_trip_whose_stop_cannot_be_sent_at_once_still_ends_the_run_and_stops_again(
    make_rig: MakeRig, station: str, error: Exception
) -> None:
    """A failing link may be put up with by whoever waits for an answer; a trip never."""
    rig = make_rig(station, inputs=GUARD_INPUT)
    tries = refuse_first_stop(rig, error)
    rig.during(Phase.HOLD, rig.open_guard, step=MAINS)
    result = rig.run(SHORT_PROGRAM)
    assert "is open" in result.reason
    assert "not delivered at once" in result.reason
    assert tries[1] - tries[0] < 0.02
    rig.check(result, before=["bond shell"])


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_opens_behind_an_ordered_stop_is_still_a_trip(
    make_rig: MakeRig, station: str
) -> None:
    """'Throughout' lasts until confirmed off; a stop that the sequence ordered doesn't end it."""
    rig = make_rig(station, inputs=GUARD_INPUT)
    rig.live.take_over()

    def stopped_by_order() -> Generator[Command, Any, None]:
        yield Watch(rig.make.tester)
        yield Stop(rig.make.tester)
        yield Wait(0.05)
        rig.open_guard()
        yield Wait(0.05)

    with pytest.raises(Trip, match="is open"):
        rig.live.controller.engine.drive(stopped_by_order())


@pytest.mark.parametrize("station", STATIONS)
def test_a_mute_tester_is_stopped_before_its_link_is_opened_again(
    make_rig: MakeRig, station: str
) -> None:
    """Rule 3: the stop goes out before any resynchronising; here no input tells of the silence."""
    rig = make_rig(station, inputs=GUARD_INPUT)
    mute_s: list[float] = []
    stop_s: list[float] = []

    def mute() -> None:
        rig.tester.faults.mute = True
        mute_s.append(rig.clock.monotonic())
        rig._seen_before = len(rig.tester.faults.seen)

    def look(now_s: float) -> None:
        if mute_s and not stop_s and rig.stop_was_sent():
            stop_s.append(now_s)

    rig.during(Phase.HOLD, mute, step=MAINS)
    rig.clock.on_advance(look)
    result = rig.run(SHORT_PROGRAM.replace("dwell: 0.3 s", "dwell: 30 s"))
    assert stop_s[0] - mute_s[0] < 1.2
    assert result.relays_kept


@pytest.mark.parametrize("station", STATIONS)
def test_an_output_that_does_not_end_is_stopped_soon_after_its_time(
    make_rig: MakeRig, station: str
) -> None:
    """The time granted for the discharge isn't granted to the level: 0.5 s ordered, 2 s spare."""
    rig = make_rig(station)
    begun_s: list[float] = []

    def endless() -> None:
        rig.output.faults.dwell_factor = 1000.0
        begun_s.append(rig.clock.monotonic())

    ended_s: list[float] = []

    def look(now_s: float) -> None:
        if begun_s and not ended_s and rig.output.starts and not rig.bench.state().any_on:
            ended_s.append(now_s)

    rig.at_step(MAINS, endless)
    rig.clock.on_advance(lambda now_s: look(now_s) if rig.output.starts > 1 else None)
    result = rig.run(SHORT_PROGRAM)
    assert result.outcome is Outcome.NO_VERDICT
    assert "did not end within 2.6 s" in result.reason
    assert ended_s[0] - begun_s[0] < 4


def test_nothing_is_started_once_remote_mode_may_have_lapsed_since_the_set_up(
    make_rig: MakeRig,
) -> None:
    """A keep-alive that failed while the step was being made durable; re-entry needs a set-up."""
    rig = make_rig("pell")
    seats = rig.live.controller.rack.testers
    rig.at_step(MAINS, lambda: setattr(seats["pell"], "armed", False))
    result = rig.run(SHORT_PROGRAM)
    assert "may have lapsed" in result.reason
    assert rig.output.starts == 1
    rig.check(result, before=["bond shell"])


# ---- displays and people


@pytest.mark.parametrize("error", [BrokenPipeError("gone"), KeyboardInterrupt()], ids=repr)
def test_a_display_that_fails_when_told_of_a_fault_comes_after_safe_off(
    make_rig: MakeRig, error: BaseException
) -> None:
    """Nothing is told before the stop went out; the error is raised once all is safe."""
    rig = make_rig("orrin", inputs=GUARD_INPUT)

    def mute() -> None:
        rig.tester.faults.mute = True
        rig._seen_before = len(rig.tester.faults.seen)

    rig.during(Phase.HOLD, mute, step=MAINS)

    def fail(notice: Notice) -> bool:
        if notice.kind == "event":
            assert rig.stop_was_sent()
            raise error
        return False

    rig._at_notice.append((fail, lambda: None))
    with pytest.raises(type(error)):
        rig.run(SHORT_PROGRAM)
    rig.bench.state()
    assert not rig.bench.state().any_on


@pytest.mark.parametrize("station", STATIONS)
def test_a_display_that_fails_from_the_dwell_on_neither_keeps_relays_nor_loses_the_record(
    make_rig: MakeRig, station: str
) -> None:
    """A pipe that was closed: the run ends, safe-off goes its whole way, the record is closed."""
    rig = make_rig(station)
    gone: list[bool] = []

    def fail(_: Notice) -> bool:
        if gone:
            raise BrokenPipeError("gone")
        return False

    rig._at_notice.append((fail, lambda: None))
    rig.during(Phase.HOLD, lambda: gone.append(True), step=MAINS)
    with pytest.raises(BrokenPipeError):
        rig.run(SHORT_PROGRAM)
    rig.check_bench()
    assert rig.live.controller.rack.store.unfinished() == ()


# ---- by hand


def seat(name: str) -> Any:
    return SimpleNamespace(name=name, port=name, armed=True, adapter=SimpleNamespace())


def test_a_tester_without_link_at_the_take_over_does_not_keep_another_from_being_stopped() -> None:
    """A dead process may have left either of them on."""
    testers = {name: seat(name) for name in ("a", "b")}
    run: Any = SimpleNamespace(rack=SimpleNamespace(testers=testers))
    taking = take_over(run)
    assert next(taking) == Stop("a")
    assert taking.throw(LinkLost("unplugged")) == Stop("b")
    with pytest.raises(LinkLost, match="unplugged"):
        taking.send(None)


def test_a_cancel_while_relays_open_is_not_taken_for_a_failing_exchange() -> None:
    """Asked once more is only what a link or an instrument failed at."""
    adapter: Any = SimpleNamespace(open_all=lambda: None)
    opening = open_chain("p", adapter)
    assert isinstance(next(opening), Converse)
    with pytest.raises(RunCancelled):
        opening.throw(RunCancelled("stopped"))
    opening = open_chain("p", adapter)
    next(opening)
    assert isinstance(opening.throw(TimedOut("late")), Converse)


def test_a_chain_that_can_read_back_but_tells_nothing_is_a_mismatch() -> None:
    """Silence isn't 'as ordered'."""
    adapter = SimpleNamespace(read_back=lambda: None)
    abilities = SimpleNamespace(read_back=ReadBackProof.CONTACT)
    chain: Any = SimpleNamespace(name="c", port="c", adapter=adapter, abilities=abilities)
    run: Any = None
    proving = prove_chain(run, chain, Route())
    next(proving)
    with pytest.raises(RelayMismatch, match="read back nothing"):
        proving.send(None)


def test_a_bleeder_is_waited_for_however_soon_the_tester_says_that_it_is_off() -> None:
    """30 s reckoned, 12 s for the tester to report: discharged is what the longer one says."""
    clock = VirtualClock()
    clock.advance(100.0)
    abilities = SimpleNamespace(off_within_s=Decimal(12))
    adapter = SimpleNamespace(abilities=abilities, confirm_off=lambda: None)
    tester: Any = SimpleNamespace(
        name="a", port="a", adapter=adapter, bleed_s=30.0, stopped_at_s=100.0, proof=None
    )
    run: Any = SimpleNamespace(now_s=clock.monotonic, phase=None)
    looking = confirm_off(run, tester)
    off = OffProof(True, None, DischargeGrade.NONE, TesterState.OFF)
    command = next(looking)
    proof = None
    while proof is None:
        try:
            if isinstance(command, Wait):
                clock.advance(command.seconds)
                command = looking.send(None)
            else:
                assert isinstance(command, Converse)  # no stop: it would begin the time anew
                command = looking.send(off)
        except StopIteration as stop:
            proof = stop.value
    assert proof == replace(off, discharged=True, grade=DischargeGrade.BLEEDER)
    assert 130.0 <= clock.monotonic() < 130.1


@pytest.mark.parametrize(
    ("phase", "kinds", "believed"),
    [
        (RunPhase.TAKE_OVER, {StepKind.INSULATION}, False),
        (RunPhase.TAKE_OVER, {StepKind.WITHSTAND_DC, StepKind.BONDING}, False),
        (RunPhase.TAKE_OVER, {StepKind.WITHSTAND_AC, StepKind.BONDING}, True),
        (RunPhase.CONFIRMING, {StepKind.INSULATION}, True),
    ],
)
def test_off_without_evidence_is_discharged_only_where_no_charge_can_be_from_before(
    phase: RunPhase, kinds: set[StepKind], believed: bool
) -> None:
    """At first contact another program may have charged the unit; in a run binding refuses DC."""
    adapter = SimpleNamespace(abilities=SimpleNamespace(kinds=dict.fromkeys(kinds)))
    tester: Any = SimpleNamespace(adapter=adapter, bleed_s=None)
    run: Any = SimpleNamespace(phase=phase)
    off = OffProof(True, None, DischargeGrade.NONE, TesterState.OFF)
    assert graded(run, tester, off).discharged is believed


# ---- inputs


@pytest.mark.parametrize("at_s", [float("nan"), 11.0, 9.0])
def test_a_sample_whose_time_cannot_be_now_is_stale(at_s: float) -> None:
    """Not a number, from the future (another clock), too old."""
    interlock = Interlock({"guard": 0.5})
    interlock.note("guard", Sample(True, at_s))
    assert "stale" in str(interlock.problem(10.0))


def test_an_input_that_raises_reads_as_open(make_rig: MakeRig) -> None:
    """Somebody's input block that breaks its promise stops like an open guard."""
    rig = make_rig("orrin", inputs=GUARD_INPUT)
    block: Any = rig.live.controller.rack.inputs[0]

    def broken() -> Sample:
        raise ValueError("no such register")

    rig.during(Phase.HOLD, lambda: setattr(block, "sample", broken), step=MAINS)
    result = rig.run(SHORT_PROGRAM)
    assert "no such register" in result.reason
    rig.check(result, before=["bond shell"])


# ---- batches


def ended(state: TesterState, *slots: int) -> Any:
    seen = Seen(0.0, 9.0, [TesterState.DWELLING], slot_times_s=dict.fromkeys(slots, (0.0, 4.5)))
    return batch._Ended(seen, StartMark(), state)


@pytest.mark.parametrize(
    ("state", "stopped"),
    [(TesterState.OFF, True), (TesterState.COMPLETE, False), (TesterState.TRIPPED, False)],
)
def test_a_tester_that_is_off_without_having_ended_is_stopped_before_relays_may_move(
    state: TesterState, stopped: bool
) -> None:
    """It may only be between two of its own steps."""
    abilities = SimpleNamespace(off_proof="state", off_within_s=Decimal(1))
    adapter = SimpleNamespace(abilities=abilities, confirm_off=lambda: None)
    tester: Any = SimpleNamespace(name="a", port="a", adapter=adapter, bleed_s=None)
    run: Any = SimpleNamespace(now_s=lambda: 0.0)
    first = next(batch._confirm(run, tester, SimpleNamespace(), ended(state)))  # type: ignore[arg-type]
    assert isinstance(first, Stop) is stopped


@pytest.mark.parametrize(
    ("end", "second"),
    [
        (ended(TesterState.TRIPPED, 0), Outcome.NOT_RUN),
        (ended(TesterState.TRIPPED, 0, 1), Outcome.NO_VERDICT),
        (ended(TesterState.COMPLETE, 0), Outcome.NOT_RUN),
        (ended(TesterState.COMPLETE, 0, 1), Outcome.PASS),
    ],
    ids=["tripped in the first", "tripped in the second", "second never seen", "both run"],
)
def test_the_record_says_not_run_only_of_steps_that_were_not(end: Any, second: Outcome) -> None:
    """Two steps of one start, the first of which fails."""
    bad = {**GOOD.values, Measured.TOTAL_CURRENT: Reading(Decimal("0.009"))}
    results = [replace(GOOD, verdict="fail", values=bad), GOOD]
    adapter = SimpleNamespace(abilities=ABILITIES, result=lambda _mark, index: index)
    tester: Any = SimpleNamespace(port="a", adapter=adapter, proof=None)
    rack: Any = SimpleNamespace(
        clock=VirtualClock(), store=SimpleNamespace(append=lambda _: None), chains={}
    )
    run = RunState(rack, "r", lambda _: None, route=Route())
    steps = (STEP, replace(STEP, index=1, name="again"))
    work = Batch("t1", steps, Route(), 20.0)
    judging = batch._judge_all(run, tester, work, end, frozenset())
    try:
        command: Any = next(judging)
        while True:
            command = judging.send(results[command.talk])
    except StopIteration:
        pass
    assert [result.outcome for result in run.results] == [Outcome.FAIL, second]
