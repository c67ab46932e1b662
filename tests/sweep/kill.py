"""Kills a running ``ohmward run`` at random instants: ``python -m tests.sweep.kill --count 200``.

Real processes, real sockets: simulated instruments in one, the run in a second, which is killed
(SIGKILL), and in a third the take-over, a person's reset where one is needed, and another run.
Ends with 1 if anything was found.
"""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Self

from rich.console import Console
from rich.table import Table

from orchestrator.clock import SystemClock
from orchestrator.records.reader import list_runs
from orchestrator.records.verify import verify
from tests.bench.figures import median
from tests.faults.stations import STATIONS
from tests.sweep.checks import SAFE_AC_V, SAFE_DC_V

ROOT = Path(__file__).parents[2]
CLOCK = SystemClock()
TRIES = 3
TOO_LATE = "none: it was over already"
PLACES = (
    "before the run was accepted",
    "in the run, output off",
    "output on",
    "run ended, process not yet",
    TOO_LATE,
)
COMMAND = "from orchestrator.cli.main import run; run()"
Row = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Killed:
    """One cycle. Times in s; ``of_s``: how long an undisturbed run lives."""

    station: str
    at_s: float
    of_s: float
    hit: str
    take_over_s: float = 0.0
    from_first_byte_s: float = 0.0
    alarms: tuple[str, ...] = ()
    findings: tuple[str, ...] = field(default=())


