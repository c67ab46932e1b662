"""``ohmward schema``: JSON Schemas of the files, for completion and checking in an editor."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import guarded


def schema_command(
    folder: Annotated[
        Path, typer.Argument(help="Folder for the schema files; it is made if need be.")
    ] = Path(".schemas"),
) -> None:
    """Write a JSON Schema for each kind of file, for editors with a YAML language server.

    Older schema files in the folder are replaced. The first line of your own file names its
    schema; `ohmward new` writes schemas and first lines by itself.
    """
    raise typer.Exit(guarded(lambda _: write(folder)))


def write(folder: Path) -> Exit:
    """Write the files, tell the first lines. Raises Refused where the folder can't be written."""
    from orchestrator.assembly.schemas import KINDS, file_name, first_line, write_schemas
    from orchestrator.cli.screen import make_console
    from orchestrator.errors import Fault, Position, Refused

    try:
        write_schemas(folder)
    except OSError as error:
        reason = error.strerror or str(error)
        remedy = "choose a folder that you may write to"
        fault = Fault("the schemas", reason, "a writable folder", remedy, Position(str(folder)))
        raise Refused([fault]) from error
    console = make_console()
    console.print(f"wrote {folder}: {', '.join(file_name(kind) for kind in KINDS)}")
    console.print("a file beside that folder begins with the line of its kind:")
    for kind in KINDS:
        # As it must be copied: never broken into two lines.
        console.print(f"  {first_line(kind, folder.absolute().name)}", soft_wrap=True)
    return Exit.DONE
