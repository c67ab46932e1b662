"""``ohmward new``: a working station folder to start from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import guarded

if TYPE_CHECKING:
    from orchestrator.errors import Refused

TEMPLATE = "bench_station"


def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make; it must not hold anything yet.")],
) -> None:
    """Make a station folder that passes check and runs on simulated instruments."""
    raise typer.Exit(guarded(lambda _: make(folder)))


def make(folder: Path) -> Exit:
    """Copy the template and write the editor's schemas beside it.

    Raises:
        Refused: the folder isn't empty or can't be written.
    """
    from orchestrator.assembly.schemas import FOLDER, first_line, write_schemas
    from orchestrator.resources import resource_folder

    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            found = "a folder that holds something" if folder.is_dir() else "a file"
            raise _refused(folder, found, "name a folder that doesn't exist yet")
        folder.mkdir(parents=True, exist_ok=True)
        sources = sorted((resource_folder("examples") / TEMPLATE).glob("*.yaml"))
        for source in sources:
            # Each template is named as its kind of file.
            line = f"{first_line(source.stem)}\n".encode()
            (folder / source.name).write_bytes(line + source.read_bytes())
        write_schemas(folder / FOLDER)
    except OSError as error:
        reason = error.strerror or str(error)
        raise _refused(folder, reason, "choose a folder that you may write to") from error
    _tell(folder, [source.name for source in sources])
    return Exit.DONE


def _refused(folder: Path, found: str, remedy: str) -> Refused:
    from orchestrator.errors import Fault, Position, Refused

    return Refused(
        [Fault("the new folder", found, "a new or empty folder", remedy, Position(str(folder)))]
    )


def _tell(folder: Path, names: list[str]) -> None:
    from shlex import quote

    from orchestrator.cli.screen import make_console

    console = make_console()
    console.print(f"made {folder}: {', '.join(names)}")
    station, program = (quote(str(folder / name)) for name in ("station.yaml", "program.yaml"))
    console.print("the product in it is invented, its instruments are simulated; next:")
    console.print(f"  ohmward check {station} {program}")
    console.print(f"  ohmward run {station} {program} --serial X1")
