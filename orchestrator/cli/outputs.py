"""Writing what a command makes, without losing what stands there."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from orchestrator.errors import Fault, Position, Refused


def check_output(option: str, path: Path, inputs: Iterable[Path | None], *, replace: bool) -> None:
    """Raise Refused where a file may not be written: one of the command's own inputs, ever; any
    other that exists, unless it may be replaced."""
    if not path.exists():
        return
    at = Position(str(path))
    if any(given is not None and given.exists() and path.samefile(given) for given in inputs):
        found, expected = "a file that this command reads", "another file"
        raise Refused((Fault(option, found, expected, "choose a new name", at),))
    if not replace:
        found, expected = "a file that exists", "a new file"
        remedy = "choose a new name, or add --replace if it may be lost"
        raise Refused((Fault(option, found, expected, remedy, at),))


def write_output(option: str, path: Path, text: str) -> None:
    """Write a file. Raises Refused where that fails."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or str(error)
        lacks = not path.parent.is_dir()
        remedy = f"make the folder {path.parent}" if lacks else "choose a file that can be written"
        fault = Fault(option, reason, "a file to write", remedy, Position(str(path)))
        raise Refused((fault,)) from error
