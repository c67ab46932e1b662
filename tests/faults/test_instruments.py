"""What an instrument can do wrong: refusals, contradictions, lag, level, dwell, power, lapses."""

from __future__ import annotations

import pytest

from drivers.simulators.faults import answer_with, silent
from drivers.simulators.output_models import Kind, Order, Phase, Verdict
from drivers.simulators.stave_memory import Slot, parse_slot
from drivers.simulators.violations import What
from orchestrator.errors import WrongInstrument
from orchestrator.model.words import Outcome
from tests.faults.dialects import TESTERS, rewritten
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import GUARD_INPUT, SHORT_PROGRAM, SHORT_STEPS, STATIONS

DISTURBED = "withstand mains"
BEFORE = SHORT_STEPS[: SHORT_STEPS.index(DISTURBED)]
LONG = SHORT_PROGRAM.replace("dwell: 0.3 s", "dwell: 12 s")
"""Longer than any grace: what isn't stopped shows."""


def refusal(station: str) -> bytes:
    """How the tester says no, after its prose (section 1 of each)."""
    return {
        "pell": b"SL0125\rR04\r",
        "stave": TESTERS["stave"].framing.wrap(b"REFUSED 05 range")
        + TESTERS["stave"].framing.wrap(b"END"),
    }[station]


# ---- refusals


@pytest.mark.parametrize("station", ["pell", "stave"])
def test_a_refused_set_up_is_never_started(make_rig: MakeRig, station: str) -> None:
    """The refusal line is seen wherever it comes; nothing is energised on it."""
    rig = make_rig(station)
    message = TESTERS[station].messages["set-up"]
    rig.after_step(
        BEFORE[-1], lambda: rig.tester.faults.on(answer_with(refusal(station)), message=message)
    )
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    assert "refused" in result.reason
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("where", ["set-up", "start"])
def test_an_entry_in_the_error_queue_ends_the_run(make_rig: MakeRig, where: str) -> None:
    """SCPI-1999 error queue: asked after set-up and after start, whatever else looks well."""
    rig = make_rig("orrin")

    def enter() -> None:
        rig.tester.faults.on(
            answer_with(b'-222,"Data out of range"\n'),
            message=b"SYST:ERR?",
            skip=1 if where == "set-up" else 0,  # the first one asks for what is left from before
        )

    if where == "set-up":
        rig.after_step(BEFORE[-1], enter)
    else:
        rig.at_step(DISTURBED, enter)
    result = rig.run()
    assert "-222" in result.reason
    assert rig.output.starts == len(BEFORE) + (where == "start")
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_set_up_that_reads_back_otherwise_is_never_started(
    make_rig: MakeRig, station: str
) -> None:
    """The tester took another level than was sent: 1250 V went out, another figure is stored."""
    rig = make_rig(station)
    framing = TESTERS[station].framing
    message, old, new = {
        "orrin": (b"TASK:LEVEL?", b"+1.25000E+03", b"+1.20000E+03"),
        "pell": (b"QS", b"0125", b"0120"),
        "stave": (b"SLOT?", b"1250V", b"1200V"),
    }[station]
    change = rewritten(framing, old, new)
    rig.after_step(BEFORE[-1], lambda: rig.tester.faults.on(change, message=message, times=None))
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_start_refused_because_the_tester_sees_an_open_guard_ends_the_run(
    make_rig: MakeRig, station: str
) -> None:
    """Only its own contact is open: our inputs say closed, the tester doesn't start."""
    rig = make_rig(station, inputs="  - {name: guard file, source: {kind: file, path: g.txt}}\n")
    (rig.folder / "g.txt").write_text("closed", encoding="utf-8")
    rig.at_step(DISTURBED, rig.open_guard)
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    rig.check(result, before=BEFORE)


# ---- verdict, level, dwell, lag


