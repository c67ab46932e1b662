"""A trip over a real socket: what the I/O simulator sees of the enable, in real time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.io_serve import IoServer
from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import SystemClock
from orchestrator.documents import read_document
from orchestrator.formulas.stop_time import CONTACTOR_S
from orchestrator.model.program import Program
from orchestrator.model.words import Outcome
from orchestrator.running.rack import Notice
from tests.faults.stations import write_station

INPUTS = """\
  - {name: guard, source: {kind: io, block: b, input: 0, second: {input: 1, moves: opposite}},
     debounce: 20 ms, stale_after: 100 ms}
"""
EXTRA = """\
io:
  b: {host: 127.0.0.1, port: PORT, drops_after: 200 ms, simulated: yes,
      life_sign: {input: 7, follows: 7}}
outputs:
  enable: {block: b, output: 0, feeds_relay_coils: no, settle: 50 ms}
  green_lamp: {block: b, output: 1}
"""
ENABLE = 0


class Guard:
    closed = True


@pytest.fixture
def guard() -> Guard:
    return Guard()


@pytest.fixture
def block(guard: Guard) -> Iterator[tuple[SimulatedIo, IoServer]]:
    levels = {0: lambda: guard.closed, 1: lambda: not guard.closed}
    io = SimulatedIo(SystemClock(), levels=levels, wires={7: 7}, drops_after_s=0.2)
    with IoServer(io, SystemClock()) as server:
        yield io, server


def station(folder: Path, port: int) -> Path:
    return write_station(folder, "orrin", inputs=INPUTS, extra=EXTRA.replace("PORT", str(port)))


@pytest.mark.slow
def test_the_enable_drops_within_the_stated_time_of_the_guard_opening(
    tmp_path: Path, guard: Guard, block: tuple[SimulatedIo, IoServer]
) -> None:
    """Measured at the block's terminals; the budget without the contactor behind them."""
    io, server = block
    clock = SystemClock()
    opened: list[float] = []
    live: LiveStation

    def show(notice: Notice) -> None:
        if notice.kind == "live" and notice.data["state"] == "dwelling" and not opened:
            opened.append(clock.monotonic())
            guard.closed = False

    with open_station(station(tmp_path, server.port), show=show) as live:
        budget = next(t for t in live.plan.stop_times() if t.name == "enable output")
        program = read_document(tmp_path / "short.yaml", Program)
        result = live.run(program, serial="K1")
        assert result.outcome is Outcome.NO_VERDICT
        assert "guard" in result.reason
    dropped = next(c for c in io.log if c.output == ENABLE and not c.on)
    assert dropped.cause == "written"
    # The spare is the computer's: two busy cores may hold a thread up by a few milliseconds.
    spare_s = 0.03
    assert 0 <= dropped.at_s - opened[0] <= budget.total_s - CONTACTOR_S + spare_s
    assert not any(io.terminals[:2])


@pytest.mark.slow
def test_a_coupler_whose_cable_is_pulled_ends_the_run_and_drops_by_itself(
    tmp_path: Path, block: tuple[SimulatedIo, IoServer]
) -> None:
    """Nothing can be written any more: its own watchdog drops the enable."""
    io, server = block
    pulled: list[bool] = []

    def show(notice: Notice) -> None:
        if notice.kind == "live" and notice.data["state"] == "dwelling" and not pulled:
            pulled.append(True)
            server.fault = "half_open"

    with open_station(station(tmp_path, server.port), show=show) as live:
        program = read_document(tmp_path / "short.yaml", Program)
        result = live.run(program, serial="K1")
        assert result.outcome is Outcome.NO_VERDICT
        assert live.alarms
    SystemClock().sleep(0.25)
    assert not io.terminals[ENABLE]
