"""Take-over after SIGKILL until 'safe and ready', and the rate of the fault sweep."""

from __future__ import annotations

import shutil
from pathlib import Path

from orchestrator.clock import SystemClock
from tests.bench.figures import Figure, median
from tests.faults.stations import STATIONS
from tests.sweep.cases import all_cases, baselines, sampled, try_case
from tests.sweep.kill import FarStation, Killed
from tests.sweep.sites import read_profiles_once
from tests.sweep.workers import in_memory

CLOCK = SystemClock()
IN_THE_DWELL = 0.8
"""Share of a run's life at which its last step is on, or nearly so."""


def take_over_figures(folder: Path, *, kills: int) -> list[Figure]:
    """Kill runs that have an output on, each followed by a new process. Raises ValueError."""
    seen: list[Killed] = []
    for station in STATIONS:
        with FarStation(folder / station, station) as far:
            seen += [far.kill_at(IN_THE_DWELL) for _ in range(kills)]
    wrong = [one for one in seen if one.findings]
    if wrong:
        raise ValueError(f"not made safe: {wrong[0]}")
    on = sum(one.hit == "output on" for one in seen)
    how = (
        f"{len(seen)} runs of {len(STATIONS)} served stations killed with SIGKILL, {on} of them "
        "with an output on; stop, off and discharged confirmed, instruments identified, relays "
        "read and opened, old run closed"
    )
    return [
        _row("start of the new process", [one.take_over_s for one in seen], how),
        _row("its first byte to an instrument", [one.from_first_byte_s for one in seen], how),
    ]


def _row(since: str, times_s: list[float], how: str) -> Figure:
    middle_s = median(times_s)
    what = f"take-over after SIGKILL until safe and ready, from {since}"
    return Figure(
        what, f"{middle_s:.2f} s", "-", None, f"median, longest {max(times_s):.2f} s; {how}."
    )


def sweep_figure(folder: Path, *, runs: int) -> Figure:
    """Runs per second on one core. Raises ValueError where a run ends unsafe."""
    read_profiles_once()
    work = Path(in_memory() or folder)
    root = work / f"ohmward-sweep-{folder.name}"
    try:
        cases = sampled(all_cases(baselines(root)), runs, seed=1)
        begin_s = CLOCK.monotonic()
        seen = [try_case(case, root) for case in cases]
        took_s = CLOCK.monotonic() - begin_s
    finally:
        shutil.rmtree(root, ignore_errors=True)
    wrong = [one for one in seen if one.findings]
    if wrong:
        raise ValueError(f"{wrong[0].case}: {wrong[0].findings}")
    return Figure(
        "fault sweep",
        f"{len(seen) / took_s:.1f} runs/s per core",
        "-",
        None,
        f"{len(seen)} runs of the demo program with a failed exchange each, sampled over stations, "
        "courses and faults; all checks included, records in memory where that can be had.",
    )
