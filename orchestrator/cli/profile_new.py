"""``ohmward profile new``: a commented profile to begin with, for a family of dialects."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded


def new_command(
    file: Annotated[Path | None, typer.Argument(help="File to write; it must not exist.")] = None,
    family: Annotated[
        str, typer.Option(help="Which family of dialects the manual comes near to.")
    ] = "",
    listed: Annotated[bool, typer.Option("--list", help="Describe the families.")] = False,
) -> None:
    """Write a profile to begin with: every value made up and marked FILL.

    Choose the family whose description comes nearest to the instrument's manual. 'profile check'
    lists the marks that are left and refuses the profile until none is.
    """

    def body(_: Situation) -> Exit:
        return _list() if listed else _write(file, family)

    raise typer.Exit(guarded(body))


def _list() -> Exit:
    from orchestrator.assembly.bring_up import CHECKERS
    from orchestrator.assembly.plugins import plugin

    for one in plugin(CHECKERS, "scaffold").families():
        print(f"{one.name:<20} {one.kind:<7} {one.words}")
    return Exit.DONE


def _write(file: Path | None, family: str) -> Exit:
    from orchestrator.assembly.bring_up import CHECKERS
    from orchestrator.assembly.plugins import plugin
    from orchestrator.assembly.schemas import FOLDER, first_line, write_schemas
    from orchestrator.errors import Fault, Position, Refused

    if file is None or not family:
        missing = "FILE" if file is None else "--family"
        remedy = "name both, or use --list to see the families"
        raise Refused([Fault(missing, "nothing", "a file and --family", remedy)])
    text = plugin(CHECKERS, "scaffold").family_of(family).text
    if file.suffix not in {".yaml", ".yml"}:
        expected, remedy = "a name that ends in .yaml", "add .yaml"
        raise Refused([Fault("the new profile", str(file), expected, remedy)])
    try:
        with file.open("x", encoding="utf-8") as out:
            out.write(f"{first_line('profile')}\n{text}")
        write_schemas(file.parent / FOLDER)
    except OSError as error:
        reason = "a file that is there already" if file.exists() else str(error)
        remedy = "name another file; nothing is overwritten"
        fault = Fault("the new profile", reason, "a new file", remedy, Position(str(file)))
        raise Refused([fault]) from error
    marks = len(plugin(CHECKERS, "scaffold").unfilled(file))
    print(f"wrote {file}: {marks} lines marked FILL")
    print(f"next: fill them in from the manual, then 'ohmward profile check {file}'")
    return Exit.DONE
