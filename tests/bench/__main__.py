"""Prints what the framework costs: ``python -m tests.bench [--quick] [--only WORD]``."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from rich.console import Console

from orchestrator.clock import SystemClock
from tests.bench.command_line import help_figure, memory_figure
from tests.bench.exchange_cost import exchange_figures
from tests.bench.figures import Figure, show
from tests.bench.io_jitter import io_figures
from tests.bench.kill_and_sweep import sweep_figure, take_over_figures
from tests.bench.plan_cost import SIZES, plan_figures
from tests.bench.probe_cost import probe_figures
from tests.bench.step_cost import step_figures
from tests.bench.trip_to_stop import trip_figure
from tests.bench.whole_program import program_figure

FAILED = "FAILED"
Part = Callable[[Path], list[Figure]]


def parts(*, quick: bool) -> dict[str, Part]:
    """Each part of the table with how often it measures."""
    few = 5 if quick else 1
    return {
        "exchange": lambda folder: exchange_figures(folder, rounds=1000 // few),
        "step": lambda folder: step_figures(folder, runs=50 // few, commits=500 // few),
        "program": lambda folder: [program_figure(folder, pairs=2 if quick else 5)],
        "trip": lambda folder: [trip_figure(folder, trips=500 // few)],
        "io": lambda _: io_figures(rounds=2000 // few, drops=500 // few),
        "probe": lambda folder: probe_figures(folder, probes=1 if quick else 5),
        "take-over": lambda folder: take_over_figures(folder, kills=1 if quick else 5),
        "plan": lambda _: plan_figures(
            sizes=(10, 100, 1000) if quick else SIZES, random_nets=60 if quick else 200
        ),
        "help": lambda _: [help_figure(times=10 // few)],
        "memory": lambda folder: [memory_figure(folder)],
        "sweep": lambda folder: [sweep_figure(folder, runs=585 // few)],  # keeps profiles in memory
    }


def main() -> int:
    """Measure and print; 1 if a part couldn't be measured. A missed goal shows in the table."""
    known = parts(quick=False)
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repetitions, rougher figures")
    parser.add_argument("--only", choices=tuple(known), action="append", help="this part alone")
    options = parser.parse_args()
    console, clock = Console(), SystemClock()
    begin_s = clock.monotonic()
    figures: list[Figure] = []
    for name, part in parts(quick=options.quick).items():
        if options.only and name not in options.only:
            continue
        console.print(f"measuring: {name} …", highlight=False)
        with tempfile.TemporaryDirectory(prefix="ohmward-bench-") as folder:
            try:
                figures += part(Path(folder))
            except Exception as error:
                what = f"{type(error).__name__}: {error}"[:600]
                figures.append(Figure(name, FAILED, "-", False, what))
    show(figures, console)
    console.print(f"measured in {clock.monotonic() - begin_s:.0f} s", highlight=False)
    return 1 if any(figure.figure == FAILED for figure in figures) else 0


if __name__ == "__main__":
    sys.exit(main())
