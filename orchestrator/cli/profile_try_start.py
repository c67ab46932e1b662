"""``ohmward profile try --energise``: one start on a dummy load, asked twice."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.assembly.bring_up import load_profile
from orchestrator.assembly.bring_up_proof import (
    ProvedStart,
    proof_file,
    read_proof,
    write_proof,
)
from orchestrator.assembly.bring_up_start import SERIAL, DummyStart, judge_start, prepare_start
from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, one_line
from orchestrator.errors import Fault, Refused
from orchestrator.model.record import Identity

if TYPE_CHECKING:
    from orchestrator.cli.feed import Stamped
    from orchestrator.clock import Clock
    from orchestrator.model.record import RunResult
    from orchestrator.running.rack import Notice


@dataclass(frozen=True)
class StartArguments:
    """What was asked for on the command line."""

    file: Path
    station: Path | None
    fixture: Path | None
    kind: str
    points: str
    dummy_load: str
    yes: bool
    report: Path | None


def start_once(
    now: Situation, wish: StartArguments, clock: Clock | None = None, bench: Any = None
) -> Exit:
    """Bind, ask twice, run, compare, add it to the report beside the profile."""
    from orchestrator.assembly.gate import CAUTIONS, pass_gate
    from orchestrator.cli.files import read_files
    from orchestrator.clock import SystemClock

    if wish.station is None:
        remedy = "name the station whose interlock guards this start"
        raise Refused([Fault("--station", "nothing", "a station file", remedy)])
    document = load_profile(wish.file)
    files = read_files(wish.station, None, wish.fixture)
    start = prepare_start(
        document, files.plan, files.fixture, wish.kind, wish.points, wish.dummy_load, wish.report
    )
    if wish.yes:
        pass_gate(start.schedule, None)  # real instruments: refused before anything is connected
        print(CAUTIONS, file=sys.stderr, flush=True)
    now.records = files.plan.records
    path = wish.report or proof_file(Path(document.file))
    proved = read_proof(path)
    if proved is None:
        raise RuntimeError(f"the report {path} went away before the start")
    clock = clock or SystemClock()
    result, met = _run(now, wish, files, start, clock, bench)
    done = judge_start(start, result, clock, tried=proved.instrument, met=met)
    _show(done)
    write_proof(path, proved.model_copy(update={"starts": (*proved.starts, done)}))
    print(f"report: {path}")
    return Exit.DONE if done.outcome == "proved" else Exit.NO_VERDICT


def _run(  # noqa: PLR0917
    now: Situation,
    wish: StartArguments,
    files: Any,
    start: DummyStart,
    clock: Clock,
    bench: Any,
) -> tuple[RunResult, Identity]:
    from orchestrator.assembly.live import open_station
    from orchestrator.cli.feed import Feed
    from orchestrator.cli.profile_proof import ask_person
    from orchestrator.cli.running import ask
    from orchestrator.cli.signals import Signals

    feed = Feed(clock, [_line])

    def show(notice: Notice) -> None:
        if notice.kind == "phase":
            now.proved_safe = notice.data["phase"] in {"ready", "safe"}
        elif notice.kind == "step_started":
            now.energised = True
        feed.show(notice)

    def confirm(cautions: str, real: bool) -> bool:
        if not ask_person(start.question):
            return False
        return ask(cautions, real=real)

    try:
        with (
            Signals(feed.tell) as signals,
            open_station(
                files.plan, fixture=files.fixture, clock=clock, show=show, bench=bench
            ) as live,
        ):
            now.touched = True
            signals.arm(live.cancel)
            result = live.run(start.schedule, serial=SERIAL, confirm=None if wish.yes else confirm)
            tester = start.schedule.batches[0].tester
            lines = {line.name: line.identity for line in live.controller.instruments()}
            met = lines.get(tester, Identity(""))
    finally:
        feed.close()
    return result, met


def _line(item: Stamped) -> None:
    notice = item.notice
    if notice.kind == "phase":
        print(f"  {notice.data['phase']}")
    elif notice.kind == "told":
        print(one_line(f"  {notice.data['text']}"))


def _show(done: ProvedStart) -> None:
    print(f"{done.outcome}: {done.kind} at {done.level} on {done.dummy_load}, run {done.run_id}")
    print(f"  read {done.read}, expected {done.expected}")
    for told in done.told:
        print(one_line(f"  ! {told}"))
