"""``ohmward run``: test one unit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import HELP, Exit
from orchestrator.cli.failures import Situation, guarded

EPILOG = (
    "--json prints JSON Lines: one object per notice (kind: phase, step_started, live, step_ended, "
    "located, event, told), and as the last line kind 'result' with outcome, run_id, exit_code, "
    "all steps and what was located, or kind 'error' with exit_code, message, remedy and faults. "
    "Cautions, the question and the log go to standard error. " + HELP
)


def run_command(  # noqa: PLR0917 - an option each, never called by position
    station: Annotated[Path, typer.Argument(help="Station file.")],
    program: Annotated[Path, typer.Argument(help="Program file.")],
    serial: Annotated[str, typer.Option(help="Serial number of the unit under test.")],
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
    operator: Annotated[str, typer.Option(help="Who tests; goes into the record.")] = "",
    attempt: Annotated[int, typer.Option(min=1, max=9999, help="Which attempt this is.")] = 1,
    yes: Annotated[
        bool,
        typer.Option(
            "--yes",
            help="Don't ask before energising; with real instruments only after a sign-off.",
        ),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="JSON Lines on standard output; see below.")
    ] = False,
    log_json: Annotated[
        bool, typer.Option("--log-json", help="Log as JSON, one event per line.")
    ] = False,
    log_file: Annotated[
        Path | None, typer.Option("--log-file", help="Log to this file, not to standard error.")
    ] = None,
    traffic_file: Annotated[
        Path | None,
        typer.Option("--traffic-file", help="Write every message on the links to this file."),
    ] = None,
) -> None:
    """Test one unit and record everything.

    Shows the cautions and asks before anything is energised. Ctrl-C ends a run safely, with no
    verdict. The log holds warnings only, unless --json, --log-json or --log-file is given.
    """

    def body(now: Situation) -> Exit:
        from orchestrator.cli.running import Wish, run_unit

        wish = Wish(
            station=station,
            program=program,
            fixture=fixture,
            serial=serial,
            operator=operator,
            attempt=attempt,
            yes=yes,
            log_json=log_json,
            log_file=log_file,
            traffic_file=traffic_file,
        )
        return run_unit(now, wish)

    raise typer.Exit(guarded(body, Situation(as_json=as_json)))
