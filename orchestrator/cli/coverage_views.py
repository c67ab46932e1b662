"""What `ohmward coverage` shows: words, the matrix on a terminal, JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO, TYPE_CHECKING, Any

from orchestrator.cli.codes import Exit
from orchestrator.cli.screen import can_show

if TYPE_CHECKING:
    from rich.text import Text

    from orchestrator.coverage.picture import Picture
    from orchestrator.coverage.report import Coverage

TERMINAL_NETS = 40
"""Up to so many nets the terminal's matrix has a row for each."""

_COLUMNS = 110  # of a terminal, as far as wide cells may go


def as_data(found: Coverage, code: Exit) -> dict[str, Any]:
    """The whole judgement for machines: SI units as texts, findings also as sentences."""
    from orchestrator.coverage.words import findings

    return {
        "kind": "coverage",
        "ok": found.complete,
        "exit_code": int(code),
        "complete": found.complete,
        "findings": list(findings(found)),
        **_plain(found),
    }


def _plain(value: Any) -> Any:
    """Dataclasses as mappings; exact numbers as texts; places as file:line:column."""
    from dataclasses import fields, is_dataclass
    from decimal import Decimal

    from orchestrator.coverage.report import PairCover
    from orchestrator.errors import Position

    if isinstance(value, Position):
        return str(value)
    if is_dataclass(value):
        plain = {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
        if isinstance(value, PairCover):
            plain["open"] = value.open
        return plain
    if isinstance(value, dict):
        return {str(key): _plain(held) for key, held in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(held) for held in value]
    return format(value, "f") if isinstance(value, Decimal) else value


def tell(found: Coverage, picture: Picture, stream: IO[str]) -> Iterator[Text]:
    """Headline, figures, matrix, findings, notices."""
    from rich.text import Text

    from orchestrator.coverage.words import figures, findings, headline

    style = "name" if found.complete else "alert"
    yield Text(headline(found), style=style)
    for line in figures(found):
        yield Text(f"  {line}")
    yield from matrix(picture, stream)
    for line in findings(found):
        yield Text.assemble(("finding", "alert"), f": {line}")
    for line in found.notices:
        yield Text(f"note: {line}")


def matrix(picture: Picture, stream: IO[str]) -> Iterator[Text]:
    """Rows against columns; the number above a column is the row of that number."""
    from rich.text import Text

    from orchestrator.coverage.picture import Mark

    size = len(picture.rows)
    marks = _marks(stream)
    name_width = max(len(row) for row in picture.rows)
    numbers = (",".join(map(str, cell.steps)) for cells in picture.cells for cell in cells)
    width = min(max(3, *(len(told) + 1 for told in numbers)), 8)
    if name_width + 4 + size * width > _COLUMNS:
        width = 3
    owner = {
        row: section.name
        for section in picture.sections
        for row in range(section.start, section.end)
    }
    yield Text(" " * (name_width + 4) + "".join(f"{n + 1:>{width}}" for n in range(size)))
    for number, (row, cells) in enumerate(zip(picture.rows, picture.cells, strict=True)):
        text = Text(f"{number + 1:>3} {row:<{name_width}}")
        for cell in cells:
            bad = cell.mark in {Mark.OPEN, Mark.MASKED, Mark.STRESSED}
            told = marks[cell.mark]
            if cell.mark is Mark.COVERED and cell.steps:
                told = _numbers(cell.steps, width - 1, marks[Mark.COVERED])
            text.append(f"{told:>{width}}", style="alert" if bad else "quiet")
        if not picture.grouped and (number == 0 or owner[number] != owner[number - 1]):
            text.append(f"  {owner[number]}", style="strong")
        yield text
    yield Text("    " + "; ".join(f"{marks[mark]} {words}" for mark, words in _LEGEND.items()))


_LEGEND = {
    "covered": "covered (or the covering step's number)",
    "open": "open",
    "masked": "masked by its group's limit",
    "stressed": "stressed too high",
    "free": "nothing demanded",
}


def _marks(stream: IO[str]) -> dict[str, str]:
    nice = {"covered": "●", "open": "✕", "masked": "▒", "stressed": "!", "free": "·", "self": "–"}
    plain = {"covered": "o", "open": "X", "masked": "?", "stressed": "!", "free": ".", "self": "-"}
    return nice if can_show("".join(nice.values()), stream) else plain


def _numbers(steps: tuple[int, ...], room: int, mark: str) -> str:
    """All numbers if they fit; else the first with a plus; else the mark."""
    every = ",".join(map(str, steps))
    if len(every) <= room:
        return every
    first = f"{steps[0]}+"
    return first if len(first) <= room else mark
