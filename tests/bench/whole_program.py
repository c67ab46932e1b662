"""A whole program on simulators in another process, against a loop written for it by hand."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from orchestrator.assembly.live import open_station
from orchestrator.clock import SystemClock
from orchestrator.documents import read_document
from orchestrator.model.program import Program
from orchestrator.model.words import Outcome
from tests.bench.bare_loop import START, Act, BareLoop, Looking, Tell, by_hand, recorded
from tests.bench.figures import Figure, median
from tests.bench.station import tcp, write_station

GOAL = 1.02
CLOCK = SystemClock()
ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def _instruments(folder: Path) -> Iterator[dict[str, int]]:
    """The simulators in a process of their own; instrument → TCP port."""
    station = write_station(folder)
    command = [sys.executable, "-m", "tests.bench.far_instruments", str(station)]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        if process.stdin is None or process.stdout is None:
            raise ValueError("no pipes to the simulators")
        try:
            yield json.loads(process.stdout.readline())
        finally:
            process.stdin.close()
        told = json.loads(process.stdout.readline())
    if told["violations"]:
        raise ValueError(f"violations on the bench: {told['violations']}")


def program_figure(folder: Path, *, pairs: int) -> Figure:
    """Wall time of the framework's run over that of the bare loop."""
    with _instruments(folder) as ports:
        station = write_station(folder, {name: tcp(port) for name, port in ports.items()})
        with recorded() as acts:
            _run(station, skip=acts)
        program = by_hand(acts)
        framework_s: list[float] = []
        bare_s: list[float] = []
        for pair in range(pairs):
            if pair % 2 == 0:
                framework_s.append(_run(station))
            bare_s.append(_bare(ports, program))
            if pair % 2 == 1:
                framework_s.append(_run(station))
    ratios = [f / b for f, b in zip(framework_s, bare_s, strict=True)]
    ratio = median(framework_s) / median(bare_s)
    sent = sum(isinstance(act, Tell) for act in acts)
    return Figure(
        "a whole program over TCP against a bare loop",
        f"{ratio:.4f} ×",
        f"< {GOAL} ×",
        ratio < GOAL,
        f"four steps of the shortest dwell, {sent} messages, on stateful simulators in another "
        "process, from the start of the run to its recorded end (commits and safe-off are in it; "
        "opening and take-over aren't); against plain sockets that send the same messages, wait "
        "the same settle times and look every 10 ms until tester or relays are done. Alternately, "
        f"{pairs} times each: medians {median(framework_s):.3f} s and {median(bare_s):.3f} s; "
        f"pairs between {min(ratios):.4f} and {max(ratios):.4f}; "
        f"bare runs between {min(bare_s):.3f} and {max(bare_s):.3f} s.",
    )


def _run(station: Path, skip: list[Act] | None = None) -> float:
    """One run of the framework; ``skip``: recorded acts, to be emptied before the run."""
    with open_station(station) as live:
        schedule = live.bind(read_document(station.parent / "program.yaml", Program))
        live.take_over()
        if skip is not None:
            skip.clear()
        start_s = CLOCK.monotonic()
        result = live.run(schedule, serial="TIMED")
        took_s = CLOCK.monotonic() - start_s
    if result.outcome is not Outcome.PASS:
        raise ValueError(f"the timing program ended as {result.outcome}: {result}")
    return took_s


def _bare(ports: dict[str, int], program: tuple[Act | Looking, ...]) -> float:
    loop = BareLoop(ports)
    try:
        start_s = CLOCK.monotonic()
        loop.run(program)
        took_s = CLOCK.monotonic() - start_s
    finally:
        loop.close()
    passed = sum(b",PASS," in result for result in loop.results)
    if passed != sum(isinstance(act, Tell) and act.data == START for act in program):
        raise ValueError(f"the bare loop passed {passed} steps only: {loop.results}")
    return took_s
