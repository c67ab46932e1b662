"""``ohmward profile check``: what an instrument's profile says, and what it gets wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

profile_app = typer.Typer(
    help="Work on instrument profiles.", rich_markup_mode=None, pretty_exceptions_enable=False
)


@profile_app.callback()
def _profile() -> None:
    """Keeps 'check' a command of its own while it is the only one."""


@profile_app.command("check")
def check_command(
    file: Annotated[Path, typer.Argument(help="Profile file, or the name of a shipped profile.")],
    station: Annotated[
        Path | None, typer.Option(help="With --program: the bytes that station would send.")
    ] = None,
    program: Annotated[Path | None, typer.Option(help="Program file for the bytes.")] = None,
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
) -> None:
    """Print the ability table and everything that is missing, overlapping or never sent.

    Exit code 2 if the profile has faults.
    """

    def body(_: Situation) -> Exit:
        from orchestrator.cli.profile_views import check_profile

        return check_profile(file, station, program, fixture)

    raise typer.Exit(guarded(body))
