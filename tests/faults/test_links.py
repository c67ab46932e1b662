"""What goes wrong on the way: silence, half answers, late ones, garbage, lost links."""

from __future__ import annotations

import pytest

from drivers.simulators.faults import Change, answer_with, half, late, silent
from drivers.simulators.output_models import Phase
from orchestrator.errors import OhmwardError
from orchestrator.model.record import RunResult
from orchestrator.model.words import Outcome
from tests.faults.dialects import CHAINS, TESTERS, OldAnswer, rewritten
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import PATIENT_INPUT, SHORT_PROGRAM, SHORT_STEPS, STATIONS

ANY_END = (Outcome.PASS, Outcome.NO_VERDICT)
DISTURBED = "withstand mains"
"""The step in which things go wrong; all before it has passed by then."""
BEFORE = SHORT_STEPS[: SHORT_STEPS.index(DISTURBED)]

FORGIVEN = ("silence", "half, rest 30 ms later")
"""One such answer costs nothing. One that is several deadlines late may cost the verdict."""
PASSING = {
    "silence": silent,
    "half, rest 30 ms later": half(0.030),
    "half, rest 400 ms later": half(0.400),
    "late by 400 ms": late(0.400),
}
GARBAGE = b"\x15@#9\xfe"


def arm(rig: Rig, what: str, change: Change, *, times: int | None) -> None:
    """Let an exchange of the disturbed step go wrong."""
    dialect = TESTERS[rig.station]

    def now() -> None:
        rig.tester.faults.on(change, message=dialect.messages[what], times=times)

    if what == "set-up":
        rig.after_step(BEFORE[-1], now)
    elif what in {"result", "off"}:
        rig.during(Phase.BLEED, now, step=DISTURBED)
    else:
        rig.at_step(DISTURBED, now)


