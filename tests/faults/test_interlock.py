"""The guard opens, the operator stops, an input goes stale: in every phase of a run."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.model.words import Outcome
from orchestrator.running.interlock import Trip
from tests.faults.dialects import CHAINS, TESTERS
from tests.faults.fixtures import MakeRig
from tests.faults.stations import FILE_INPUT, GUARD_INPUT, SHORT_STEPS, STATIONS, TESTER_INPUT

DISTURBED = "withstand mains"
BEFORE = SHORT_STEPS[: SHORT_STEPS.index(DISTURBED)]
BEFORE_START = ("routing", "setting_up", "journaling")
ENERGISED = (Phase.RISE, Phase.HOLD, Phase.FALL, Phase.BLEED)
INPUTS = {
    "both": None,
    "the tester's": TESTER_INPUT,
    "the switch's": GUARD_INPUT,
}


def inputs(which: str, station: str) -> str | None:
    text = INPUTS[which]
    return None if text is None else text.format(tester=station) if "tester:" in text else text


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_is_open_at_the_beginning_starts_nothing(
    make_rig: MakeRig, station: str
) -> None:
    """Taking over is allowed (it only makes safe); no step is."""
    rig = make_rig(station)
    rig.open_guard()
    result = rig.run()
    assert rig.output.starts == 0
    assert "open" in result.reason
    assert "close the guard" in result.remedy
    rig.check(result)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("message", ["identify", "open"])
def test_a_guard_that_opens_in_the_take_over_starts_nothing(
    make_rig: MakeRig, station: str, message: str
) -> None:
    """Whether early or late in it."""
    rig = make_rig(station)
    if message == "identify":
        rig.tester.faults.do(rig.open_guard, message=TESTERS[station].messages["identify"])
    else:
        rig.chain.faults.do(rig.open_guard, message=CHAINS[station].messages["open"])
    result = rig.run()
    assert rig.output.starts == 0
    rig.check(result)


@pytest.mark.parametrize("phase", BEFORE_START)
@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_opens_before_the_start_prevents_it(
    make_rig: MakeRig, station: str, phase: str
) -> None:
    """The last look is just before the start command."""
    rig = make_rig(station)
    if phase == "journaling":
        rig.at_step(DISTURBED, rig.open_guard)
    else:
        rig.after_step(BEFORE[-1], lambda: rig.at_phase(phase, rig.open_guard))
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("which", INPUTS)
@pytest.mark.parametrize("phase", ENERGISED, ids=str)
@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_opens_while_energised_stops_at_once(
    make_rig: MakeRig, station: str, phase: Phase, which: str
) -> None:
    """From the start until confirmed off: a trip, whichever input tells of it."""
    rig = make_rig(station, inputs=inputs(which, station))
    rig.during(phase, rig.open_guard, step=DISTURBED)
    result = rig.run()
    assert rig.output.starts == len(BEFORE) + 1
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_opens_for_an_instant_is_seen_by_the_tester_alone(
    make_rig: MakeRig, station: str
) -> None:
    """25 ms between two samples of ours: the tester's own latched status tells of it."""
    rig = make_rig(station, inputs=FILE_INPUT)
    (rig.folder / "guard.txt").write_text("closed", encoding="utf-8")

    def blink() -> None:
        rig.open_guard()
        rig.bench.after(0.025, lambda: setattr(rig.bench, "guard_closed", True))

    rig.during(Phase.HOLD, blink, step=DISTURBED)
    result = rig.run()
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_opens_after_the_last_step_was_confirmed_off_changes_nothing(
    make_rig: MakeRig, station: str
) -> None:
    """Nothing is on any more: what was proved stays proved."""
    rig = make_rig(station)
    rig.at_phase("judging", rig.open_guard, skip=len(SHORT_STEPS) - 1)
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_that_opens_between_steps_starts_no_further_one(
    make_rig: MakeRig, station: str
) -> None:
    """Steps already proved keep their outcome, the others aren't run."""
    rig = make_rig(station)
    rig.after_step(BEFORE[-1], rig.open_guard)
    result = rig.run()
    assert [s.outcome for s in result.steps[len(BEFORE) :]] == [Outcome.NOT_RUN] * (
        len(SHORT_STEPS) - 1
    )
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_closing_the_guard_again_starts_nothing_by_itself(make_rig: MakeRig, station: str) -> None:
    """A trip ends the run; only a new request starts one."""
    rig = make_rig(station)

    def blink() -> None:
        rig.open_guard()
        rig.bench.after(0.2, lambda: setattr(rig.bench, "guard_closed", True))

    rig.during(Phase.HOLD, blink, step=DISTURBED)
    result = rig.run()
    starts = rig.output.starts
    rig.clock.advance(60.0)
    assert rig.output.starts == starts
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("text", ["open", "", "Closed", "closed!", None])
@pytest.mark.parametrize("station", STATIONS[:1])
def test_a_file_that_doesn_t_say_closed_is_an_open_guard(
    make_rig: MakeRig, station: str, text: str | None
) -> None:
    """Whatever else it holds, or no file at all."""
    rig = make_rig(station, inputs=FILE_INPUT)
    if text is not None:
        (rig.folder / "guard.txt").write_text(text, encoding="utf-8")
    result = rig.run()
    assert rig.output.starts == 0
    rig.check(result)


