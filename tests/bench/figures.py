"""One row of the table of timings, and how rows are shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its goal. ``met``: None where there is no goal; ``note``: how it was made."""

    what: str
    figure: str
    goal: str
    met: bool | None
    note: str


def quantile(values: Sequence[float], share: float) -> float:
    """The value that so large a share of the sorted values doesn't exceed (nearest rank)."""
    if not values:
        raise ValueError("no values: nothing was measured")
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def median(values: Sequence[float]) -> float:
    return quantile(values, 0.5)


def micro(seconds: float) -> str:
    return f"{seconds * 1e6:.1f} µs"


def milli(seconds: float) -> str:
    return f"{seconds * 1e3:.2f} ms"


def show(figures: Sequence[Figure], console: Console) -> None:
    """Print the table, then how each figure was made."""
    table = Table(title="What ohmward costs", title_justify="left")
    table.add_column("", justify="right")
    for heading in ("what", "figure", "goal", "met?"):
        table.add_column(heading, overflow="fold")
    words = {True: "yes", False: "NO", None: "-"}
    for number, figure in enumerate(figures, start=1):
        table.add_row(str(number), figure.what, figure.figure, figure.goal, words[figure.met])
    console.print(table)
    for number, figure in enumerate(figures, start=1):
        console.print(f"{number}. {figure.note}", highlight=False, soft_wrap=True)
