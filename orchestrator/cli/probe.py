"""``ohmward probe``: who is there, on which link, in which state; energises nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.codes import HELP, Exit
from orchestrator.cli.failures import Situation, guarded

EPILOG = (
    "Exit code 0: everything answers as the station file declares it, every output was off and "
    "discharged; 3: something doesn't, or an output was met on. Closed relays and open guards are "
    "told, not judged. " + HELP
)


def probe_command(
    station: Annotated[Path, typer.Argument(help="Station file.")],
    no_search: Annotated[
        bool,
        typer.Option("--no-search", help="Don't look for silent units at other addresses."),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object on standard output.")
    ] = False,
) -> None:
    """Open every link, identify every instrument and unit, read interlocks and relays.

    Energises nothing, moves no relay. A tester that isn't read as off is sent its stop. For a
    unit that doesn't answer the other addresses are asked who is there; Ctrl-C ends that.
    """

    def body(now: Situation) -> Exit:
        return probe(now, station, searching=not no_search)

    raise typer.Exit(guarded(body, Situation(as_json=as_json)))


def probe(now: Situation, station: Path, *, searching: bool) -> Exit:
    """Read the station, probe it, show it. Raises Refused, StationBusy."""
    from orchestrator.assembly.plan import read_plan
    from orchestrator.assembly.probing import probe_station
    from orchestrator.assembly.probing_findings import OutputOn, Told
    from orchestrator.cli.probe_json import report_json
    from orchestrator.cli.probe_views import ProbeScreen, Silent
    from orchestrator.clock import SystemClock

    plan = read_plan(station)
    now.records = plan.records
    with Silent() if now.as_json else ProbeScreen(plan) as screen:

        def tell(told: Told) -> None:
            if isinstance(told, OutputOn):
                now.touched = True  # whatever goes wrong from here on: treat it as live
            screen.take(told)

        report = probe_station(plan, clock=SystemClock(), tell=tell, searching=searching)
    code = Exit.DONE if report.ok else Exit.NO_VERDICT
    if now.as_json:
        print(report_json(report, code), flush=True)
    else:
        screen.end(report)
    return code