class FarStation:
    """A station of a process of its own, and the cycles on it; use as a context manager.

    ``life_s``: how long an undisturbed run takes, process and all; measured where it isn't given.
    """

    def __init__(self, folder: Path, station: str, life_s: float | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.station = folder, station
        self.records = folder / "records.sqlite"
        self._number = 0
        self._bench = _start(["-m", "tests.sweep.far_bench", str(folder), station])
        if not _pipe(self._bench.stdout).readline():
            raise RuntimeError(f"the bench of {station} didn't come up")
        self.life_s = self._undisturbed() if life_s is None else life_s

    def state(self) -> dict[str, Any]:
        """The bench, by its own account."""
        told = _ask(self._bench, "state")
        return dict(told)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._bench.communicate("quit\n", timeout=30)

    # ---- a cycle

    def kill_at(self, share: float) -> Killed:
        """Let a run live for a share of its time, kill it, take over, test the next unit."""
        self._number += 1
        serial, at_s = f"K{self._number}", share * self.life_s
        before = _rows(self.records)
        run = self._run(serial)
        CLOCK.sleep(at_s)
        over = run.poll() is not None
        run.kill()
        run.communicate()
        on, left = self.state()["on"], _rows(self.records)
        found = [] if left[: len(before)] == before else ["entries from before are gone"]
        killed = {row[1] for row in left[len(before) :] if row[2] == "run_started"}
        ended = {row[1] for row in left[len(before) :] if row[2] == "run_ended"}
        hit = _where(over=over, on=on, accepted=bool(killed), ended=bool(ended))
        taken, ready, more = self._succeed(left, f"{serial} next")
        found += more + self._judge(killed, ended, left, serial)
        times = (ready["ready_s"] - taken, ready["ready_s"] - ready["first_byte_s"])
        return Killed(
            self.station, at_s, self.life_s, hit, *times, tuple(ready["alarms"]), tuple(found)
        )

    def _succeed(self, left: Sequence[Row], serial: str) -> tuple[float, dict[str, Any], list[str]]:
        """Take over in a new process; when it was started, what it told, what is wrong."""
        begin_s = CLOCK.monotonic()
        process = _start(["-m", "tests.sweep.successor", str(self.folder), serial])
        line = _pipe(process.stdout).readline()
        if not line:
            _, error = process.communicate()
            raise RuntimeError(f"no take-over of {self.station}: {error[-2000:]}")
        ready = json.loads(line)
        found = list(_unsafe(self.state()))
        if ready["refused"] and not ready["alarms"]:
            found.append(f"take-over refused without an alarm: {ready['refused']}")
        if _rows(self.records)[: len(left)] != left:
            found.append("entries of the killed run are gone")
        out, error = process.communicate("go on\n")
        if process.returncode or json.loads(out)["outcome"] != "pass":
            found.append(f"no run after it: {out[-500:]} {error[-1500:]}")
        return begin_s, ready, found + list(_unsafe(self.state()))

    def _judge(
        self, killed: set[str], ended: set[str], left: Sequence[Row], serial: str
    ) -> list[str]:
        """The record after all: each run ends once, the killed one without a verdict."""
        found: list[str] = []
        rows = _rows(self.records)
        starts = Counter(run_id for _, run_id, kind in rows if kind == "run_started")
        ends = Counter(run_id for _, run_id, kind in rows if kind == "run_ended")
        if starts != ends or max(starts.values()) > 1:
            found.append(f"starts {starts} and ends {ends} don't match")
        outcomes = {run.run_id: str(run.outcome) for run in list_runs(self.records, limit=9)}
        wrong = [outcomes[run_id] for run_id in killed - ended]
        found += [f"{serial} was killed: stands as {o}" for o in wrong if o != "no_verdict"]
        if not killed and any(r.serial == serial for r in list_runs(self.records, limit=9)):
            found.append(f"{serial} was never accepted, and stands on record")
        report = verify(self.records)
        if not report.ok:
            found.append(f"record damaged: {report.damages}")
        if rows[: len(left)] != left:
            found.append("entries changed")
        return found

    def _run(self, serial: str, *, quiet: bool = True) -> subprocess.Popen[str]:
        files = [str(self.folder / "station.yaml"), str(self.folder / "program.yaml")]
        return _start(
            ["-c", COMMAND, "run", *files, "--serial", serial, "--yes", "--json"], quiet=quiet
        )

    def _undisturbed(self) -> float:
        """How long a whole run lives. A loaded computer may keep an answer waiting too long."""
        for _ in range(TRIES):
            begin_s = CLOCK.monotonic()
            process = self._run("K0", quiet=False)
            out, error = process.communicate()
            if process.returncode == 0:
                return CLOCK.monotonic() - begin_s
        told = f"{out[-1500:]} {error[-500:]}"
        raise RuntimeError(f"an undisturbed run on {self.station} doesn't pass: {told}")


def _where(*, over: bool, on: bool, accepted: bool, ended: bool) -> str:
    if over:
        return TOO_LATE
    if on:
        return PLACES[2]
    if ended:
        return PLACES[3]
    return PLACES[1] if accepted else PLACES[0]


def _unsafe(state: dict[str, Any]) -> Iterator[str]:
    if state["on"] or state["ac_v"] > SAFE_AC_V or state["dc_v"] > SAFE_DC_V:
        yield f"not off and drained: {state}"
    if state["closed"]:
        yield f"relays closed: {state['closed']}"
    if state["violations"]:
        yield f"violation log: {state['violations']}"


def _rows(records: Path) -> tuple[Row, ...]:
    """Hash, run and kind of every entry, read past the product."""
    if not records.exists():
        return ()
    with closing(sqlite3.connect(records)) as connection:
        query = "SELECT hash, run_id, kind FROM journal ORDER BY seq"
        return tuple(connection.execute(query).fetchall())


def _start(arguments: Sequence[str], *, quiet: bool = False) -> subprocess.Popen[str]:
    """Another interpreter. ``quiet``: its output goes nowhere, so that nothing waits for it."""
    pipe = subprocess.PIPE
    out = subprocess.DEVNULL if quiet else pipe
    return subprocess.Popen(
        [sys.executable, *arguments], stdin=pipe, stdout=out, stderr=pipe, cwd=ROOT, text=True
    )


def _pipe(pipe: IO[str] | None) -> IO[str]:
    if pipe is None:
        raise RuntimeError("the process was started without a pipe")
    return pipe


def _ask(process: subprocess.Popen[str], line: str) -> Any:
    _pipe(process.stdin).write(f"{line}\n")
    _pipe(process.stdin).flush()
    return json.loads(_pipe(process.stdout).readline())


def instants(count: int, seed: int) -> dict[str, tuple[float, ...]]:
    """Shares of a run's life at which it is killed, by station."""
    draw = random.Random(seed)
    drawn = [draw.random() for _ in range(count)]
    return {name: tuple(drawn[n :: len(STATIONS)]) for n, name in enumerate(STATIONS)}


def _table(seen: Sequence[Killed]) -> Table:
    table = Table(title="Killed where, and what came of it", title_justify="left")
    table.add_column("killed", no_wrap=True)
    for heading in ("kills", "alarm latched", "violations"):
        table.add_column(heading, justify="right", no_wrap=True)
    for place in (*PLACES, "all"):
        here = [one for one in seen if place in {one.hit, "all"}]
        alarms = sum(bool(one.alarms) for one in here)
        found = sum(bool(one.findings) for one in here)
        table.add_row(place, str(len(here)), str(alarms), str(found))
    return table


def main() -> int:
    """Kill, print, and say whether anything was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.sweep.kill", description=__doc__)
    parser.add_argument("--count", type=int, default=200, help="kills")
    parser.add_argument("--seed", type=int, default=1, help="of the instants")
    parser.add_argument("--workers", type=int, default=2, help="stations at a time")
    options = parser.parse_args()
    console, begin_s = Console(), CLOCK.monotonic()
    shares = instants(options.count, options.seed)
    seen: list[Killed] = []

    def go(task: tuple[int, str, tuple[float, ...]]) -> None:
        number, station, mine = task
        with FarStation(Path(folder) / f"{station} {number}", station) as far:
            draw, left = random.Random(f"{options.seed} {number} {station}"), list(mine)
            while left:
                seen.append(one := far.kill_at(left.pop(0)))
                if one.hit == TOO_LATE:
                    left.append(draw.random())
                for finding in one.findings:
                    where = f"{one.station} after {one.at_s:.3f} of {one.of_s:.3f} s, {one.hit}"
                    console.print(f"FOUND {where}: {finding}", highlight=False, soft_wrap=True)

    with tempfile.TemporaryDirectory(prefix="ohmward-kill-") as folder:
        tasks = [(n, name, shares[name][n::2]) for n in range(2) for name in STATIONS]
        with ThreadPoolExecutor(options.workers) as pool:
            list(pool.map(go, [task for task in tasks if task[2]]))
    console.print(_table(seen))
    for what, times in (
        ("from the new process's start", [one.take_over_s for one in seen]),
        ("from its first byte", [one.from_first_byte_s for one in seen]),
    ):
        figures = f"median {median(times):.3f} s, longest {max(times):.3f} s"
        console.print(f"safe and ready {what}: {figures}", highlight=False)
    kills = sum(one.hit != TOO_LATE for one in seen)
    console.print(f"{kills} kills in {CLOCK.monotonic() - begin_s:.0f} s", highlight=False)
    return 1 if any(one.findings for one in seen) else 0


if __name__ == "__main__":
    sys.exit(main())