@pytest.mark.parametrize("station", STATIONS)
def test_a_pass_that_the_reading_contradicts_is_no_verdict(make_rig: MakeRig, station: str) -> None:
    """The tester says pass, its own reading breaks the limit: neither is believed."""
    rig = make_rig(station)
    framing = TESTERS[station].framing
    old, new = {
        "orrin": (b"PASS,+1.25000E+03,+1.2", b"PASS,+1.25000E+03,+9.2"),
        "pell": (b"4P012500122", b"4P012500922"),
        "stave": (b",1.22mA,", b",9.22mA,"),
    }[station]
    message = TESTERS[station].messages["result"]
    rig.at_step(
        DISTURBED,
        lambda: rig.tester.faults.on(rewritten(framing, old, new), message=message, times=None),
    )
    result = rig.run()
    step = next(s for s in result.steps if s.name == DISTURBED)
    assert "says pass, but its reading breaks" in step.reason
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_fail_that_no_reading_bears_out_is_no_verdict(make_rig: MakeRig, station: str) -> None:
    """A tester that says fail while all its readings keep the limits isn't believed either."""
    rig = make_rig(station)
    rig.at_step(DISTURBED, lambda: setattr(rig.output.faults, "verdict_override", Verdict.HIGH))
    result = rig.run()
    step = next(s for s in result.steps if s.name == DISTURBED)
    assert "no limit is broken by its reading" in step.reason
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_status_that_lags_within_the_stated_time_changes_nothing(
    make_rig: MakeRig, station: str
) -> None:
    """pell.md 4: up to 100 ms; the others state 20 ms and none."""
    rig = make_rig(station)
    rig.output.faults.start_lag_s = {"orrin": 0.0, "pell": 0.095, "stave": 0.0}[station]
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("lag_s", [0.3, 0.95, 30.0])
def test_a_status_that_lags_longer_than_stated_never_gives_a_pass_to_an_old_result(
    make_rig: MakeRig, station: str, lag_s: float
) -> None:
    """The first 'complete' is the last run's; what follows is stopped and judged as unproved."""
    rig = make_rig(station)
    rig.at_step(DISTURBED, lambda: setattr(rig.output.faults, "start_lag_s", lag_s))
    result = rig.run()
    rig.check(result, (Outcome.NO_VERDICT,), before=BEFORE)


@pytest.mark.parametrize("inputs", [None, GUARD_INPUT], ids=["both inputs", "guard switch only"])
@pytest.mark.parametrize("station", STATIONS)
def test_an_output_that_only_seems_off_is_stopped_at_once(
    make_rig: MakeRig, station: str, inputs: str | None
) -> None:
    """A status stuck at what was before the start, a dwell of 12 s: off within a second."""
    rig = make_rig(station, inputs=inputs)
    rig.at_step("withstand coil", lambda: setattr(rig.output.faults, "start_lag_s", 100.0))
    began: list[float] = []
    ended: list[float] = []
    rig.when(lambda: _high_voltage(rig), lambda: began.append(rig.clock.monotonic()))
    rig.when(lambda: bool(began) and not rig.output.on, lambda: ended.append(rig.clock.monotonic()))
    result = rig.run(LONG)
    assert ended[0] - began[0] < 1.0
    rig.check(result)


def _high_voltage(rig: Rig) -> bool:
    order = rig.output.order
    return rig.output.on and order is not None and order.kind is Kind.STAND_DC


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("blind", [False, True], ids=["it notices", "it doesn't notice"])
def test_a_level_that_isn_t_reached_is_no_verdict(
    make_rig: MakeRig, station: str, blind: bool
) -> None:
    """90 % of the level: whether the tester finds out itself or says pass."""
    rig = make_rig(station)

    def weaken() -> None:
        rig.output.faults.level_factor = 0.90
        rig.output.faults.blind_to_level = blind

    rig.at_step(DISTURBED, weaken)
    result = rig.run()
    rig.check(result, before=BEFORE)
    step = next(s for s in result.steps if s.name == DISTURBED)
    assert step.outcome is Outcome.NO_VERDICT


@pytest.mark.parametrize("station", STATIONS)
def test_a_dwell_cut_short_is_no_verdict(make_rig: MakeRig, station: str) -> None:
    """It says pass after a third of the dwell."""
    rig = make_rig(station)
    rig.at_step(DISTURBED, lambda: setattr(rig.output.faults, "dwell_factor", 0.33))
    result = rig.run()
    step = next(s for s in result.steps if s.name == DISTURBED)
    assert step.outcome is Outcome.NO_VERDICT
    assert "dwell" in step.reason or "early" in step.reason
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_dwell_cut_short_and_told_as_whole_is_found_by_our_own_clock(
    make_rig: MakeRig, station: str
) -> None:
    """12 s ordered, 4 s held, 12 s told."""
    rig = make_rig(station)
    framing = TESTERS[station].framing
    old, new = {
        "orrin": (b"+4.00000E+00", b"+1.20000E+01"),
        "pell": (b"040", b"120"),
        "stave": (b",4.0s", b",12.0s"),
    }[station]
    message = TESTERS[station].messages["result"]

    def shorten() -> None:
        rig.output.faults.dwell_factor = 1 / 3
        rig.tester.faults.on(rewritten(framing, old, new), message=message, times=None)

    rig.at_step("withstand coil", shorten)
    result = rig.run(LONG)
    assert "by our clock" in result.steps[-1].reason
    rig.check(result)


