"""``ohmward check``: all faults of the files, or the schedule in plain words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

if TYPE_CHECKING:
    from orchestrator.cli.files import Files
    from orchestrator.model.schedule import Schedule

FIXTURE_HELP = "Fixture file; else the station's own, else fixture.yaml beside the station."


def check(
    station: Annotated[Path, typer.Argument(help="Station file.")],
    program: Annotated[Path | None, typer.Argument(help="Program file.")] = None,
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
    as_json: Annotated[
        bool,
        typer.Option(
            "--json", help="One JSON object on standard output: ok, exit_code, faults, steps."
        ),
    ] = False,
) -> None:
    """Check a station, and a program on it; connects to nothing.

    Prints every fault as file:line:column, what, found, expected, remedy; or, where there is
    none, what each step will do.
    """
    situation = Situation(as_json=as_json)
    raise typer.Exit(guarded(lambda now: look(now, station, program, fixture), situation))


def look(now: Situation, station: Path, program: Path | None, fixture: Path | None) -> Exit:
    """Read, bind, describe. Raises Refused."""
    from orchestrator.assembly.bench import rehearse
    from orchestrator.cli.files import read_files
    from orchestrator.clock import SystemClock

    files = read_files(station, program, fixture)
    if files.program is None:
        files.check_alone()
        rehearse(files.plan, files.fixture, SystemClock())
        _tell_station(now, files)
    else:
        schedule = files.bind()
        rehearse(files.plan, files.fixture, SystemClock())
        _tell_schedule(now, schedule)
    return Exit.DONE


def _tell_station(now: Situation, files: Files) -> None:
    station = files.plan.station
    from orchestrator.fault_words import counted

    points = sorted(files.fixture.model.points)
    if now.as_json:
        line = {"kind": "checked", "ok": True, "exit_code": 0, "station": station.name}
        print(json.dumps({**line, "fixture": files.fixture.model.name, "points": points}))
        return
    from orchestrator.cli.screen import make_console

    console = make_console()
    kind = "simulated" if files.plan.simulated else "real instruments"
    console.print(f"station {station.name} ({kind}): no fault found")
    held = f"{counted(len(points), 'point')}: {', '.join(points)}"
    console.print(f"fixture {files.fixture.model.name}: {held}")


def _tell_schedule(now: Situation, schedule: Schedule) -> None:
    from orchestrator.binding.explain import describe
    from orchestrator.fault_words import counted

    lines = describe(schedule)
    predicted_s = sum(step.predicted_s for step in schedule.steps)
    if now.as_json:
        told = {
            "kind": "checked",
            "ok": True,
            "exit_code": 0,
            "station": schedule.station,
            "fixture": schedule.fixture,
            "program": schedule.program,
            "revision": schedule.revision,
            "simulated": schedule.simulated,
            "predicted_s": predicted_s,
            "steps": lines,
            "notices": list(schedule.notices),
            "faults": [],
        }
        print(json.dumps(told))
        return
    from orchestrator.cli.screen import make_console

    console = make_console()
    console.print(
        f"program {schedule.program}, revision {schedule.revision}, with fixture "
        f"{schedule.fixture} on station {schedule.station}: no fault found"
    )
    for text in lines:
        console.print(text)
    for notice in schedule.notices:
        console.print(f"note: {notice}")
    console.print(f"{counted(len(lines), 'step')}, {predicted_s:.1f} s of rise, dwell and fall")
