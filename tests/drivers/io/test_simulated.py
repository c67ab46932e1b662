"""The block of the simulated bench, in virtual time, and the simulated device itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers.io.building import build_simulated
from drivers.io.simulated import SimulatedBlock
from drivers.simulators.io_block import OutputChange, SimulatedIo
from orchestrator.clock import VirtualClock
from orchestrator.contract import IoBlock, OutputBlock
from orchestrator.errors import Refused
from tests.drivers.io.rig import contact, entry

SCAN_S = 0.01


class FakeBench:
    """Has a guard and one block, whose input 0 the guard drives."""

    def __init__(self, **keys: Any) -> None:
        self.clock = VirtualClock()
        self.guard_closed = True
        self.device = SimulatedIo(
            self.clock, levels={0: lambda: self.guard_closed}, wires={7: 7}, **keys
        )

    def io_block(self, name: str) -> SimulatedIo:
        return {"rack": self.device}[name]

    def build(self, **keys: Any) -> SimulatedBlock:
        written = entry(simulated="yes", driver="simulated", drops_after="200 ms", **keys)
        return build_simulated(written, "rack", clock=self.clock, bench=self)


@pytest.fixture
def bench() -> FakeBench:
    return FakeBench()


def seen(output: OutputBlock) -> bool | None:
    return output.seen()


def on_at(bench: FakeBench, output: int) -> bool:
    return bench.device.terminals[output]


def scan(bench: FakeBench, block: IoBlock, *, seconds: float, on: bool | None = None) -> None:
    enable = block.output("enable", 1)
    for _ in range(round(seconds / SCAN_S)):
        bench.clock.advance(SCAN_S)
        block.bits()
        if on is not None:
            enable.refresh(on)


def test_the_guard_of_the_bench_drives_its_input(bench: FakeBench) -> None:
    """In the bench's time: closed at once, open a scan after it opens."""
    block = bench.build()
    guard = block.input("guard", contact(0), bench.clock)
    assert not block.real
    assert not guard.real
    assert guard.sample().closed
    bench.guard_closed = False
    bench.clock.advance(SCAN_S)
    sample = guard.sample()
    assert not sample.closed
    assert sample.at_s == SCAN_S


def test_an_output_is_on_while_refreshed_and_a_drop_is_at_once(bench: FakeBench) -> None:
    """The log tells each change with its time and cause."""
    block = bench.build()
    scan(bench, block, seconds=0.05, on=True)
    enable = block.output("enable", 1)
    assert on_at(bench, 1)
    assert enable.seen()
    assert enable.problem(bench.clock.monotonic()) is None
    enable.drop()
    assert not on_at(bench, 1)
    assert seen(enable) is False
    assert replace(bench.device.log[-1], at_s=0.05) == OutputChange(0.05, 1, False, "written")
    assert bench.device.log[-1].at_s == pytest.approx(0.05)


def test_an_order_that_is_not_refreshed_lapses_though_the_scan_runs(bench: FakeBench) -> None:
    """Inputs are read on, enable isn't refreshed: off after 100 ms."""
    block = bench.build()
    scan(bench, block, seconds=0.05, on=True)
    scan(bench, block, seconds=0.3)
    off = bench.device.log[-1]
    assert (off.on, off.cause) == (False, "written")
    assert 0.1 <= off.at_s - 0.05 <= 0.1 + 2 * SCAN_S


def test_a_dead_scan_leaves_it_to_the_watchdog_of_the_device(bench: FakeBench) -> None:
    """Nobody calls the block: off exactly when the watchdog's time is over."""
    block = bench.build()
    scan(bench, block, seconds=0.05, on=True)
    bench.clock.advance(10.0)
    off = bench.device.log[-1]
    assert (off.on, off.cause) == (False, "watchdog")
    assert off.at_s == pytest.approx(0.05 + 0.2)


def test_a_mute_device_opens_inputs_and_comes_back_with_outputs_off(bench: FakeBench) -> None:
    """As behind a coupler: unreadable is open, off first afterwards."""
    block = bench.build()
    guard = block.input("guard", contact(0), bench.clock)
    enable = block.output("enable", 1)
    scan(bench, block, seconds=0.05, on=True)
    bench.device.mute = True
    scan(bench, block, seconds=0.03, on=True)
    assert not guard.sample().closed
    assert "no reply" in guard.sample().detail
    assert guard.sample().at_s == pytest.approx(0.05)
    assert "no reply" in str(enable.problem(bench.clock.monotonic()))
    bench.device.mute = False
    scan(bench, block, seconds=0.03, on=True)
    assert guard.sample().closed
    causes = [(change.on, change.cause) for change in bench.device.log]
    assert causes == [(True, "written"), (False, "written"), (True, "written")]


def test_a_frozen_backplane_is_found_in_virtual_time_too() -> None:
    """Life sign at input 7, turned by output 7; alive as soon as it is built."""
    bench = FakeBench()
    block = bench.build(life_sign={"input": "7", "follows": "7", "changes_within": "100 ms"})
    guard = block.input("guard", contact(0), bench.clock)
    assert guard.sample().closed
    scan(bench, block, seconds=1.0)
    assert guard.sample().closed
    bench.device.freeze(True)
    scan(bench, block, seconds=0.12)
    assert not guard.sample().closed
    assert "life sign" in guard.sample().detail


def test_silence_proves_the_watchdog_in_virtual_time(bench: FakeBench) -> None:
    """Nothing is written; what the device did is read before anything is."""
    block = bench.build()
    scan(bench, block, seconds=0.05, on=True)
    block.silence(0.5)
    scan(bench, block, seconds=0.6, on=True)
    assert block.outputs_after_silence == (False,) * 8
    assert [change.cause for change in bench.device.log[:2]] == ["written", "watchdog"]


def test_closing_leaves_the_outputs_off(bench: FakeBench) -> None:
    """And every later order is void."""
    block = bench.build()
    scan(bench, block, seconds=0.05, on=True)
    enable = block.output("enable", 1)
    block.close()
    enable.refresh(True)
    enable.drop()
    assert block.proved_off
    assert not any(bench.device.terminals)
    assert enable.seen() is None
    assert "closed" in str(enable.problem(0.0))


def test_listeners_hear_of_every_change_of_a_terminal(bench: FakeBench) -> None:
    """So that the bench can let enable act on its testers."""
    heard: list[tuple[int, bool]] = []
    bench.device.on_output(lambda number, on: heard.append((number, on)))
    block = bench.build()
    scan(bench, block, seconds=0.05, on=True)
    bench.clock.advance(1.0)
    scan(bench, block, seconds=0.05, on=True)
    bench.device.power_cycle()
    assert heard == [(1, True), (1, False), (1, True), (1, False)]
    assert bench.device.log[-1].cause == "power"


def test_what_a_simulated_bench_lacks_is_refused(bench: FakeBench) -> None:
    """No bench, no such block, or an entry that claims to be real."""
    written = entry(simulated="yes", driver="simulated")
    for there in (None, object()):
        with pytest.raises(Refused, match="simulated bench"):
            build_simulated(written, "rack", clock=bench.clock, bench=there)
    with pytest.raises(Refused, match="no such block"):
        build_simulated(written, "other", clock=bench.clock, bench=bench)
    with pytest.raises(Refused, match="simulated: yes"):
        build_simulated(entry(), "rack", clock=bench.clock, bench=bench)