@pytest.mark.parametrize("station", STATIONS)
def test_a_dwell_that_doesn_t_end_is_ended_by_our_deadline(make_rig: MakeRig, station: str) -> None:
    """The tester goes on; the bench notes that it was on too long, which the fault itself is."""
    rig = make_rig(station)
    rig.at_step(DISTURBED, lambda: setattr(rig.output.faults, "dwell_factor", 1000.0))
    result = rig.run()
    assert "did not end within" in result.reason
    rig.check(result, before=BEFORE, violations=frozenset({What.TOO_LONG}))


# ---- power, remote mode, hands on the front panel


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("moment", [Phase.RISE, Phase.HOLD, Phase.FALL, Phase.BLEED], ids=str)
def test_a_tester_power_cycled_in_a_step_gives_no_verdict(
    make_rig: MakeRig, station: str, moment: Phase
) -> None:
    """Whatever it says after it has booted, this start has no result."""
    rig = make_rig(station)
    rig.during(moment, rig.tester.power_cycle, step=DISTURBED)
    result = rig.run()
    # sprig.md 4: the tester powers the Sprig, so its contacts drop, under voltage here.
    hot = {What.RELAY_MOVED_HOT} if station == "stave" else set()
    rig.check(
        result,
        before=BEFORE,
        relays="kept" if result.relays_kept else "open",
        delivered=False,
        violations=frozenset(hot),
    )


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("phase", ["setting_up", "journaling", "routing", "judging"])
def test_a_tester_power_cycled_between_steps_never_runs_half_set_up(
    make_rig: MakeRig, station: str, phase: str
) -> None:
    """Its protections and set-up are gone: no start with less than what was sent."""
    rig = make_rig(station)
    rig.after_step(BEFORE[-1], lambda: rig.at_phase(phase, rig.tester.power_cycle))
    result = rig.run()
    rig.check(
        result,
        (Outcome.PASS, Outcome.NO_VERDICT),
        before=BEFORE,
        relays="kept" if result.relays_kept else "open",
        delivered=False,
    )


def test_a_door_watch_lost_with_power_stops_the_run_before_the_next_start(
    make_rig: MakeRig,
) -> None:
    """orrin.md 3: after power-up the watch is off, the Orrin would run with an open door."""
    rig = make_rig("orrin")
    rig.after_step(BEFORE[-1], lambda: rig.at_phase("routing", rig.tester.power_cycle))
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    assert "protections" in result.reason
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_relay_unit_that_loses_power_in_the_dwell_voids_the_evidence(
    make_rig: MakeRig, station: str
) -> None:
    """Contacts dropped under voltage: the path of discharge is gone, a person is needed."""
    rig = make_rig(station)
    rig.during(Phase.HOLD, rig.relays.power_lost, step=DISTURBED)
    result = rig.run()
    assert "void" in result.reason
    rig.check(
        result,
        before=BEFORE,
        relays="kept",
        violations=frozenset({What.RELAY_MOVED_HOT, What.RELAY_COMMANDED_HOT}),
    )


def test_slots_left_by_another_program_are_not_run(make_rig: MakeRig) -> None:
    """stave.md 3: the memory survives power-off, LAUNCH runs every filled slot."""
    rig = make_rig("stave")
    for slot in (2, 3, 16):
        line = b"SLOT %d,WAC,3000V,50Hz,1.0s,60.0s,0.0s,30.00mA,OFF,RISE" % slot
        rig.tester.feed(TESTERS["stave"].framing.wrap(line))
        rig.clock.advance(0.1)
    assert set(rig.tester.memory.filled()) >= {2, 16} or len(rig.tester.memory.filled()) == 3
    result = rig.run()
    assert rig.output.starts == len(SHORT_STEPS)
    rig.check(result, Outcome.PASS, before=SHORT_STEPS)


def test_slots_that_come_back_before_the_start_keep_it_from_starting(make_rig: MakeRig) -> None:
    """The clearing of the tail was lost: the number of filled slots doesn't fit."""
    rig = make_rig("stave")
    line = b"SLOT 7,WAC,3000V,50Hz,1.0s,60.0s,0.0s,30.00mA,OFF,RISE"

    def fill() -> None:
        rig.tester.faults.do(
            lambda: rig.tester.memory.fill(*_slot(line)), message=b"COUNT?", skip=0
        )

    rig.after_step(BEFORE[-1], fill)
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    assert "2 steps stored, 1 sent" in result.reason
    rig.check(result, before=BEFORE)


def _slot(line: bytes) -> tuple[int, Slot]:
    return parse_slot(tuple(line.decode().partition(" ")[2].split(",")))


def test_a_remote_mode_that_lapses_in_a_step_ends_it(make_rig: MakeRig) -> None:
    """pell.md 2: off at once, trip; the step has no verdict."""
    rig = make_rig("pell")
    rig.during(Phase.HOLD, rig.tester._lapsed, step=DISTURBED)
    result = rig.run()
    rig.check(result, before=BEFORE)


