"""Fails every exchange of the demo in every way: ``python -m tests.sweep [--count N --seed S]``.

Ends with 1 if anything was found. ``--case`` repeats one: station, course, fault, instrument and
number as a finding names them.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
from pathlib import Path

from rich.console import Console

from orchestrator.clock import SystemClock
from tests.sweep.cases import Case, Seen, all_cases, baselines, sampled
from tests.sweep.sites import read_profiles_once
from tests.sweep.table import LEGEND, exchanges, outcomes
from tests.sweep.workers import in_memory, sweep

NARROWEST = 110
"""The table's lines aren't broken, whatever the terminal says."""
TOLD_EVERY = 1000


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.sweep", description=__doc__)
    parser.add_argument("--count", type=int, help="a sample of about so many (default: all)")
    parser.add_argument("--seed", type=int, default=1, help="of the sample and the order")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--case", nargs=5, metavar=("STATION", "COURSE", "FAULT", "INSTR", "N"))
    return parser.parse_args()


def _chosen(options: argparse.Namespace, cases: tuple[Case, ...]) -> tuple[Case, ...]:
    if options.case:
        letter, course, fault, instrument, number = options.case
        wanted = (letter, course, fault, instrument, int(number))
        return tuple(
            c
            for c in cases
            if (c.letter, c.course, c.fault, c.message.instrument, c.message.number) == wanted
        )
    return cases if options.count is None else sampled(cases, options.count, options.seed)


def main() -> int:
    """Sweep, print, and say whether anything was found. Ctrl-C shows what was done so far."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.default_int_handler)
    options = _options()
    console, clock = Console(), SystemClock()
    console.width = max(console.width, NARROWEST)
    read_profiles_once()
    with tempfile.TemporaryDirectory(prefix="ohmward-sweep-", dir=in_memory()) as folder:
        lines = baselines(Path(folder))
    console.print(exchanges(lines))
    cases = list(_chosen(options, all_cases(lines)))
    random.Random(options.seed).shuffle(cases)  # a part of it is a fair sample then
    if not cases:
        console.print("no such case")
        return 2
    begin_s = clock.monotonic()
    seen: list[Seen] = []
    try:
        for one in sweep(cases, options.workers):
            seen.append(one)
            for finding in one.findings:
                console.print(f"FOUND {one.case}: {finding}", highlight=False, soft_wrap=True)
            if len(seen) % TOLD_EVERY == 0:
                told = f"{len(seen)} of {len(cases)} after {clock.monotonic() - begin_s:.0f} s"
                console.print(told, highlight=False)
    except KeyboardInterrupt:
        console.print(f"interrupted: {len(seen)} of {len(cases)} were tried", highlight=False)
    took_s = clock.monotonic() - begin_s
    console.print(outcomes(seen))
    console.print(LEGEND, highlight=False)
    rate = len(seen) / took_s / max(1, options.workers)
    console.print(
        f"{len(seen)} runs in {took_s:.0f} s by {options.workers} processes: "
        f"{rate:.1f} runs per second and process",
        highlight=False,
    )
    return 1 if len(seen) < len(cases) or any(one.findings for one in seen) else 0


if __name__ == "__main__":
    sys.exit(main())
