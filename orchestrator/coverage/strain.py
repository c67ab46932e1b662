"""What a program does to the product beyond what is allowed: its steps, and searches after them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from orchestrator.coverage.burdens import crowded, stored
from orchestrator.coverage.classes import Counts, Flags, Ids
from orchestrator.coverage.reach import Reach, open_nets
from orchestrator.coverage.report import Afloat, Crowded, Overspent, Reached, Short, Stored, Stress
from orchestrator.coverage.searching import as_search, loose_nets, overspent, said_by
from orchestrator.coverage.steps import Seen, VoltageStep
from orchestrator.coverage.stress import Stressing, afloat, shorts
from orchestrator.model.demands import Demands


@dataclass(frozen=True)
class Strain:
    """The findings of `Coverage` that say so."""

    shorts: tuple[Short, ...]
    stresses: tuple[Stress, ...]
    afloat: tuple[Afloat, ...]
    reached: tuple[Reached, ...]
    overspent: tuple[Overspent, ...]
    stored: tuple[Stored, ...]
    crowded: tuple[Crowded, ...]


def strain_of(demands: Demands, seen: Seen, *, name: int) -> Strain:
    """Judge every voltage step and the search after it; at most `name` pairs of each are named."""
    stressing, reach = Stressing(demands), Reach(demands)
    stresses = [
        stressing.of(step, name=name, search=search) for step, search in _opposing(seen.voltage)
    ]
    floats = [
        afloat(demands, step, loose, name=name, search=search)
        for step, loose, search in _leaving_open(seen.voltage)
    ]
    reached = [
        reach.of(step, loose, name=name, search=search)
        for step, loose, search in _leaving_open(seen.voltage)
    ]
    return Strain(
        shorts=tuple(shorts(demands, seen.voltage)),
        stresses=tuple(found for found in stresses if found is not None),
        afloat=tuple(found for found in floats if found is not None),
        reached=tuple(found for found in reached if found is not None),
        overspent=tuple(overspent(demands, seen.voltage)),
        stored=tuple(stored(demands, seen.voltage)),
        crowded=tuple(crowded(demands, seen.voltage)),
    )


def strain_by_group(demands: Demands, seen: Seen, groups: Ids) -> Counts:
    """Pairs that see too much, by group against group; once for each step and search."""
    size = int(groups.max()) + 1
    total = np.zeros((size, size), dtype=np.int64)
    stressing, reach = Stressing(demands), Reach(demands)
    for step, _ in _opposing(seen.voltage):
        total += stressing.by_group(step, groups)
    for step, loose, _ in _leaving_open(seen.voltage):
        total += reach.by_group(step, loose, groups)
    return total


def _opposing(steps: tuple[VoltageStep, ...]) -> Iterator[tuple[VoltageStep, bool]]:
    """Steps, and what searches make of them (True)."""
    for step in steps:
        yield step, False
        if step.search is not None and not said_by(step, step.search):
            yield as_search(step, step.search), True


def _leaving_open(steps: tuple[VoltageStep, ...]) -> Iterator[tuple[VoltageStep, Flags, bool]]:
    """The same with the nets that may be open."""
    for step in steps:
        yield step, open_nets(step), False
        search = step.search
        if search is not None and (search.floating or not said_by(step, search)):
            yield as_search(step, search), loose_nets(step, search), True
