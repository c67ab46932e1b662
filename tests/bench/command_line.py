"""What the command line takes: time to its help, memory of a run."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from orchestrator.clock import SystemClock
from tests.bench.figures import Figure, median

HELP_GOAL_S = 0.2
MEMORY_GOAL_MB = 100.0
LOOK_S = 0.002
CLOCK = SystemClock()


def _command() -> list[str]:
    """The installed command beside this interpreter, else the module behind it."""
    beside = shutil.which("ohmward", path=str(Path(sys.executable).parent))
    if beside is not None:
        return [beside]
    return [sys.executable, "-c", "from orchestrator.cli.main import run; run()"]


def help_figure(*, times: int) -> Figure:
    """Wall time of ``ohmward --help``."""
    command = [*_command(), "--help"]
    took_s: list[float] = []
    for _ in range(times + 1):
        start_s = CLOCK.monotonic()
        subprocess.run(command, check=True, capture_output=True)
        took_s.append(CLOCK.monotonic() - start_s)
    del took_s[0]  # the first one fills the caches of the disk
    middle_s = median(took_s)
    return Figure(
        "ohmward --help",
        f"{middle_s:.3f} s",
        f"< {HELP_GOAL_S} s",
        middle_s < HELP_GOAL_S,
        f"median of {times} starts of the process, from start to its end; between "
        f"{min(took_s):.3f} and {max(took_s):.3f} s.",
    )


def memory_figure(folder: Path) -> Figure:
    """Peak resident memory of a run on a scaffolded station."""
    station = folder / "scaffolded"
    command = _command()
    subprocess.run([*command, "new", str(station)], check=True, capture_output=True)
    files = [str(station / "station.yaml"), str(station / "program.yaml")]
    peak_mb, how = _peak_mb([*command, "run", *files, "--serial", "BENCH-1", "--yes"], folder)
    goal = f"< {MEMORY_GOAL_MB:g} MB"
    if peak_mb is None:
        return Figure("peak memory of a run", "not measured", goal, None, how)
    return Figure(
        "peak memory of a run",
        f"{peak_mb:.1f} MB",
        goal,
        peak_mb < MEMORY_GOAL_MB,
        f"`ohmward run` on a station of `ohmward new`, simulators in the same process; {how}.",
    )


def _peak_mb(command: list[str], folder: Path) -> tuple[float | None, str]:
    output = folder / "run.txt"
    with output.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=out) as process:
        status = Path(f"/proc/{process.pid}/status")
        if not status.exists():
            process.wait()
            return None, "this system has no /proc to read the peak from"
        peak_kb = 0
        while process.poll() is None:
            peak_kb = max(peak_kb, _high_water_kb(status))
            CLOCK.sleep(LOOK_S)
    if process.returncode != 0:
        text = output.read_text(encoding="utf-8", errors="replace")
        raise ValueError(f"{' '.join(command)} ended with {process.returncode}:{os.linesep}{text}")
    return peak_kb / 1000 * 1.024, "VmHWM of the process, read every 2 ms until it ends"


def _high_water_kb(status: Path) -> int:
    """The process's own peak so far: unlike ru_maxrss it leaves out what forked it."""
    try:
        lines = status.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return 0  # it has just ended
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), 0)