@pytest.mark.parametrize("station", STATIONS)
def test_a_station_whose_file_says_open_in_the_dwell_stops(make_rig: MakeRig, station: str) -> None:
    """The file input is sampled like any other."""
    rig = make_rig(station, inputs=FILE_INPUT)
    path = rig.folder / "guard.txt"
    path.write_text("closed", encoding="utf-8")
    rig.during(Phase.HOLD, lambda: _write(path, "open"), step=DISTURBED)
    result = rig.run()
    assert "guard file" in result.reason
    rig.check(result, before=BEFORE)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


# ---- the operator stops


@pytest.mark.parametrize("phase", ["routing", "setting_up", "journaling", "energised", "judging"])
@pytest.mark.parametrize("station", STATIONS)
def test_a_cancel_in_any_phase_ends_safe(make_rig: MakeRig, station: str, phase: str) -> None:
    """Ctrl-C, SIGTERM or a call: ends as no verdict, with the reason given."""
    rig = make_rig(station)
    rig.after_step(
        BEFORE[-1], lambda: rig.at_phase(phase, lambda: rig.live.cancel("stopped by the operator"))
    )
    result = rig.run()
    assert "stopped by the operator" in result.reason
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("phase", ENERGISED, ids=str)
@pytest.mark.parametrize("station", STATIONS)
def test_a_cancel_while_energised_stops_at_once(
    make_rig: MakeRig, station: str, phase: Phase
) -> None:
    """Within a scan and what the tester takes for a stop (10 to 20 ms each)."""
    rig = make_rig(station)
    asked: list[float] = []
    off: list[float] = []

    def cancel() -> None:
        asked.append(rig.clock.monotonic())
        rig.when(lambda: not rig.output.on, lambda: off.append(rig.clock.monotonic()))
        rig.live.cancel("stopped by the operator")

    rig.during(phase, cancel, step=DISTURBED)
    result = rig.run()
    assert off[0] - asked[0] < 0.05
    rig.check(result, before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_cancel_in_the_take_over_ends_before_any_run(make_rig: MakeRig, station: str) -> None:
    """Nothing was accepted yet, so nothing is on record."""
    rig = make_rig(station)
    rig.tester.faults.do(
        lambda: rig.live.cancel("stopped by the operator"),
        message=TESTERS[station].messages["identify"],
    )
    error = rig.run_or_error()
    assert isinstance(error, Trip)
    rig.check_refused_before_start(error)


@pytest.mark.parametrize("station", STATIONS)
def test_a_second_cancel_during_safe_off_doesn_t_break_it(make_rig: MakeRig, station: str) -> None:
    """Somebody presses again and again: safe-off goes on to its end."""
    rig = make_rig(station)

    def press() -> None:
        rig.live.cancel("pressed")
        rig.bench.after(0.01, press)

    rig.during(Phase.HOLD, press, step=DISTURBED)
    result = rig.run()
    rig.check(result, before=BEFORE)
