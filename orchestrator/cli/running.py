"""One run from the command line: files, question, live display, verdict."""

from __future__ import annotations

import contextlib
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from orchestrator.assembly.gate import CAUTIONS, NO_ANSWER, pass_gate
from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.assembly.requests import check_request
from orchestrator.assembly.sign_off import recorded_stamps
from orchestrator.cli.codes import Exit, of_outcome
from orchestrator.cli.failures import Situation, abandon_output, one_line
from orchestrator.cli.feed import Feed, Taker
from orchestrator.cli.files import Files, read_files
from orchestrator.cli.jsonl import json_lines, result_line
from orchestrator.cli.logs import log_notices
from orchestrator.cli.progress import RunScreen, show_result
from orchestrator.cli.screen import make_console
from orchestrator.cli.signals import Signals
from orchestrator.clock import SystemClock
from orchestrator.errors import Refused
from orchestrator.model.record import RunResult
from orchestrator.model.schedule import Schedule
from orchestrator.running.controller import Request
from orchestrator.running.rack import Notice


@dataclass(frozen=True)
class Wish:
    """What was asked for on the command line."""

    station: Path
    program: Path
    fixture: Path | None
    serial: str
    operator: str
    attempt: int
    yes: bool
    log_json: bool
    log_file: Path | None
    traffic_file: Path | None = None


def run_unit(now: Situation, wish: Wish) -> Exit:
    """Read, bind, ask, run, show.

    Raises:
        Refused, StationBusy and what else stands between a wish and a run; a fault of this
        program, after safe-off.
    """
    check_request(Request(wish.serial, wish.operator, wish.attempt))
    files = read_files(wish.station, wish.program, wish.fixture)
    schedule = files.bind()
    if wish.yes:
        stamps = () if schedule.simulated else recorded_stamps(files.plan.records)
        pass_gate(schedule, None, stamps)  # refused before anything is connected
    now.records = files.plan.records
    with ExitStack() as closing:
        screen = None if now.as_json else RunScreen(make_console(), schedule)
        takers = [
            log_notices(
                closing, as_json=wish.log_json, file=wish.log_file, level=_level(now, wish)
            ),
            json_lines(schedule) if screen is None else screen.take,
        ]
        if screen is not None:
            closing.callback(screen.close)
            screen.begin()
        result, failures = _run(now, wish, files, schedule, takers)
    code = of_outcome(result.outcome)
    try:
        if now.as_json:
            print(result_line(result, code), flush=True)
        else:
            show_result(make_console(), result, files.plan.records)
    except (OSError, ValueError) as error:  # nobody reads it, the disk is full: told below
        failures.append(error)
        abandon_output()
    with contextlib.suppress(OSError, ValueError):  # nowhere is left to tell it
        for failure in failures:
            told = one_line(f"the display failed: {failure!r}; outcome and record stand")
            print(told, file=sys.stderr)
    return code


def _level(now: Situation, wish: Wish) -> str:
    """On a screen of its own a run shows itself; the log then only adds what is unusual."""
    logged = now.as_json or wish.log_json or wish.log_file is not None
    return "info" if logged else "warning"


def _run(
    now: Situation, wish: Wish, files: Files, schedule: Schedule, takers: list[Taker]
) -> tuple[RunResult, list[Exception]]:
    clock = SystemClock()
    feed = Feed(clock, takers)

    def show(notice: Notice) -> None:
        _follow(now, notice)
        feed.show(notice)

    try:
        # Links and lock are given back before a standing terminal is waited for.
        with (
            Signals(feed.tell) as signals,
            open_station(
                files.plan,
                fixture=files.fixture,
                clock=clock,
                show=show,
                traffic=wish.traffic_file,
            ) as live,
        ):
            result = _confirmed_run(now, wish, live, schedule, signals)
        _tell_traffic(live)
    finally:
        _last_words(feed)
    return result, feed.failures


def _tell_traffic(live: LiveStation) -> None:
    written = live.traffic_file
    if written is not None and (written.problem or written.dropped):
        told = f"traffic file: {written.dropped} messages are missing in it"
        print(f"{told}; {written.problem}" if written.problem else told, file=sys.stderr)


def _follow(now: Situation, notice: Notice) -> None:
    """How far the run has come, for whatever may go wrong."""
    if notice.kind == "phase":
        now.proved_safe = notice.data["phase"] in {"ready", "safe"}
    elif notice.kind == "step_started":
        now.energised = True
    elif notice.kind == "run_ended":
        now.result = notice.data["result"]


def _last_words(feed: Feed) -> None:
    try:
        feed.close()
    except KeyboardInterrupt:
        print("the rest of the display was cut off", file=sys.stderr)


def _confirmed_run(
    now: Situation, wish: Wish, live: LiveStation, schedule: Schedule, signals: Signals
) -> RunResult:
    def go() -> None:
        now.touched = True
        signals.arm(live.cancel)

    def confirm(cautions: str, real: bool) -> bool:
        yes = ask(cautions, real=real)
        if yes:
            go()
        return yes

    if wish.yes:
        print(CAUTIONS, file=sys.stderr, flush=True)
        go()
    return live.run(
        schedule,
        serial=wish.serial,
        operator=wish.operator,
        attempt=wish.attempt,
        confirm=None if wish.yes else confirm,
    )


def ask(cautions: str, *, real: bool) -> bool:
    """Show the cautions and ask; only 'yes', spelt out, is a yes.

    Raises Refused: the input has ended, so nobody can answer.
    """
    what = "REAL instruments" if real else "simulated instruments"
    print(f"{cautions}\nThis station has {what}. Type yes to go on: ", end="", file=sys.stderr)
    return read_yes(sys.stderr)


def read_yes(asked_on: TextIO) -> bool:
    """The answer to a question just shown there: only 'yes', spelt out, is a yes.

    Raises Refused: the input has ended, so nobody can answer.
    """
    asked_on.flush()
    try:
        answer = sys.stdin.readline()
    except (OSError, ValueError, AttributeError):  # closed, or no standard input at all
        answer = ""
    if not answer:
        print(file=asked_on, flush=True)  # the question's line has no end yet
        raise Refused([NO_ANSWER])
    return answer.strip().lower() == "yes"
