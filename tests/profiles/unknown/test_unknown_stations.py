"""Instruments brought up by a profile alone, through the whole stack: station, binding, engine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import pytest

from drivers.simulators.bench import SIMULATORS
from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import VirtualClock
from orchestrator.documents import read_document
from orchestrator.errors import OhmwardError
from orchestrator.model.program import Program
from orchestrator.model.record import RunResult
from orchestrator.model.words import Outcome
from tests.profiles.unknown.dapple.bench_of_manual import KIND as DAPPLE
from tests.profiles.unknown.marl.bench_of_manual import KIND as MARL
from tests.profiles.unknown.stations import LEAKY_UNIT, UNIT, write
from tests.profiles.unknown.thicket.bench_of_manual import KIND as THICKET

BOTH = pytest.mark.parametrize("station", ["rack", "own"])


@contextmanager
def opened(folder: Path, station: str, unit: str = UNIT) -> Iterator[LiveStation]:
    path, _ = write(folder, station, unit)
    with (
        patch.dict(SIMULATORS, {**DAPPLE, **MARL, **THICKET}),
        open_station(path, clock=VirtualClock()) as live,
    ):
        yield live


def run(live: LiveStation, folder: Path) -> RunResult:
    return live.run(read_document(folder / "program.yaml", Program), serial="K1")


@BOTH
def test_a_good_unit_passes_every_step(station: str, tmp_path: Path) -> None:
    """Bonding or continuity, insulation, withstand; nothing on the bench was violated."""
    with opened(tmp_path, station) as live:
        result = run(live, tmp_path)
        assert [step.outcome for step in result.steps] == [Outcome.PASS] * 3, result.reason
        assert result.outcome is Outcome.PASS
        assert live.bench.violations == ()
        assert live.bench.state().closed == frozenset()


@BOTH
def test_a_leaky_unit_fails(station: str, tmp_path: Path) -> None:
    """1 Mohm from neutral to shell, where at least 2 Mohm are wanted."""
    with opened(tmp_path, station, LEAKY_UNIT) as live:
        result = run(live, tmp_path)
        assert result.outcome is Outcome.FAIL
        assert [step.outcome for step in result.steps][:2] == [Outcome.PASS, Outcome.FAIL]
        assert live.bench.violations == ()


@BOTH
def test_a_guard_that_opens_at_high_voltage_ends_the_run_safely(
    station: str, tmp_path: Path
) -> None:
    """No pass, output off, nothing violated."""
    with opened(tmp_path, station) as live:
        bench, clock = live.bench, live.clock
        assert isinstance(clock, VirtualClock)

        def open_guard(now_s: float) -> None:
            if any(output.on for output in bench.outputs.values()) and now_s > opens_s:
                bench.guard_closed = False

        opens_s = clock.monotonic() + 1.5
        clock.on_advance(open_guard)
        result = run(live, tmp_path)
        assert not bench.guard_closed
        assert result.outcome is not Outcome.PASS
        assert not bench.state().any_on
        assert bench.violations == ()


def test_a_welded_relay_of_the_rack_is_found_before_anything_is_energised(tmp_path: Path) -> None:
    """?11 and the read-back: no step is run, the message says what disagrees."""
    with opened(tmp_path, "rack") as live:
        live.bench.wiring.unit("rack/first").weld("high", 1, "source")
        try:
            told = run(live, tmp_path).reason
        except OhmwardError as error:
            told = str(error)
        assert "auxiliary contacts disagree" in told or "high/1" in told, told
        assert live.bench.violations == ()
