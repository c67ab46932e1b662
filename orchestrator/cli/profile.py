"""``ohmward profile``: check what a profile says, begin a new one, try one on its instrument."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded
from orchestrator.cli.profile_new import new_command
from orchestrator.cli.profile_try import try_command

profile_app = typer.Typer(
    help="Work on instrument profiles.", rich_markup_mode=None, pretty_exceptions_enable=False
)


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
        from orchestrator.cli.profile_proof import proof_line, tell_marks
        from orchestrator.cli.profile_views import check_profile

        code = check_profile(file, station, program, fixture)
        if tell_marks(file):
            return Exit.REFUSED
        print(proof_line(file))
        return code

    raise typer.Exit(guarded(body))


profile_app.command("new")(new_command)
profile_app.command("try")(try_command)
