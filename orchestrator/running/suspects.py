"""What a search starts from: the nets of a failed step, what may be done with them, the suspects.

Pure. All of it is read off the bound program and what has passed in this run so far:

- Points that a passed bonding or continuity step joins are one conductor, so one net here.
- Two nets may stand on opposite sides if some step of the program puts them there at the search's
  level or above; what no step opposes isn't opposed by a search either.
- A pair is proved good by a passed insulation step at the search's level or above whose limit is
  at least that of one pair. A withstand step that failed voids that for the pairs it opposed: what
  it broke down was sound before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from orchestrator.model.program import Locate
from orchestrator.model.record import StepResult, Together
from orchestrator.model.schedule import BoundStep, LimitOrder, Schedule
from orchestrator.model.words import (
    CONTACT_KINDS,
    HIGH_VOLTAGE_KINDS,
    Edge,
    Measured,
    Outcome,
    StepKind,
)
from orchestrator.planning.ground import Ground, Pair
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.running.judge import kept

PointPair = tuple[str, str]
"""Two points, in the order of their names."""

JOINED_SHARE = Decimal("0.01")
"""Points are one conductor if proved joined by at most this part of what a pair must have."""

_CURRENTS = frozenset({Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT, Measured.CURRENT})


@dataclass(frozen=True)
class Suspects:
    """``nets``: number → points. ``reproduces``: the failed step is a failure at the search's
    level, too. ``pairs``: those that may be faulty; ``opposed``: all that the step opposed."""

    nets: tuple[Together, ...]
    ground: Ground
    pairs: tuple[Pair, ...]
    opposed: tuple[Pair, ...]
    reproduces: bool


def leak_shows(step: BoundStep, result: StepResult) -> bool:
    """Whether the step failed by a leak or breakdown, which is what a search can find.

    A lower limit on current, or an upper one on resistance, is broken by an open lead.
    """
    if result.tester_verdict == "breakdown":
        return True
    return any(
        kept(limit, result.values.get(limit.quantity)) == "broken"
        for limit in step.order.limits
        if (limit.quantity in _CURRENTS and limit.edge is Edge.AT_MOST)
        or (limit.quantity is Measured.RESISTANCE and limit.edge is Edge.AT_LEAST)
    )


def suspects_of(
    schedule: Schedule,
    results: Sequence[StepResult],
    step: BoundStep,
    locate: Locate,
    exposures: Mapping[PointPair, int],
) -> Suspects:
    """The start of the search after a failed step. ``exposures``: by earlier searches."""
    accept = locate.accept.resistance.at_least.value
    passed = _passed(schedule, results)
    points = (*step.apply_to, *step.against, *step.others)
    labels = _conductors(points, passed, accept * JOINED_SHARE)
    applied = set(step.apply_to)
    order = sorted(
        range(len(points)), key=lambda n: (labels[n], points[n] not in applied, points[n])
    )
    points = tuple(points[n] for n in order)
    keys = [(labels[n], point not in applied) for n, point in zip(order, points, strict=True)]
    starts = [n for n, key in enumerate(keys) if n == 0 or key != keys[n - 1]]
    nets = tuple(points[a:b] for a, b in zip(starts, [*starts[1:], len(points)], strict=True))
    opposed, cleared = _tables(schedule, passed, step, locate, points)
    source = np.array([net[0] in applied for net in nets], dtype=np.bool_)
    across: Bools = np.not_equal.outer(source, source)
    may_float = step.others_open or locate.floating is not None
    ground = Ground(
        nets=tuple(range(len(nets))),
        source=source,
        may_oppose=_all_of(opposed, starts),
        left=_left(points, starts, locate.exposures_at_most, exposures),
        cleared=_all_of(cleared, starts),
        may_float=np.full(len(nets), may_float, dtype=np.bool_),
        bodies=np.arange(len(nets), dtype=np.int64),
    )
    return Suspects(
        nets,
        ground,
        _pairs(across & ~ground.cleared),
        _pairs(across),
        _reproduces(step, results, locate),
    )


def _passed(schedule: Schedule, results: Iterable[StepResult]) -> tuple[BoundStep, ...]:
    good = {result.index for result in results if result.outcome is Outcome.PASS}
    return tuple(step for step in schedule.steps if step.index in good)


def _conductors(points: Sequence[str], passed: Iterable[BoundStep], most_ohm: Decimal) -> list[int]:
    """Point → conductor. A step with several points on a side proves no single joint."""
    leader = {point: point for point in points}

    def find(point: str) -> str:
        while leader.setdefault(point, point) != point:
            point = leader[point]
        return point

    for step in passed:
        most = step.order.limit(Measured.RESISTANCE, Edge.AT_MOST)
        against = (*step.against, *step.others)
        if step.kind not in CONTACT_KINDS or most is None or most > most_ohm:
            continue
        if len(step.apply_to) == len(against) == 1:
            leader[find(step.apply_to[0])] = find(against[0])
    numbers: dict[str, int] = {}
    return [numbers.setdefault(find(point), len(numbers)) for point in points]


def _tables(
    schedule: Schedule,
    passed: Sequence[BoundStep],
    failed: BoundStep,
    locate: Locate,
    points: tuple[str, ...],
) -> tuple[Bools, Bools]:
    """Which points some step opposes at the level or above; which pairs are proved good."""
    opposed = np.zeros((len(points), len(points)), np.bool_)
    cleared = opposed.copy()
    for step in schedule.steps:
        if step.kind in HIGH_VOLTAGE_KINDS and step.order.level >= locate.level.value:
            opposed |= _opposed_by(step, points)
    untouched = opposed & ~_opposed_by(failed, points)
    for step in passed:
        least = step.order.limit(Measured.RESISTANCE, Edge.AT_LEAST)
        if step.kind is not StepKind.INSULATION or least is None:
            continue
        if step.order.level < locate.level.value or least < locate.accept.resistance.at_least.value:
            continue
        # What failed above the level at which a pair had passed may have broken it down.
        sound = failed.kind is StepKind.INSULATION and step.order.level >= failed.order.level
        shown = _opposed_by(step, points)
        cleared |= shown if sound else shown & untouched
    return opposed, cleared


def _opposed_by(step: BoundStep, points: Sequence[str]) -> Bools:
    here, there = set(step.apply_to), {*step.against, *step.others}
    source = np.array([point in here for point in points], dtype=np.bool_)
    back = np.array([point in there for point in points], dtype=np.bool_)
    one_way: Bools = np.logical_and.outer(source, back)
    both: Bools = one_way | one_way.T
    return both


def _all_of(table: Bools, starts: Sequence[int]) -> Bools:
    """Of nets: what holds for each of their points."""
    rows = np.logical_and.reduceat(table, starts, axis=0)
    found: Bools = np.logical_and.reduceat(rows, starts, axis=1)
    np.fill_diagonal(found, val=False)
    return found


def _left(
    points: Sequence[str], starts: Sequence[int], most: int, exposures: Mapping[PointPair, int]
) -> Ints:
    left = np.full((len(points), len(points)), most, dtype=np.int64)
    place = {point: n for n, point in enumerate(points)}
    for (one, other), count in exposures.items():
        if one in place and other in place:
            a, b = place[one], place[other]
            left[a, b] = left[b, a] = max(0, most - count)
    rows = np.minimum.reduceat(left, starts, axis=0)
    found: Ints = np.minimum.reduceat(rows, starts, axis=1)
    np.fill_diagonal(found, 0)
    return found


def _pairs(table: Bools) -> tuple[Pair, ...]:
    return tuple((int(one), int(other)) for one, other in np.argwhere(np.triu(table)))


def _reproduces(step: BoundStep, results: Iterable[StepResult], locate: Locate) -> bool:
    if step.kind is not StepKind.INSULATION or step.asked.level != locate.level.value:
        return False
    value = locate.accept.resistance.at_least.value
    limit = LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, value)
    reading = next(r for r in results if r.index == step.index).values.get(Measured.RESISTANCE)
    return kept(limit, reading) == "broken"
