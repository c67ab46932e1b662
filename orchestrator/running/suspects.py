"""What a search starts from: the nets of a failed step, what may be done with them, the suspects.

Pure. All of it is read off the bound program and what has passed in this run so far:

- Points that a passed bonding or continuity step joins are one conductor, so one net here.
- Two nets may stand on opposite sides if a DC step of the program (insulation, withstand) puts them
  there at the search's level or above, as the wire carries it; or if an AC step does that is itself
  searched at that DC level or above: its `locate` says that its two sides may see it. An AC level
  opens nothing by itself, whatever its peak. What no step opens isn't opposed by a search.
- Nets are left open only where `locate.floating` says why they may be.
- A pair is proved good by a passed insulation step at the search's level or above whose limit is
  at least that of a search step with the same sides: one pair's, or the group's own where
  `locate.insulation` makes one. A withstand step that failed voids that for the pairs it opposed:
  what it broke down was sound before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from orchestrator.model.needs import ceiling_of
from orchestrator.model.program import Locate
from orchestrator.model.record import StepResult, Together
from orchestrator.model.schedule import BoundStep, LimitOrder, Schedule
from orchestrator.model.search_limits import search_limit
from orchestrator.model.words import (
    CONTACT_KINDS,
    HIGH_VOLTAGE_KINDS,
    Edge,
    Measured,
    Outcome,
    StepKind,
    Waveform,
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

    A lower limit on current, or an upper one on resistance, is broken by an open lead. A trip as
    the level rises may leave a reading that only reaches its limit.
    """
    if result.tester_verdict == "breakdown":
        return True
    broken = [x for x in step.order.limits if kept(x, result.values.get(x.quantity)) == "broken"]
    if any(_leaks(limit) for limit in broken):
        return True
    return not broken and any(_leaks(limit) for limit in step.order.limits)


def _leaks(limit: LimitOrder) -> bool:
    if limit.quantity in _CURRENTS:
        return limit.edge is Edge.AT_MOST
    return limit.quantity is Measured.RESISTANCE and limit.edge is Edge.AT_LEAST


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
    exposed = {point for pair in exposures for point in pair}
    everywhere = (*points, *sorted(exposed.difference(points)))
    conductor = dict(
        zip(everywhere, _conductors(everywhere, passed, accept * JOINED_SHARE), strict=True)
    )
    labels = [conductor[point] for point in points]
    applied = set(step.apply_to)
    order = sorted(
        range(len(points)), key=lambda n: (labels[n], points[n] not in applied, points[n])
    )
    points = tuple(points[n] for n in order)
    keys = [(labels[n], point not in applied) for n, point in zip(order, points, strict=True)]
    starts = [n for n, key in enumerate(keys) if n == 0 or key != keys[n - 1]]
    nets = tuple(points[a:b] for a, b in zip(starts, [*starts[1:], len(points)], strict=True))
    opposed = _opened(schedule, step, locate, points, locate.level.value)
    cleared = _cleared(opposed, passed, step, locate, points)
    source = np.array([net[0] in applied for net in nets], dtype=np.bool_)
    across: Bools = np.not_equal.outer(source, source)
    ground = Ground(
        nets=tuple(range(len(nets))),
        source=source,
        may_oppose=_all_of(opposed, starts),
        left=_left(nets, conductor, locate.exposures_at_most, exposures),
        cleared=_all_of(cleared, starts),
        may_float=np.full(len(nets), locate.floating is not None, dtype=np.bool_),
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


def opened_at(
    schedule: Schedule,
    failed: BoundStep,
    locate: Locate,
    nets: Sequence[Together],
    level_v: Decimal,
) -> Bools:
    """Which nets a search may oppose if the wire carries so much; see above."""
    points = tuple(point for net in nets for point in net)
    starts = np.cumsum([0, *(len(net) for net in nets[:-1])]).tolist()
    return _all_of(_opened(schedule, failed, locate, points, level_v), starts)


def _opened(
    schedule: Schedule,
    failed: BoundStep,
    locate: Locate,
    points: tuple[str, ...],
    level_v: Decimal,
) -> Bools:
    opened = np.zeros((len(points), len(points)), np.bool_)
    for step in schedule.steps:
        if step.kind not in HIGH_VOLTAGE_KINDS:
            continue
        if step.order.waveform is Waveform.DC:
            may_v = step.order.level
        else:
            searched = locate if step.index == failed.index else step.locate
            if searched is None or searched.level.value < locate.level.value:
                continue
            may_v = ceiling_of(searched.level.value, searched.level_ceiling)
        if may_v >= level_v:
            opened |= _opposed_by(step, points)
    return opened


def _cleared(
    opposed: Bools,
    passed: Sequence[BoundStep],
    failed: BoundStep,
    locate: Locate,
    points: tuple[str, ...],
) -> Bools:
    """Which pairs of points are proved good."""
    cleared = np.zeros_like(opposed)
    untouched = opposed & ~_opposed_by(failed, points)
    for step in passed:
        if step.kind is StepKind.INSULATION and _proves(step, locate):
            # What failed above the level at which a pair had passed may have broken it down.
            sound = failed.kind is StepKind.INSULATION and step.order.level >= failed.order.level
            shown = _opposed_by(step, points)
            cleared |= shown if sound else shown & untouched
    return cleared


def _proves(step: BoundStep, locate: Locate) -> bool:
    """Whether one bad pair would have shown in an insulation step."""
    order = step.asked if step.taken_out else step.order
    least = order.limit(Measured.RESISTANCE, Edge.AT_LEAST)
    if least is None or step.order.level < locate.level.value:
        return False
    own = locate.accept.resistance.at_least.value
    keys = step.locate
    if keys is None or keys.accept.resistance.at_least.value < own:
        keys = locate  # else its own keys know more of what stands beside a pair there
    return least >= _limit_ohm(step, keys)


def _limit_ohm(step: BoundStep, locate: Locate) -> Decimal:
    """What a search step with the sides of a step has as its limit."""
    return search_limit(locate, step.apply_to, (*step.against, *step.others)).at_least_ohm


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
    nets: Sequence[Together],
    conductor: Mapping[str, int],
    most: int,
    exposures: Mapping[PointPair, int],
) -> Ints:
    """Exposures left; those of other points of a conductor count for it, too."""
    left = np.full((len(nets), len(nets)), most, dtype=np.int64)
    rows: dict[int, list[int]] = {}
    for row, net in enumerate(nets):
        rows.setdefault(conductor[net[0]], []).append(row)
    for (one, other), count in exposures.items():
        for a in rows.get(conductor[one], ()):
            for b in rows.get(conductor[other], ()):
                left[a, b] = left[b, a] = min(left[a, b], max(0, most - count))
    np.fill_diagonal(left, 0)
    return left


def _pairs(table: Bools) -> tuple[Pair, ...]:
    return tuple((int(one), int(other)) for one, other in np.argwhere(np.triu(table)))


def _reproduces(step: BoundStep, results: Iterable[StepResult], locate: Locate) -> bool:
    if step.kind is not StepKind.INSULATION or step.asked.level != locate.level.value:
        return False
    limit = LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, _limit_ohm(step, locate))
    reading = next(r for r in results if r.index == step.index).values.get(Measured.RESISTANCE)
    return kept(limit, reading) == "broken"
