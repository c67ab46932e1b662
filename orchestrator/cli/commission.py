"""``ohmward commission``: the recorded checklist before a station may run without a question."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import HELP, Exit
from orchestrator.cli.failures import Situation, guarded

EPILOG = (
    "Ends with exit code 0 and a sign-off on record only if every item was done; else with 3, and "
    "the record says what is missing. A change of station file, fixture, profile or instrument "
    "voids the sign-off. " + HELP
)


def commission(
    station: Annotated[Path, typer.Argument(help="Station file.")],
    program: Annotated[
        Path,
        typer.Argument(
            help="Program for the dummy load: its first step holds the lowest level for 5 s or "
            "more; a guard is opened in it, and the stop time measured."
        ),
    ],
    by: Annotated[str, typer.Option("--by", help="Who commissions; goes into the record.")],
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
) -> None:
    """Lead through the commissioning of a station and record the sign-off.

    Each guard and emergency stop is opened and seen to arrive, the enable output is seen to drop
    when its refreshing stops, every relay is operated with the outputs off, a person confirms what
    only eyes can tell, and the stop time is measured on a dummy load against its budget.
    """

    def body(now: Situation) -> Exit:
        return _commission(now, station, program, fixture, by)

    raise typer.Exit(guarded(body, Situation()))


class Terminal:
    """The person at the terminal. Raises Refused when standard input has ended."""

    def tell(self, text: str) -> None:
        """Show a text."""
        print(text, flush=True)

    def confirms(self, question: str) -> bool:
        """Only 'yes', spelt out, is a yes."""
        from orchestrator.cli.running import read_yes

        print(f"{question} Type yes if so: ", end="", flush=True)
        return read_yes(sys.stdout)


def _commission(
    now: Situation, station: Path, program: Path, fixture: Path | None, by: str
) -> Exit:
    from orchestrator.assembly.commissioning import Commissioning, check_stop_program
    from orchestrator.assembly.live import open_station
    from orchestrator.assembly.requests import check_person
    from orchestrator.cli.files import read_files
    from orchestrator.cli.signals import Signals
    from orchestrator.clock import SystemClock

    check_person(by)
    files = read_files(station, program, fixture)
    schedule = files.bind()
    check_stop_program(schedule)
    now.records = files.plan.records
    person = Terminal()
    with (
        Signals(person.tell) as signals,
        open_station(files.plan, fixture=files.fixture, clock=SystemClock()) as live,
    ):
        now.touched = True
        signals.arm(live.cancel)
        work = Commissioning(live, schedule, by, person)
        valid = work.run()
    now.proved_safe = True
    if valid:
        print(f"signed off by {by}: holds until station, fixture, profiles or instruments change")
        return Exit.DONE
    missing = [item.name for item in work.items if item.outcome != "done"]
    print(f"NOT signed off; to be done: {'; '.join(missing)}")
    return Exit.NO_VERDICT
