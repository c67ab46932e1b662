"""Between runs: what must not be is found, stopped and latched."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from orchestrator.model.alarms import AlarmKind
from orchestrator.model.schedule import Contact
from orchestrator.model.words import Outcome, Role
from orchestrator.running.idle import Found
from orchestrator.running.interlock import RunCancelled
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS
from tests.runs.test_enable import _for, with_enable
from tests.runs.test_remote_io import EXTRA, INPUTS


def at(rig: Rig, after_s: float, action: Callable[[], Any]) -> None:
    until_s = rig.clock.monotonic() + after_s
    rig.when(lambda: rig.clock.monotonic() >= until_s, action)


@pytest.mark.parametrize("station", STATIONS)
def test_a_quiet_station_stays_ready_and_runs_afterwards(make_rig: MakeRig, station: str) -> None:
    """Ten seconds of watching move nothing."""
    rig = make_rig(station)
    rig.live.idle(_for(rig, 10))
    assert rig.output.starts == 0
    assert rig.live.alarms == ()
    assert rig.run().outcome is Outcome.PASS
    rig.live.idle(_for(rig, 2))
    result = rig.run()
    rig.check(result, Outcome.PASS)


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_opened_between_runs_is_told_and_no_alarm(make_rig: MakeRig, station: str) -> None:
    """Somebody changes the unit."""
    rig = make_rig(station)
    rig.live.take_over()
    at(rig, 0.5, rig.open_guard)
    at(rig, 1.5, lambda: setattr(rig.bench, "guard_closed", True))
    rig.live.idle(_for(rig, 3))
    ready = [n.data["ready"] for n in rig.notices if n.kind == "idle"]
    assert ready == [True, False, True]
    assert rig.live.alarms == ()


@pytest.mark.parametrize("station", STATIONS)
def test_an_output_that_nobody_ordered_is_stopped_and_latched(
    make_rig: MakeRig, station: str
) -> None:
    """Front panel, second computer: found, stopped, off and discharged soon afterwards."""
    rig = make_rig(station)
    rig.run()
    order = rig.output.order
    assert order is not None
    started: list[float] = []

    def front_panel() -> None:
        started.append(rig.clock.monotonic())
        rig.output.start(order)

    at(rig, 0.5, front_panel)
    enable = with_enable(rig)
    rig.bench.enabled = True  # a station whose enable was wired wrongly: it doesn't help here
    with pytest.raises(Found) as found:
        rig.live.idle(_for(rig, 5))
    assert found.value.alarm is AlarmKind.UNORDERED_OUTPUT
    assert rig.clock.monotonic() - started[0] < 13
    assert not enable.on
    assert [alarm.kind for alarm in rig.live.alarms] == [AlarmKind.UNORDERED_OUTPUT]
    assert not rig.bench.state().any_on


def test_lost_protections_are_found(make_rig: MakeRig) -> None:
    """A power cycle takes an Orrin's guard watch with it."""
    rig = make_rig("orrin")
    rig.live.take_over()
    at(rig, 0.5, rig.tester.power_cycle)
    with pytest.raises(Found) as found:
        rig.live.idle(_for(rig, 5))
    assert found.value.alarm is AlarmKind.PROTECTIONS_LOST


@pytest.mark.parametrize("station", STATIONS)
def test_a_relay_closed_by_somebody_else_is_found(make_rig: MakeRig, station: str) -> None:
    """Read back against 'all open'."""
    rig = make_rig(station)
    rig.live.take_over()
    chain = next(iter(rig.live.controller.rack.chains.values()))
    seen = frozenset({Contact(chain.name, "u", "hv", 1, Role.SOURCE)})
    real: Any = chain.adapter

    class Moved:
        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

        def read_back(self) -> Any:
            yield from real.read_back()
            return seen

    at(rig, 0.5, lambda: setattr(chain, "adapter", Moved()))
    with pytest.raises(Found) as found:
        rig.live.idle(_for(rig, 5))
    assert found.value.alarm is AlarmKind.RELAYS_DIFFER


def test_a_tester_that_turns_mute_between_runs_is_an_alarm(make_rig: MakeRig) -> None:
    """Silence could be an output that is on."""
    rig = make_rig("pell")
    rig.live.take_over()
    at(rig, 0.5, lambda: setattr(rig.tester.faults, "mute", True))
    with pytest.raises(Found) as found:
        rig.live.idle(_for(rig, 30))
    assert found.value.alarm is AlarmKind.LINK_LOST
    assert rig.live.alarms


def test_an_enable_that_reads_on_between_runs_is_an_alarm(make_rig: MakeRig) -> None:
    """It is ordered off then; somebody or something holds it."""
    rig = make_rig("orrin")
    enable = with_enable(rig)
    rig.live.take_over()
    enable.stuck_on = True
    with pytest.raises(Found) as found:
        rig.live.idle(_for(rig, 5))
    assert found.value.alarm is AlarmKind.ENABLE_UNSURE


def test_a_testers_own_input_behind_the_enable_says_nothing_between_runs(
    make_rig: MakeRig,
) -> None:
    """It reads open as long as the enable is off: neither 'not ready' nor an alarm."""
    source = "{kind: tester, tester: orrin}"
    own = f"  - {{name: own, stale_after: 800 ms, source: {source}}}\n"
    rig = make_rig("orrin", inputs=INPUTS + own, extra=EXTRA)
    rig.live.idle(_for(rig, 1))
    assert [n.data["ready"] for n in rig.notices if n.kind == "idle"] == [True]


def test_a_display_that_fails_does_not_keep_an_alarm_from_being_latched(
    make_rig: MakeRig,
) -> None:
    """Safe-off, record and alarm come before whoever shows them."""
    rig = make_rig("orrin")
    rig.live.take_over()

    def failing(_: Any) -> None:
        raise RuntimeError("display")

    def mute() -> None:
        rig.tester.power_cycle()
        object.__setattr__(rig.live.controller._show, "_show", failing)

    at(rig, 0.5, mute)
    with pytest.raises(Found):
        rig.live.idle(_for(rig, 5))
    assert [alarm.kind for alarm in rig.live.alarms] == [AlarmKind.PROTECTIONS_LOST]


def test_ctrl_c_ends_the_watch_with_the_station_still_ready(make_rig: MakeRig) -> None:
    """Nothing to make safe: nothing was on."""
    rig = make_rig("orrin")
    rig.live.take_over()
    at(rig, 0.5, lambda: rig.live.cancel("stopped by SIGINT"))
    with pytest.raises(RunCancelled):
        rig.live.idle(lambda: False)
    assert rig.live.alarms == ()
    assert rig.run().outcome is Outcome.PASS
