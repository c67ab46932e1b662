"""The enable output: on during a run only, gone at once on a trip; the green lamp."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.words import Outcome
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS
from tests.runs.doubles import BenchEnable


def with_enable(rig: Rig, **more: Any) -> BenchEnable:
    enable = BenchEnable(rig.bench)
    rack = rig.live.controller.rack
    for name, value in {"enable": enable, "enable_settle_s": 0.05, **more}.items():
        object.__setattr__(rack, name, value)
    return enable


@pytest.mark.parametrize("station", STATIONS)
def test_the_enable_is_on_during_a_run_only(make_rig: MakeRig, station: str) -> None:
    """The testers' interlock contacts lie in series with it: without it nothing would start."""
    rig = make_rig(station)
    enable = with_enable(rig)
    result = rig.run()
    assert [on for _, on in enable.log] == [True, False]
    rig.check(result, Outcome.PASS)


def test_while_it_is_on_it_is_refreshed_at_every_scan(make_rig: MakeRig) -> None:
    """An enable that isn't refreshed drops by itself; a scan is 10 ms."""
    rig = make_rig("orrin")
    enable = with_enable(rig)
    rig.run()
    (on_s, _), (off_s, _) = enable.log
    times = [t for t in enable.refreshed_s if on_s <= t <= off_s]
    assert max(b - a for a, b in pairwise(times)) < 0.0211


@pytest.mark.parametrize("station", STATIONS)
def test_on_a_trip_it_drops_in_the_same_scan_as_the_stop(make_rig: MakeRig, station: str) -> None:
    """Not after anything has been confirmed."""
    rig = make_rig(station)
    enable = with_enable(rig)
    opened: list[float] = []

    def open_guard() -> None:
        opened.append(rig.clock.monotonic())
        rig.open_guard()

    rig.during(Phase.HOLD, open_guard)
    result = rig.run()
    dropped_s = enable.log[-1][0]
    assert not enable.log[-1][1]
    inputs = rig.live.controller.rack.tester_inputs
    if not inputs:  # a tester that is asked answers when it does
        assert dropped_s - opened[0] <= 0.011
    rig.check(result)


def test_a_guard_opened_between_steps_drops_it_at_once(make_rig: MakeRig) -> None:
    """No output is on then, but one could be."""
    rig = make_rig("orrin")
    enable = with_enable(rig)
    rig.at_phase("judging", rig.open_guard)
    result = rig.run()
    assert not enable.on
    assert result.outcome is Outcome.NO_VERDICT
    assert rig.live.alarms[0].kind is AlarmKind.INTERLOCK_OPENED


def test_an_enable_that_cannot_be_relied_on_ends_the_run(make_rig: MakeRig) -> None:
    """A block that no longer answers may leave it on."""
    rig = make_rig("pell")
    enable = with_enable(rig)
    rig.during(Phase.HOLD, lambda: setattr(enable, "unsure", "no answer for 120 ms"))
    result = rig.run()
    assert "enable output: no answer for 120 ms" in result.reason
    assert not enable.on
    assert [alarm.kind for alarm in rig.live.alarms] == [AlarmKind.ENABLE_UNSURE]
    rig.check(result)


def test_it_stays_off_where_the_guard_stands_open_at_the_start(make_rig: MakeRig) -> None:
    """Nothing is enabled with an input open, and nothing is latched: no run was under way."""
    rig = make_rig("orrin")
    enable = with_enable(rig)
    rig.open_guard()
    result = rig.run()
    assert enable.log == []
    assert result.outcome is Outcome.NO_VERDICT
    assert rig.live.alarms == ()


@pytest.mark.parametrize("station", STATIONS)
def test_the_green_lamp_shows_proved_safe_and_nothing_else(make_rig: MakeRig, station: str) -> None:
    """EN 50191, as quoted in DGUV Information 203-034, 2.10: green is 'ready', supply secured."""
    rig = make_rig(station)
    lamp = BenchEnable(rig.bench)
    rig.bench.enabled = True
    with_enable(rig, green_lamp=lamp)
    lit: list[bool] = []

    def noting(on: bool) -> None:
        lit.append(on)
        assert not (on and rig.bench.state().any_on)

    object.__setattr__(lamp, "refresh", noting)
    rig.live.idle(_for(rig, 0.3))
    assert lit[-1]
    lit.clear()
    assert rig.run().outcome is Outcome.PASS
    assert False in lit
    rig.live.idle(_for(rig, 0.3))
    assert lit[-1]


@pytest.mark.parametrize("station", STATIONS)
def test_without_an_enable_the_green_lamp_is_dark_all_through_a_run(
    make_rig: MakeRig, station: str
) -> None:
    """From accepting a run until safe-off has proved the station again, a trip included."""
    rig = make_rig(station)
    lamp = BenchEnable(rig.bench)
    rig.bench.enabled = True
    object.__setattr__(rig.live.controller.rack, "green_lamp", lamp)
    lit: list[str] = []

    def noting(on: bool) -> None:
        phases = [n.data["phase"] for n in rig.notices if n.kind == "phase"]
        if on and phases[-1:] != ["ready"]:
            lit.append(phases[-1])

    object.__setattr__(lamp, "refresh", noting)
    rig.live.idle(_for(rig, 0.3))
    rig.during(Phase.HOLD, rig.open_guard, step="withstand coil")
    assert rig.run().outcome is Outcome.NO_VERDICT
    assert lit == []


def _for(rig: Rig, seconds: float) -> Any:
    until_s: list[float] = []

    def ended() -> bool:
        until_s[:] = until_s or [rig.clock.monotonic() + seconds]
        return rig.clock.monotonic() >= until_s[0]

    return ended
