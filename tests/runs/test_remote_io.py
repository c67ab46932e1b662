"""A whole station with its guard, enable and lamp on a remote I/O block, in virtual time."""

from __future__ import annotations

import pytest

from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.output_models import Phase
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.words import Outcome
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS
from tests.runs.test_enable import _for

INPUTS = """\
  - {name: guard, source: {kind: io, block: b, input: 0, second: {input: 1, moves: opposite}},
     debounce: 20 ms, stale_after: 100 ms}
"""
EXTRA = """\
io:
  b: {host: simulated, drops_after: 200 ms, simulated: yes, driver: simulated,
      life_sign: {input: 7, follows: 7}}
outputs:
  enable: {block: b, output: 0, feeds_relay_coils: no, settle: 50 ms}
  green_lamp: {block: b, output: 1}
"""
ENABLE, LAMP = 0, 1


def on_io(make_rig: MakeRig, station: str) -> tuple[Rig, SimulatedIo]:
    rig = make_rig(station, inputs=INPUTS, extra=EXTRA)
    return rig, rig.bench.io_block("b")


def changes(block: SimulatedIo, output: int) -> list[bool]:
    return [change.on for change in block.log if change.output == output]


@pytest.mark.parametrize("station", STATIONS)
def test_a_run_is_enabled_and_a_ready_station_shows_green(make_rig: MakeRig, station: str) -> None:
    """Green before and after, never while the enable is on."""
    rig, block = on_io(make_rig, station)
    rig.live.idle(_for(rig, 0.5))
    result = rig.run()
    rig.live.idle(_for(rig, 0.5))
    assert changes(block, ENABLE) == [True, False]
    assert changes(block, LAMP) == [True, False, True]
    rig.check(result, Outcome.PASS)


@pytest.mark.parametrize("station", STATIONS)
def test_on_a_trip_the_enable_is_off_within_debounce_period_and_scan(
    make_rig: MakeRig, station: str
) -> None:
    """20 ms debounce, at most two periods and a scan of 10 ms each, in virtual time."""
    rig, block = on_io(make_rig, station)
    opened: list[float] = []

    def open_guard() -> None:
        opened.append(rig.clock.monotonic())
        rig.open_guard()

    rig.during(Phase.HOLD, open_guard)
    result = rig.run()
    off = [c.at_s for c in block.log if c.output == ENABLE and not c.on][-1]
    assert off - opened[0] <= 0.0501
    assert rig.live.alarms[0].kind is AlarmKind.INTERLOCK_OPENED
    rig.check(result)


def test_a_block_that_falls_mute_is_an_open_interlock(make_rig: MakeRig) -> None:
    """Stale counts as open; its own watchdog then drops the enable."""
    rig, block = on_io(make_rig, "orrin")
    rig.during(Phase.HOLD, lambda: setattr(block, "deaf", True))
    result = rig.run()
    assert result.outcome is Outcome.NO_VERDICT
    rig.clock.sleep(0.2)
    assert not block.terminals[ENABLE]
    assert [c.cause for c in block.log if c.output == ENABLE][-1] == "watchdog"
    rig.check(result)


def test_a_frozen_backplane_is_an_open_interlock_though_the_coupler_answers(
    make_rig: MakeRig,
) -> None:
    """A fresh reply doesn't prove a live backplane; the life sign stands still."""
    rig, block = on_io(make_rig, "pell")
    rig.during(Phase.HOLD, lambda: block.freeze(True))
    result = rig.run()
    assert result.outcome is Outcome.NO_VERDICT
    assert "life sign" in result.reason
    rig.check(result)


def test_a_new_process_finds_the_enable_off(make_rig: MakeRig) -> None:
    """Whatever the last one left."""
    rig, block = on_io(make_rig, "stave")
    rig.run()
    rig.live.close()
    assert not any(block.terminals[:2])


def test_a_contradiction_of_the_two_channels_is_an_open_interlock(make_rig: MakeRig) -> None:
    """One contact of the pair sticks: longer than allowed is open."""
    rig, block = on_io(make_rig, "orrin")
    levels = block._levels

    def stick() -> None:
        levels[1] = lambda: True

    rig.during(Phase.HOLD, stick)
    result = rig.run()
    assert result.outcome is Outcome.NO_VERDICT
    rig.check(result)
