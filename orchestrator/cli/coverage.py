"""``ohmward coverage``: is a program complete for a product, whoever wrote it?"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

if TYPE_CHECKING:
    from orchestrator.documents import Document
    from orchestrator.model.demands import Demands
    from orchestrator.model.program import Program
    from orchestrator.model.schedule import Schedule

EPILOG = """\
Exit codes: 0 the program is complete, 2 bad input, 3 not complete (no verdict: a pass of this
program wouldn't show what is demanded), 4 internal fault."""


def coverage_command(  # noqa: PLR0917 - a command's options come by name
    product: Annotated[Path, typer.Argument(help="Product file.")],
    program: Annotated[Path, typer.Argument(help="Program file, planned or written by hand.")],
    station: Annotated[
        Path | None,
        typer.Option(help="Station file: levels and limits then count as its wire carries them."),
    ] = None,
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object on standard output.")
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(help="Write the matrix of nets as an SVG file.")
    ] = None,
) -> None:
    """Prove a program complete for a product, or list what it misses; connects to nothing.

    Tells pairs that no step covers or that a group's limit hides, bonds and wires not tested,
    pairs stressed beyond what they may see, nets left open that may not float or that reach too
    much, what searches after a failed step may do, too much stored energy, too many contacts, and
    leads that no step proves. Shares no code with the planner.
    """
    situation = Situation(as_json=as_json)

    def work(now: Situation) -> Exit:
        return look(now, product, program, station=station, fixture=fixture, picture=picture)

    raise typer.Exit(guarded(work, situation))


def look(
    now: Situation,
    product: Path,
    program: Path,
    *,
    station: Path | None = None,
    fixture: Path | None = None,
    picture: Path | None = None,
) -> Exit:
    """Read, judge, show. Raises Refused."""
    from orchestrator.cli.coverage_views import TERMINAL_NETS, as_data, tell
    from orchestrator.cli.outputs import check_output, write_output
    from orchestrator.coverage.cover import cover
    from orchestrator.coverage.picture import picture_of
    from orchestrator.coverage.svg import draw

    if picture is not None:
        _check_svg(picture)
        check_output("--picture", picture, (product, program, station, fixture), replace=True)
    demands, work, wire = _read(product, program, station, fixture)
    found = cover(demands, work, wire)
    code = Exit.DONE if found.complete else Exit.NO_VERDICT
    if picture is not None:
        write_output(
            "--picture", picture, draw(picture_of(demands, work, wire, complete=found.complete))
        )
    if now.as_json:
        print(json.dumps(as_data(found, code)))
        return code
    from orchestrator.cli.screen import make_console

    console = make_console()
    rows = picture_of(
        demands, work, wire, complete=found.complete, most_nets=TERMINAL_NETS, most_rows=24
    )
    for line in tell(found, rows, sys.stdout):
        console.print(line)
    return code


def _read(
    product: Path, program: Path, station: Path | None, fixture: Path | None
) -> tuple[Demands, Document[Program], Schedule | None]:
    """Both files, and the binding if a station is given; with the faults of all of them."""
    from orchestrator.cli.files import read_files
    from orchestrator.documents import read_document
    from orchestrator.errors import Fault, Position, Refused
    from orchestrator.model.program import Program
    from orchestrator.model.resolve import read_demands

    faults: list[Fault] = []
    demands = work = files = None
    if fixture is not None and station is None:
        remedy = "add --station: a fixture says nothing without one"
        at = Position(str(fixture))
        faults.append(Fault("--fixture", "no --station", "a station", remedy, at))
    try:
        demands = read_demands(product)
    except Refused as refused:
        faults += refused.faults
    try:
        if station is None:
            work = read_document(program, Program)
        else:
            files = read_files(station, program, fixture)
            work = files.program
    except Refused as refused:
        faults += refused.faults
    if faults or demands is None or work is None:
        raise Refused(faults)
    return demands, work, None if files is None else files.bind()


def _check_svg(path: Path) -> None:
    from orchestrator.errors import Fault, Position, Refused

    if path.suffix.lower() != ".svg":
        found, remedy = f"a name that ends in {path.suffix!r}", "let its name end in .svg"
        raise Refused((Fault("--picture", found, "an SVG file", remedy, Position(str(path))),))
