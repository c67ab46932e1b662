"""``ohmward commission``: the recorded checklist before a station may run without a question."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import HELP, Exit
from orchestrator.cli.failures import Situation, guarded

if TYPE_CHECKING:
    from orchestrator.running.rack import Notice

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
    """The person at the terminal. Raises Refused when standard input has ended.

    While somebody is asked, Ctrl-C ends the commissioning at once: nothing runs then.
    """

    def __init__(self) -> None:
        self.asking: Callable[[], None] = _nothing
        self.answered: Callable[[], None] = _nothing

    def tell(self, text: str) -> None:
        """Show a text."""
        print(text, flush=True)

    def confirms(self, question: str) -> bool:
        """Only 'yes', spelt out, is a yes."""
        from orchestrator.cli.running import read_yes

        print(f"{question} Type yes if so: ", end="", flush=True)
        self.asking()
        try:
            return read_yes(sys.stdout)
        finally:
            self.answered()


def _nothing() -> None:
    pass


class _LevelTeller:
    """Tells when the level of the dummy load's step is on: the moment to open a guard."""

    def __init__(self, person: Terminal) -> None:
        self._person = person
        self._told = False

    def take(self, notice: Notice) -> None:
        """Look at one notice."""
        if notice.kind == "step_started":
            self._told = False
        elif notice.kind == "live" and notice.data["state"] == "dwelling" and not self._told:
            self._told = True
            self._person.tell("The level is on: OPEN a guard NOW.")


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
        open_station(
            files.plan, fixture=files.fixture, clock=SystemClock(), show=_LevelTeller(person).take
        ) as live,
    ):
        now.touched = True
        person.asking, person.answered = signals.disarm, lambda: signals.arm(live.cancel)
        person.answered()
        work = Commissioning(live, schedule, by, person)
        valid = work.run()
    now.proved_safe = True
    if valid:
        print(f"signed off by {by}: holds until station, fixture, profiles or instruments change")
        return Exit.DONE
    missing = [item.name for item in work.items if item.outcome != "done"]
    print(f"NOT signed off; to be done: {'; '.join(missing)}")
    return Exit.NO_VERDICT