@pytest.mark.parametrize("how", PASSING)
@pytest.mark.parametrize("what", ["set-up", "status", "result", "off"])
@pytest.mark.parametrize("station", STATIONS)
def test_one_lost_answer_to_what_may_be_asked_again_costs_no_verdict(
    make_rig: MakeRig, station: str, what: str, how: str
) -> None:
    """Readings are repeated once in step again, a whole set-up is sent again: the run passes.

    The interlock that the tester reports itself may be 2 s old here; see the next test.
    """
    rig = make_rig(station, inputs=PATIENT_INPUT.format(tester=station))
    arm(rig, what, PASSING[how], times=1)
    result = rig.run()
    forgiven = how in FORGIVEN
    rig.check(result, Outcome.PASS if forgiven else ANY_END, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_tester_too_slow_to_report_its_interlock_in_time_is_stopped(
    make_rig: MakeRig, station: str
) -> None:
    """By default an input older than 500 ms is open: a look that is late by 600 ms is a trip."""
    rig = make_rig(station)
    arm(rig, "status", late(0.6), times=1)
    result = rig.run()
    assert any(told in result.reason for told in ("is stale", "not answered", "no answer"))
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("change", PASSING.values(), ids=PASSING)
@pytest.mark.parametrize("station", ["pell", "stave"])
def test_a_start_without_its_acknowledge_is_never_repeated(
    make_rig: MakeRig, station: str, change: Change
) -> None:
    """The start counts as carried out, the output as on: stopped, no verdict, one start only."""
    rig = make_rig(station)
    arm(rig, "start", change, times=1)
    result = rig.run()
    outcome = Outcome.PASS if change is PASSING["half, rest 30 ms later"] else Outcome.NO_VERDICT
    rig.check(result, outcome, before=BEFORE)
    starts = [m for m in rig.tester.faults.seen if m.startswith(TESTERS[station].messages["start"])]
    assert len(starts) == (len(SHORT_STEPS) if outcome is Outcome.PASS else len(BEFORE) + 1)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("what", ["set-up", "start", "status", "result"])
@pytest.mark.parametrize(
    "change", [silent, answer_with(GARBAGE)], ids=["silence", "a piece of garbage"]
)
def test_an_exchange_that_never_works_again_ends_without_verdict(
    make_rig: MakeRig, station: str, what: str, change: Change
) -> None:
    """Output off; relays open where off and discharged can still be read, else kept."""
    if station == "orrin" and what == "start" and change is silent:
        pytest.skip("an Orrin doesn't answer a start: silence is its manner")
    rig = make_rig(station)
    arm(rig, what, change, times=None)
    result = rig.run()
    kept = what == "status"
    rig.check(
        result,
        Outcome.NO_VERDICT,
        before=BEFORE if what != "start" else (),
        relays="kept" if kept else "open",
    )


@pytest.mark.parametrize("station", STATIONS)
def test_a_tester_that_turns_mute_in_the_dwell_is_stopped_and_its_relays_are_kept(
    make_rig: MakeRig, station: str
) -> None:
    """It hears but doesn't answer: the stop works, nothing proves it, the path stays closed."""
    rig = make_rig(station)

    def mute() -> None:
        rig.tester.faults.mute = True

    rig.during(Phase.HOLD, mute, step=DISTURBED)
    result = rig.run()
    assert "not confirmed off" in result.reason
    assert "keep away" in result.remedy
    rig.check(result, before=BEFORE, relays="kept")


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("what", ["identify", "stop", "status"])
def test_a_tester_mute_at_the_take_over_keeps_everything_from_starting(
    make_rig: MakeRig, station: str, what: str
) -> None:
    """First contact failed: an error with a remedy, no relay moved, no run on record."""
    rig = make_rig(station)
    message = TESTERS[station].messages[what]
    rig.tester.faults.on(silent, message=None if what == "stop" else message, times=None)
    rig.check_refused_before_start(rig.run_or_error())


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("what", ["identify", "read-back", "open"])
def test_a_mute_relay_unit_at_the_take_over_keeps_everything_from_starting(
    make_rig: MakeRig, station: str, what: str
) -> None:
    """Relays that can't be read or opened can't be trusted."""
    rig = make_rig(station)
    rig.chain.faults.on(silent, message=CHAINS[station].messages[what], times=None)
    error = rig.run_or_error()
    assert isinstance(error, OhmwardError)
    rig.check_refused_before_start(error)


@pytest.mark.parametrize("how", PASSING)
@pytest.mark.parametrize("what", ["read-back", "moving"])
@pytest.mark.parametrize("station", STATIONS)
def test_one_lost_answer_of_a_relay_unit_is_asked_for_again(
    make_rig: MakeRig, station: str, what: str, how: str
) -> None:
    """Looking at contacts may be repeated."""
    rig = make_rig(station)
    message = CHAINS[station].messages[what]
    rig.after_step(BEFORE[-1], lambda: rig.chain.faults.on(PASSING[how], message=message))
    result = rig.run()
    forgiven = how in FORGIVEN
    rig.check(result, Outcome.PASS if forgiven else ANY_END, before=BEFORE)


@pytest.mark.parametrize("change", [silent, late(0.4)], ids=["silence", "late"])
@pytest.mark.parametrize("station", STATIONS)
def test_a_relay_command_without_answer_leads_to_no_start(
    make_rig: MakeRig, station: str, change: Change
) -> None:
    """Whether it was carried out is unknown: the step isn't started, relays open again."""
    rig = make_rig(station)
    message = CHAINS[station].messages["apply"]
    rig.after_step(BEFORE[-1], lambda: rig.chain.faults.on(change, message=message, times=None))
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_relay_unit_mute_from_the_dwell_on_ends_without_verdict(
    make_rig: MakeRig, station: str
) -> None:
    """Its contacts can't be proved any more; the caller is told that they may be closed."""
    rig = make_rig(station)

    def mute() -> None:
        rig.chain.faults.mute = True

    rig.during(Phase.HOLD, mute, step=DISTURBED)
    result = rig.run()
    assert result.relays_kept
    rig.check(result, before=BEFORE, relays="kept")


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("what", ["identify", "status", "result", "set-up"])
def test_a_whole_line_of_garbage_is_no_answer(make_rig: MakeRig, station: str, what: str) -> None:
    """Once: asked again where that is allowed; never taken for a value."""
    rig = make_rig(station)
    framing = TESTERS[station].framing
    change = answer_with(framing.wrap(GARBAGE.replace(b"@", b"")))
    if what == "identify":
        rig.tester.faults.on(change, message=TESTERS[station].messages[what])
    else:
        arm(rig, what, change, times=1)
    result = rig.run()
    rig.check(result, ANY_END)


@pytest.mark.parametrize("station", STATIONS)
def test_an_old_result_of_another_step_is_no_result_of_this_one(
    make_rig: MakeRig, station: str
) -> None:
    """Counter, kind or slot say that it belongs elsewhere: no verdict, never a pass."""
    rig = make_rig(station)
    old = OldAnswer()
    rig.tester.faults.on(old, message=TESTERS[station].messages["result"], times=None)
    rig.at_step(DISTURBED, lambda: setattr(old, "armed", True))
    result = rig.run()
    rig.check(result, before=BEFORE)
    assert _outcome(result, DISTURBED) is Outcome.NO_VERDICT


def test_an_old_result_of_the_same_kind_is_found_by_its_counter(make_rig: MakeRig) -> None:
    """orrin.md 5: seen active or not, a result with the counter of another start isn't this one."""
    rig = make_rig("orrin")
    twice = SHORT_PROGRAM + (
        "  - {name: again, kind: withstand_dc, apply_to: [line, neutral],"
        " against: [coil a, coil b], unproved_contact: only for trials,"
        " level: 2120 V, limits_during_rise: yes,"
        " accept: {total_current: {at_most: 0.5 mA}}}\n"
    )
    old = OldAnswer()
    rig.at_step(
        "withstand coil", lambda: rig.tester.faults.on(old, message=b"TASK:RESULT?", times=None)
    )
    rig.at_step("again", lambda: setattr(old, "armed", True))
    result = rig.run(twice)
    assert "belong to this start" in result.steps[-1].reason
    rig.check(result, before=SHORT_STEPS)


@pytest.mark.parametrize("station", ["orrin", "pell"])
@pytest.mark.parametrize("what", ["apply", "read-back", "open", "moving", "identify"])
def test_another_unit_that_answers_isn_t_believed(
    make_rig: MakeRig, station: str, what: str
) -> None:
    """Each unit's answer begins with its own address (comb.md 1, lattice.md 1)."""
    rig = make_rig(station)
    dialect = CHAINS[station]
    old, new = {"orrin": (b"3 ", b"4 "), "pell": (b"05", b"06")}[station]
    change = rewritten(dialect.framing, old, new)
    rig.chain.faults.on(
        change, message=dialect.messages[what], times=None, skip=int(what != "identify")
    )
    outcome = rig.run_or_error()
    if isinstance(outcome, RunResult):
        assert "answers" in outcome.reason
        rig.check(outcome, relays="kept" if outcome.relays_kept else "open")
    else:
        assert "answers" in str(outcome)
        rig.check_refused_before_start(outcome)


def test_another_slot_that_answers_isn_t_believed(make_rig: MakeRig) -> None:
    """A Stave's result names its slot (stave.md 4)."""
    rig = make_rig("stave")
    change = rewritten(TESTERS["stave"].framing, b"RESULT 1", b"RESULT 2")
    rig.at_step(DISTURBED, lambda: rig.tester.faults.on(change, message=b"RESULT?", times=None))
    rig.check(rig.run(), before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("phase", [Phase.RISE, Phase.HOLD, Phase.FALL, Phase.BLEED])
def test_a_link_that_drops_in_a_step_is_reopened_for_the_stop(
    make_rig: MakeRig, station: str, phase: Phase
) -> None:
    """The stop goes out over the new link; whether the step passed can't be known."""
    rig = make_rig(station)
    rig.during(phase, rig.tester.faults.drop_link, step=DISTURBED)
    result = rig.run()
    rig.check(result, ANY_END if phase is Phase.BLEED else Outcome.NO_VERDICT, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_link_that_stays_lost_keeps_the_relays_and_says_so(
    make_rig: MakeRig, station: str
) -> None:
    """No stop can be delivered: relays stay, a person is told to keep away."""
    rig = make_rig(station)

    def unplug() -> None:
        rig.tester.faults.unplugged = True
        rig.tester.faults.drop_link()

    rig.during(Phase.HOLD, unplug, step=DISTURBED)
    result = rig.run()
    assert "keep away" in result.remedy
    # What the instrument does by itself then: orrin.md 6 off, pell.md 2 lapses after 5 s,
    # stave.md 6 goes on to the end of the run.
    rig.clock.advance(10.0)
    rig.check(result, before=BEFORE, relays="kept", delivered=False)


@pytest.mark.parametrize("station", ["orrin", "pell"])
def test_a_chain_s_link_that_drops_while_routing_leads_to_no_start(
    make_rig: MakeRig, station: str
) -> None:
    """The chain has a link of its own: reopened, relays opened, nothing energised."""
    rig = make_rig(station)
    message = CHAINS[station].messages["apply"]
    rig.after_step(BEFORE[-1], lambda: rig.chain.faults.drop_link(message=message))
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    rig.check(result, before=BEFORE)


def _outcome(result: RunResult, name: str) -> Outcome:
    return next(step.outcome for step in result.steps if step.name == name)
