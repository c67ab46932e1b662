"""Alarms outlive the process; only a person's reset with the inputs closed clears them."""

from __future__ import annotations

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.errors import Refused
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.words import Outcome
from orchestrator.records.verify import verify
from orchestrator.running.alarming import Struck, alarm_of
from orchestrator.running.interlock import Trip
from orchestrator.running.routing import Unconfirmed
from orchestrator.running.safe_off import SafeOff
from orchestrator.running.states import Phase as RunPhase
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS
from tests.runs.test_enable import with_enable
from tests.runs.test_remote_io import EXTRA


def tripped(rig: Rig) -> None:
    rig.during(Phase.HOLD, rig.open_guard)
    assert rig.run().outcome is Outcome.NO_VERDICT


def reopened(rig: Rig) -> None:
    """As the next process finds the station: a new bench, the same records."""
    rig.live.close()
    rig.open()


@pytest.mark.parametrize("station", STATIONS)
def test_a_trip_is_latched_and_refuses_the_next_run_even_in_another_process(
    make_rig: MakeRig, station: str
) -> None:
    """Closing the guard again isn't enough."""
    rig = make_rig(station)
    tripped(rig)
    rig.bench.guard_closed = True
    with pytest.raises(Refused, match="ohmward reset"):
        rig.run()
    reopened(rig)
    with pytest.raises(Refused, match="alarm 1"):
        rig.run()
    assert rig.output.starts == 0


@pytest.mark.parametrize("station", STATIONS)
def test_a_persons_reset_clears_it_and_starts_nothing(make_rig: MakeRig, station: str) -> None:
    """The next run is another act."""
    rig = make_rig(station)
    tripped(rig)
    starts = rig.output.starts
    rig.bench.guard_closed = True
    cleared = rig.live.reset(by="M. Example")
    assert [alarm.kind for alarm in cleared] == [AlarmKind.INTERLOCK_OPENED]
    assert rig.live.alarms == ()
    assert rig.output.starts == starts
    result = rig.run()
    rig.check(result, Outcome.PASS)


@pytest.mark.parametrize("station", STATIONS)
def test_with_an_input_open_a_reset_clears_nothing(make_rig: MakeRig, station: str) -> None:
    """'Only with the inputs closed.'"""
    rig = make_rig(station)
    tripped(rig)
    with pytest.raises(Trip):
        rig.live.reset(by="M. Example")
    assert [alarm.kind for alarm in rig.live.alarms] == [AlarmKind.INTERLOCK_OPENED]


def test_a_reset_needs_a_name(make_rig: MakeRig) -> None:
    """It goes into the record."""
    rig = make_rig("orrin")
    with pytest.raises(Refused, match="--by"):
        rig.live.reset(by=" ")


def test_a_lost_tester_with_its_output_on_latches(make_rig: MakeRig) -> None:
    """Silence with an output on is never ordinary."""
    rig = make_rig("orrin")
    rig.during(Phase.HOLD, lambda: setattr(rig.tester.faults, "mute", True))
    result = rig.run()
    assert result.outcome is Outcome.NO_VERDICT
    assert rig.live.alarms[0].kind in {AlarmKind.LINK_LOST, AlarmKind.UNCONFIRMED}


def test_what_somebody_ended_himself_latches_nothing(make_rig: MakeRig) -> None:
    """Ctrl-C is no alarm."""
    rig = make_rig("pell")
    rig.during(Phase.HOLD, lambda: rig.live.cancel("stopped by SIGINT"))
    assert rig.run().outcome is Outcome.NO_VERDICT
    assert rig.live.alarms == ()
    result = rig.run()
    rig.check(result, Outcome.PASS)


def test_a_fail_latches_nothing(make_rig: MakeRig) -> None:
    """A bad product is no alarm of the station."""
    from tests.faults.stations import LEAKY

    rig = make_rig("stave", unit=LEAKY)
    rig.run()
    assert rig.live.alarms == ()


@pytest.mark.parametrize(
    ("fault", "alarm"),
    [(KeyboardInterrupt(), None), (Unconfirmed("?"), AlarmKind.UNCONFIRMED)],
)
def test_ctrl_c_in_python_is_no_alarm_and_what_was_not_proved_is_named_so(
    fault: BaseException, alarm: AlarmKind | None
) -> None:
    """The station itself ended safe both times."""
    struck = Struck(fault, RunPhase.CONFIRMING, begun=True)
    assert alarm_of(struck, SafeOff(True, True)) is alarm


def test_behind_an_enable_a_testers_own_input_must_be_closed_for_a_reset_too(
    make_rig: MakeRig,
) -> None:
    """It is asked with the enable on; without that it would say nothing."""
    own = "  - {name: door, stale_after: 800 ms, source: {kind: tester, tester: orrin}}\n"
    rig = make_rig("orrin", inputs=own, extra=EXTRA)
    tripped(rig)
    with pytest.raises(Trip, match="door"):
        rig.live.reset(by="M. Example")
    assert rig.live.alarms
    assert not rig.bench.enabled
    rig.bench.guard_closed = True
    assert rig.live.reset(by="M. Example")
    assert not rig.bench.enabled


def test_an_enable_that_still_reads_on_is_not_reset(make_rig: MakeRig) -> None:
    """What latched the alarm is still there."""
    rig = make_rig("orrin")
    enable = with_enable(rig)
    tripped(rig)
    rig.bench.guard_closed = True
    enable.stuck_on = True
    with pytest.raises(Trip, match="enable"):
        rig.live.reset(by="M. Example")
    assert rig.live.alarms


@pytest.mark.parametrize("station", STATIONS)
def test_a_debounced_input_of_a_tester_lets_a_first_run_begin(
    make_rig: MakeRig, station: str
) -> None:
    """It is asked until it has been closed for its debounce time."""
    source = f"{{kind: tester, tester: {station}}}"
    inputs = f"  - {{name: door, debounce: 20 ms, stale_after: 800 ms, source: {source}}}\n"
    rig = make_rig(station, inputs=inputs)
    result = rig.run()
    rig.check(result, Outcome.PASS)


def test_alarm_and_reset_stand_in_the_chained_records(make_rig: MakeRig) -> None:
    """Who, when, which."""
    rig = make_rig("orrin")
    tripped(rig)
    rig.bench.guard_closed = True
    rig.live.reset(by="M. Example")
    rig.live.close()
    assert verify(rig.folder / "records.sqlite").ok
