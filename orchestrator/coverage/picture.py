"""Which pairs of nets are covered by which step: the picture's contents, without its looks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from orchestrator.coverage.classes import Counts, Ids
from orchestrator.coverage.cover import pair_tallies
from orchestrator.coverage.steps import VoltageStep, see
from orchestrator.coverage.strain import strain_by_group
from orchestrator.documents import Document
from orchestrator.model.demands import Demands
from orchestrator.model.program import Program
from orchestrator.model.schedule import Schedule

EARTH, LOOSE = "earth", "no circuit"
MOST_NETS = 200
"""Up to so many nets each has a row of its own; beyond, groups have."""


class Mark(StrEnum):
    """What a cell shows; the worst counts, in this order."""

    STRESSED = "stressed"  # above what the pair may see
    OPEN = "open"
    MASKED = "masked"
    COVERED = "covered"
    FREE = "free"  # nothing is demanded
    SELF = "self"  # one net, or one group without demands within it


@dataclass(frozen=True, slots=True)
class Cell:
    """One pair of rows. ``steps``: those that cover it; empty between groups."""

    mark: Mark
    demanded: int
    open: int
    masked: int
    steps: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """Rows that belong together: a circuit, earth, or nets of no circuit."""

    name: str
    start: int
    end: int


@dataclass(frozen=True)
class Picture:
    """Rows in the order in which they are drawn; `cells` by (row, column), both ways.

    ``grouped``: a row is a group of nets, not one net. ``cautions``: what has to stand on it.
    """

    title: str
    rows: tuple[str, ...]
    sections: tuple[Section, ...]
    cells: tuple[tuple[Cell, ...], ...]
    grouped: bool
    complete: bool
    cautions: tuple[str, ...] = ()


def picture_of(
    demands: Demands,
    program: Document[Program],
    wire: Schedule | None = None,
    *,
    complete: bool,
    most_nets: int = MOST_NETS,
    most_rows: int = 100,
) -> Picture:
    """The matrix of a program.

    Args:
        complete: what `cover` says of the whole; it stands in the picture.
        most_nets: with more nets, rows are circuits and runs of nets of no circuit.
        most_rows: runs at most.

    Raises:
        Refused: as `cover`.
    """
    ordered = tuple(_ordered(demands))
    grouped = len(demands.nets) > most_nets
    rows, sections, groups = (
        _grouped(demands, ordered, most_rows) if grouped else _single(demands, ordered)
    )
    size = len(rows)
    sums: list[Counts] = [np.zeros((size, size), dtype=np.int64) for _ in range(3)]
    steps: dict[tuple[int, int], set[int]] = {}
    for _, fit, found in pair_tallies(demands, program, wire, groups):
        parts = (found.demanded_by, found.open_by, found.masked_by)
        for total, part in zip(sums, parts, strict=True):
            if part is not None:
                np.add(total, part, out=total)
        if not grouped and found.demanded_by is not None:
            covering = (*fit.sure, *(step for step, _ in fit.mixed))
            _note_steps(steps, covering, ordered, found.demanded_by)
    sums.append(strain_by_group(demands, see(demands, program, wire), groups))
    cells = tuple(
        tuple(_cell(sums, steps, row, column) for column in range(size)) for row in range(size)
    )
    title = f"product {demands.product}, revision {demands.revision}; program"
    title += f" {program.model.name}, revision {program.model.revision}"
    return Picture(title, rows, sections, cells, grouped, complete, demands.cautions)


def _ordered(demands: Demands) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Sections with their nets: earth, the circuits, the rest."""
    if demands.earthed:
        yield EARTH, tuple(sorted(demands.earthed))
    for circuit in demands.circuits:
        nets = tuple(net for net in circuit.nets if net not in demands.earthed)
        if nets:
            yield circuit.name, nets
    rest = tuple(
        net.index
        for net in demands.nets
        if net.circuit is None and net.index not in demands.earthed
    )
    if rest:
        yield LOOSE, rest


Layout = tuple[tuple[str, ...], tuple[Section, ...], Ids]


def _single(demands: Demands, ordered: tuple[tuple[str, tuple[int, ...]], ...]) -> Layout:
    rows: list[str] = []
    sections = []
    groups = np.zeros(len(demands.nets), dtype=np.int64)
    for name, nets in ordered:
        sections.append(Section(name, len(rows), len(rows) + len(nets)))
        for net in nets:
            groups[net] = len(rows)
            rows.append(demands.nets[net].name)
    return tuple(rows), tuple(sections), groups


def _grouped(
    demands: Demands, ordered: tuple[tuple[str, tuple[int, ...]], ...], most_rows: int
) -> Layout:
    """Circuits as rows; nets of no circuit in at most so many runs."""
    rows: list[str] = []
    sections = []
    groups = np.zeros(len(demands.nets), dtype=np.int64)
    for name, nets in ordered:
        length = -(-len(nets) // most_rows) if name == LOOSE else len(nets)
        sections.append(Section(name, len(rows), len(rows) + -(-len(nets) // length)))
        for start in range(0, len(nets), length):
            run = nets[start : start + length]
            groups[list(run)] = len(rows)
            first, last = demands.nets[run[0]].name, demands.nets[run[-1]].name
            told = first if len(run) == 1 else f"{first} to {last}"
            rows.append(told if name == LOOSE else f"{name} ({len(nets)})")
    return tuple(rows), tuple(sections), groups


def _note_steps(
    steps: dict[tuple[int, int], set[int]],
    covering: tuple[VoltageStep, ...],
    ordered: tuple[tuple[str, tuple[int, ...]], ...],
    demanded: Counts,
) -> None:
    order = np.array([net for _, nets in ordered for net in nets])
    for step in covering:
        sides = step.driven[order]
        opposed = (sides[:, None] * sides[None, :] < 0) & (demanded > 0)
        for row, column in np.argwhere(opposed):
            steps.setdefault((int(row), int(column)), set()).add(step.number)


def _cell(
    sums: list[Counts],
    steps: dict[tuple[int, int], set[int]],
    row: int,
    column: int,
) -> Cell:
    demanded, bare, masked, stressed = (int(total[row, column]) for total in sums)
    if stressed:
        mark = Mark.STRESSED
    elif bare:
        mark = Mark.OPEN
    elif masked:
        mark = Mark.MASKED
    elif demanded:
        mark = Mark.COVERED
    else:
        mark = Mark.SELF if row == column else Mark.FREE
    numbers = tuple(sorted(steps.get((row, column), ())))
    return Cell(mark, demanded, bare, masked, numbers)
