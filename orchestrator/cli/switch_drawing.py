"""An address switch drawn: told apart by shape and word, never by colour."""

from __future__ import annotations

from collections.abc import Iterable
from typing import IO, Any

from orchestrator.cli.screen import can_show

_SHAPES = {"up": "▲", "down": "▼", "left": "◀", "right": "▶"}
_PLAIN_SHAPES = {"up": "^", "down": "v", "left": "<", "right": ">"}
COUNTS, COUNTS_NOT = "◆", "─"
PLAIN_COUNTS, PLAIN_COUNTS_NOT = "#", "-"
LABEL = 10


def drawing(stands: Iterable[Any], stream: IO[str], *, wrong: Iterable[Any] = ()) -> list[str]:
    """Lines of text, one column per position in printed order.

    Args:
        stands: positions with number, word, counts, worth; as the switch must stand.
        wrong: as it stands now, where that is otherwise; drawn below, with the difference marked.
    """
    must, now = tuple(stands), tuple(wrong)
    width = max(8, *(len(position.word) + 4 for position in (*must, *now)))

    def row(label: str, cells: Iterable[str]) -> str:
        return f"{label:<{LABEL}}{''.join(f'{cell:^{width}}' for cell in cells)}".rstrip()

    def drawn(positions: Iterable[Any]) -> list[str]:
        return [f"{glyph(position, stream)} {position.word}" for position in positions]

    lines = [row("position", (str(position.number) for position in must))]
    if now:
        pairs = zip(must, now, strict=True)
        lines.append(row("stands", drawn(now)))
        lines.append(row("should be", drawn(must)))
        lines.append(row("", ("wrong" if a.counts != b.counts else "" for a, b in pairs)))
        return lines
    lines.append(row("stands", drawn(must)))
    lines.append(row("worth", (str(position.worth) for position in must)))
    lines.append(row("counts", (str(p.worth) if p.counts else "-" for p in must)))
    return lines


def glyph(position: Any, stream: IO[str]) -> str:
    """The shape of one position: where it points if its word says so, else whether it counts."""
    shapes, counts, counts_not = _SHAPES, COUNTS, COUNTS_NOT
    if not can_show("".join((*_SHAPES.values(), COUNTS, COUNTS_NOT)), stream):
        shapes, counts, counts_not = _PLAIN_SHAPES, PLAIN_COUNTS, PLAIN_COUNTS_NOT
    return shapes.get(position.word, counts if position.counts else counts_not)


def sum_of(stands: Iterable[Any], offset: int, address: int) -> str:
    """'4 + 1 = 5', the offset with it where there is one."""
    parts = [str(position.worth) for position in stands if position.counts] or ["0"]
    if offset:
        parts.append(f"offset {offset}")
    return f"{' + '.join(parts)} = {address}"
