"""``ohmward check``: all faults of the files, or the schedule in plain words."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

if TYPE_CHECKING:
    from orchestrator.binding.stop_budget import StopTime
    from orchestrator.cli.files import Files
    from orchestrator.model.schedule import Schedule

FIXTURE_HELP = "Fixture file; else the station's own, else fixture.yaml beside the station."


def check(
    station: Annotated[Path, typer.Argument(help="Station file.")],
    program: Annotated[Path | None, typer.Argument(help="Program file.")] = None,
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
    explain: Annotated[
        bool,
        typer.Option("--explain", help="Tell the figures behind each step and each stop time."),
    ] = False,
    as_json: Annotated[
        bool,
        typer.Option(
            "--json", help="One JSON object on standard output: ok, exit_code, faults, steps."
        ),
    ] = False,
) -> None:
    """Check a station, and a program on it; connects to nothing.

    Prints every fault as file:line:column, what, found, expected, remedy; or, where there is
    none, what each step will do, the station's stop times and how long it all takes.
    """
    situation = Situation(as_json=as_json)

    def work(now: Situation) -> Exit:
        return look(now, station, program, fixture, explain=explain)

    raise typer.Exit(guarded(work, situation))


def look(
    now: Situation, station: Path, program: Path | None, fixture: Path | None, *, explain: bool
) -> Exit:
    """Read, bind, describe. Raises Refused."""
    from orchestrator.assembly.bench import rehearse
    from orchestrator.cli.files import read_files
    from orchestrator.clock import SystemClock

    files = read_files(station, program, fixture)
    if files.program is None:
        files.check_alone()
        rehearse(files.plan, files.fixture, SystemClock())
        _tell_station(now, files, explain=explain)
    else:
        schedule = files.bind()
        rehearse(files.plan, files.fixture, SystemClock())
        _tell_schedule(now, files, schedule, explain=explain)
    return Exit.DONE


def _as_data(times: tuple[StopTime, ...]) -> list[dict[str, object]]:
    return [
        {
            "name": found.name,
            "total_s": found.total_s,
            "mute_s": found.mute_s,
            "assumed_s": found.assumed_s,
            "terms": [[term.what, term.seconds, term.origin] for term in found.terms],
        }
        for found in times
    ]


def _lines(times: tuple[StopTime, ...], *, explain: bool) -> Iterator[str]:
    from orchestrator.binding.stop_budget import describe_stop, describe_terms

    for found in times:
        yield describe_stop(found)
        if explain:
            yield from (f"    {line}" for line in describe_terms(found))


def _tell_station(now: Situation, files: Files, *, explain: bool) -> None:
    from orchestrator.binding.offsets import offset_notices
    from orchestrator.binding.station_io import io_notices
    from orchestrator.fault_words import counted

    station, times = files.plan.station, files.plan.stop_times()
    points = sorted(files.fixture.model.points)
    notices = (*io_notices(station), *offset_notices(files.fixture.model))
    if now.as_json:
        line = {"kind": "checked", "ok": True, "exit_code": 0, "station": station.name}
        more = {"points": points, "notices": list(notices), "stop_times": _as_data(times)}
        print(json.dumps({**line, "fixture": files.fixture.model.name, **more}))
        return
    from orchestrator.cli.screen import make_console

    console = make_console()
    kind = "simulated" if files.plan.simulated else "real instruments"
    console.print(f"station {station.name} ({kind}): no fault found")
    held = f"{counted(len(points), 'point')}: {', '.join(points)}"
    console.print(f"fixture {files.fixture.model.name}: {held}")
    for notice in notices:
        console.print(f"note: {notice}")
    for text in _lines(times, explain=explain):
        console.print(text)


def _tell_schedule(now: Situation, files: Files, schedule: Schedule, *, explain: bool) -> None:
    from orchestrator.binding.explain import describe, describe_duration, why
    from orchestrator.fault_words import counted

    lines, times = describe(schedule), files.plan.stop_times()
    if now.as_json:
        print(json.dumps(_told(schedule, lines, times, explain=explain)))
        return
    from orchestrator.cli.screen import make_console

    console = make_console()
    console.print(
        f"program {schedule.program}, revision {schedule.revision}, with fixture "
        f"{schedule.fixture} on station {schedule.station}: no fault found"
    )
    for text, step in zip(lines, schedule.steps, strict=True):
        console.print(text)
        for reason in why(step) if explain else ():
            console.print(f"    {reason}")
    for notice in schedule.notices:
        console.print(f"note: {notice}")
    for text in _lines(times, explain=explain):
        console.print(text)
    console.print(f"{counted(len(lines), 'step')}, {describe_duration(schedule)}")


def _told(
    schedule: Schedule, lines: list[str], times: tuple[StopTime, ...], *, explain: bool
) -> dict[str, object]:
    """The schedule as one JSON object."""
    from orchestrator.binding.explain import why

    told: dict[str, object] = {
        "kind": "checked",
        "ok": True,
        "exit_code": 0,
        "station": schedule.station,
        "fixture": schedule.fixture,
        "program": schedule.program,
        "revision": schedule.revision,
        "simulated": schedule.simulated,
        "predicted_s": schedule.predicted_s,
        "estimated_s": schedule.estimated_s,
        "steps": lines,
        "notices": list(schedule.notices),
        "stop_times": _as_data(times),
        "faults": [],
    }
    if explain:
        told["reasons"] = [why(step) for step in schedule.steps]
    return told
