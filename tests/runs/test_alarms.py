"""Alarms outlive the process; only a person's reset with the inputs closed clears them."""

from __future__ import annotations

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.errors import Refused
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.words import Outcome
from orchestrator.records.verify import verify
from orchestrator.running.interlock import Trip
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS


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


def test_alarm_and_reset_stand_in_the_chained_records(make_rig: MakeRig) -> None:
    """Who, when, which."""
    rig = make_rig("orrin")
    tripped(rig)
    rig.bench.guard_closed = True
    rig.live.reset(by="M. Example")
    rig.live.close()
    assert verify(rig.folder / "records.sqlite").ok