def test_a_remote_mode_that_lapsed_between_runs_is_entered_again(make_rig: MakeRig) -> None:
    """Re-entry is allowed before a whole new set-up: an hour's break costs nothing."""
    rig = make_rig("pell")
    assert rig.run().outcome is Outcome.PASS
    rig.clock.advance(3600.0)
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


def test_keep_alives_go_out_in_a_dwell_longer_than_the_lapse(make_rig: MakeRig) -> None:
    """12 s of dwell, lapse after 5 s without a line."""
    rig = make_rig("pell")
    rig.check(rig.run(LONG), Outcome.PASS)


def start_by_hand(rig: Rig) -> None:
    """Somebody starts what is set up, at the instrument itself."""
    if rig.station == "stave":
        rig.tester.runner.launch(rig.tester.memory.filled())
    else:
        rig.output.start(Order(Kind.STAND_AC, 500.0, 0.1, 30.0, 0.0, upper=0.01))


@pytest.mark.parametrize("station", ["orrin", "stave"])
def test_a_tester_started_by_hand_between_steps_is_stopped_before_relays_move(
    make_rig: MakeRig, station: str
) -> None:
    """Found on before the next route: stopped, confirmed off, and only then relays move."""
    rig = make_rig(station)
    rig.after_step(BEFORE[-1], lambda: start_by_hand(rig))
    result = rig.run()
    rig.check(result, (Outcome.PASS, Outcome.NO_VERDICT), before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_tester_started_by_hand_between_runs_is_stopped_before_relays_move(
    make_rig: MakeRig, station: str
) -> None:
    """Likewise, once its state shows it (a Pell's lags by up to 100 ms, pell.md 4)."""
    rig = make_rig(station)
    assert rig.run().outcome is Outcome.PASS
    start_by_hand(rig)
    rig.clock.advance(0.2)
    assert rig.output.on
    rig.check(rig.run(), (Outcome.PASS, Outcome.NO_VERDICT))


@pytest.mark.parametrize("station", STATIONS)
def test_a_tester_found_on_at_the_take_over_is_stopped_before_relays_are_touched(
    make_rig: MakeRig, station: str
) -> None:
    """First contact assumes the worst: here it is the case."""
    rig = make_rig(station)
    rig.relays.put(rig.make.banks[0], {3: "source", 1: "return"})
    rig.clock.advance(0.2)
    if station == "stave":
        line = b"SLOT 1,WAC,1000V,50Hz,1.0s,60.0s,0.0s,30.00mA,OFF,RISE"
        rig.tester.memory.fill(*_slot(line))
    start_by_hand(rig)
    rig.clock.advance(1.0)
    assert rig.output.on
    rig.live.take_over()
    rig.check_bench()
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


def test_a_stop_that_comes_while_the_start_is_queued_doesn_t_lose_the_start(
    make_rig: MakeRig,
) -> None:
    """stave.md 4: QUIT acts at once, a queued LAUNCH after it. It is found on and stopped again."""
    rig = make_rig("stave")

    def delay() -> None:
        rig.tester._busy_until_s = rig.clock.monotonic() + 0.15  # a long CARRY
        rig.bench.after(0.05, lambda: rig.live.cancel("the operator pressed stop"))

    rig.at_phase("energised", delay, skip=len(BEFORE))
    result = rig.run()
    assert rig.output.starts == len(BEFORE) + 1
    rig.check(result, before=BEFORE)


# ---- identity


@pytest.mark.parametrize("station", STATIONS)
def test_a_tester_that_answers_as_a_real_one_is_refused_where_a_simulation_is_declared(
    make_rig: MakeRig, station: str
) -> None:
    """Real and simulated never mix: the serial number doesn't say SIM-."""
    rig = make_rig(station)
    change = rewritten(TESTERS[station].framing, b"SIM-", b"NR-")
    rig.tester.faults.on(change, message=TESTERS[station].messages["identify"], times=None)
    error = rig.run_or_error()
    assert isinstance(error, WrongInstrument)
    assert "real" in str(error)
    rig.check_refused_before_start(error)


def test_a_keep_alive_that_fell_due_never_goes_before_a_stop(make_rig: MakeRig) -> None:
    """Three seconds of nothing, then a take-over: the stop comes first, whatever the rest does."""
    rig = make_rig("pell")
    assert rig.run().outcome is Outcome.PASS
    rig.tester.faults.on(silent, message=b"KA", times=None)
    before = len(rig.tester.faults.seen)
    rig.clock.advance(3.0)
    rig.live.take_over()
    assert list(rig.tester.faults.seen)[before] == b"ST"
    rig.check(rig.run(), Outcome.PASS)
