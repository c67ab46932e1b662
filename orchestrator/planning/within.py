"""The tests of one kind within their budgets: shared between levels if that fits, else narrowed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from orchestrator.errors import Fault
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.budget_bounds import Bound, least_within
from orchestrator.planning.budget_loads import problems
from orchestrator.planning.covers import COVER_UNITS, sides_within
from orchestrator.planning.few_contacts import (
    Crowd,
    closing_few,
    floating_nets,
    inside_units,
    least_closing,
    of_units,
)
from orchestrator.planning.levels import Cut, KindPlan, LevelPlan, plan_kind
from orchestrator.planning.limits import Budgets, Settled
from orchestrator.planning.moving import FINE, Judge, Moved, opposed
from orchestrator.planning.narrow import EXACT_UNITS, Narrowed, narrow
from orchestrator.planning.opposing import Units
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.words import volts

PIECES = 100
"""Units of one sort are moved in pieces, so that there are about so many."""
PIECES_CLOSED = (2, 4, 8, 16)
"""Pieces that fit on the two sides of a test where contacts are few: these are tried."""
FEW_PIECES = 11
"""Pieces of which all sides are looked at; with up to 100 units `EXACT_UNITS`."""
FEW_SIDES = 1500
"""Where budgets leave so few sides, all of them are looked at."""


@dataclass(frozen=True)
class Test:
    """A cut with the demands that it counts for and its limits."""

    cut: Cut
    counting: tuple[PairDemand, ...]
    settled: Settled


@dataclass(frozen=True)
class KindTests:
    """All tests of a kind. ``gaps``: what can't be planned. ``split``: tests before splitting."""

    plan: KindPlan
    tests: tuple[Test, ...]
    least: int
    proof: str
    gaps: tuple[Fault, ...]
    split: int | None = None


def tests_of_kind(
    demands: Demands, kind: StepKind, frequency_hz: Decimal | None,
    wanted: Sequence[PairDemand], budgets: Budgets,
) -> KindTests:  # fmt: skip
    """Plan a kind; where a budget breaks, without sharing between levels, then with more tests."""
    plan = plan_kind(demands, kind, frequency_hz, wanted)
    tests = _tests(plan, budgets)
    if not any(test.settled.breaches for test in tests):
        return KindTests(plan, tests, plan.least, plan.proof, ())
    least, proof, before = plan.least, plan.proof, len(tests)
    plan = plan_kind(demands, kind, frequency_hz, wanted, sharing=False)
    bound = _bound(demands, plan, budgets)
    levels: list[LevelPlan] = []
    gaps: list[Fault] = []
    for level in plan.levels:
        if all(budgets.allows(cut, opposed(level.demands, cut)) for cut in level.cuts):
            levels.append(level)
            continue
        making = _closing_few if _crowded(demands, level, budgets) else _narrowed
        narrowed, searched, missing = making(demands, level, budgets)
        levels.append(narrowed)
        gaps += missing
        # A lower level's demands may be covered by tests above it; a net left open isn't searched.
        if searched and level is plan.levels[0] and not demands.allowed.floating:
            told = f"{searched}; {_carried(plan, level)}"
            bound = max(bound, Bound(len(narrowed.cuts), told), key=lambda b: b.tests)
    if bound.tests > least:
        least, proof = bound.tests, bound.proof
    plan = replace(plan, levels=tuple(levels))
    if not gaps:
        plan = _without_idle(plan, budgets)
    return KindTests(plan, _tests(plan, budgets), least, proof, tuple(gaps), before)


def _bound(demands: Demands, plan: KindPlan, budgets: Budgets) -> Bound:
    """The largest bound of what is demanded at a level or above, by tests that budgets allow."""
    best, wanted = Bound(0, ""), list[PairDemand]()
    for level in plan.levels:
        wanted += level.demands
        if level.units is None or not level.cuts:
            continue
        wire_v = min(cut.wire_v for one in plan.levels for cut in one.cuts[:1]
                     if one.level_v >= level.level_v)  # fmt: skip
        found = _of_problems(demands, wanted, level, wire_v, budgets)
        closing = Bound(*least_closing(demands, level, level.units, budgets.relays))
        found = max(found, closing, key=lambda bound: bound.tests)
        if found.tests > best.tests:
            best = Bound(found.tests, f"{found.proof}; {_carried(plan, level, wire_v)}")
    return best


def _of_problems(
    demands: Demands,
    wanted: Sequence[PairDemand],
    level: LevelPlan,
    wire_v: Decimal,
    budgets: Budgets,
) -> Bound:
    if level.units is None:
        raise ValueError("a level with tests has units")
    found = (least_within(one) for one in problems(demands, wanted, level.units, wire_v, budgets))
    return max(found, key=lambda bound: bound.tests, default=Bound(0, ""))


def _carried(plan: KindPlan, level: LevelPlan, wire_v: Decimal | None = None) -> str:
    """What a bound takes as given."""
    told = f"the wire may carry {volts(wire_v or level.cuts[0].wire_v)}"
    if len(plan.levels) > 1:
        above = " alone" if level is plan.levels[0] else " or above"
        told += f", tests at {volts(level.level_v)}{above}"
    return told


def _tests(plan: KindPlan, budgets: Budgets) -> tuple[Test, ...]:
    relied = _relied(plan)
    tests = []
    for level in plan.levels:
        for cut in level.cuts:
            below = [d for d in relied if d.level_v < level.level_v]
            counting = opposed((*level.demands, *below), cut)
            tests.append(Test(cut, counting, budgets.settle(cut, counting)))
    return tuple(tests)


def _without_idle(plan: KindPlan, budgets: Budgets) -> KindPlan:
    """Without tests, the lowest levels first, whose demands tests at their level or above cover,
    within all budgets: levels were planned apart."""
    if len(plan.levels) < 2 or any(cut.floating for cut in plan.cuts):
        return plan
    for place in reversed(range(len(plan.levels))):
        for cut in plan.levels[place].cuts:
            level = plan.levels[place]
            left = tuple(other for other in level.cuts if other is not cut)
            levels = (*plan.levels[:place], replace(level, cuts=left), *plan.levels[place + 1 :])
            tried = replace(plan, levels=levels)
            if _all_covered(tried) and not any(t.settled.breaches for t in _tests(tried, budgets)):
                plan = tried
    return plan


def _all_covered(plan: KindPlan) -> bool:
    """Whether each demand's pairs are opposed by tests at its level or above."""
    for place, level in enumerate(plan.levels):
        cuts = [cut for above in plan.levels[: place + 1] for cut in above.cuts]
        sides = np.array([cut.sides for cut in cuts], dtype=np.int8)
        if not cuts or not all(_covers(sides, demand) for demand in level.demands):
            return False
    return True


def _relied(plan: KindPlan) -> list[PairDemand]:
    """Demands that tests at their own level don't cover alone."""
    found = []
    for level in plan.levels[1:]:
        sides = np.array([cut.sides for cut in level.cuts], dtype=np.int8)
        alone = bool(len(sides)) and not (sides < 0).any()
        found += [d for d in level.demands if not alone or not _covers(sides, d)]
    return found


def _covers(sides: np.ndarray[tuple[int, ...], np.dtype[np.int8]], demand: PairDemand) -> bool:
    seen: dict[bytes, int] = {}
    columns = np.ascontiguousarray(sides.T)
    return all(
        seen.setdefault(columns[net].tobytes(), group) == group
        for net, group in demand.pairs.group_of.items()
    )


# ---- narrowing ----------------------------------------------------------------------------------


def _narrowed(
    demands: Demands, level: LevelPlan, budgets: Budgets
) -> tuple[LevelPlan, str, list[Fault]]:
    """A level with tests within budgets; how a search proved that there are no fewer, or nothing;
    what can't be covered."""
    units = level.units
    if units is None:
        raise ValueError("a level with tests has units")
    pairs = units.sorts.any_of(d.pairs for d in level.demands)
    pairs &= ~units.trapped(pairs)
    table = units.table(pairs)
    wire_v = level.cuts[0].wire_v
    bound = _of_problems(demands, level.demands, level, wire_v, budgets)
    floor, searched = max(level.least_tests, bound.tests), ""
    fine = Moved.of(units, table, len(demands.nets), 1)
    best: tuple[Moved, Narrowed] | None = None
    alike = Judge(demands, level, budgets, fine).alike(
        np.repeat(np.arange(len(table)), units.sizes)
    )
    whole = _whole_blocks_do(level, table, budgets)
    for moved in _ways(fine, units, table, len(demands.nets), alike, whole=whole):
        judge = Judge(demands, level, budgets, moved)
        among = _few_sides(demands, level, units, budgets) if moved is fine else None
        found = narrow(moved.need, judge.allows, floor, judge.weights(), among)
        if best is None or _rank(found) < _rank(best[1]):
            best = moved, found
        if (moved is fine or (whole and len(moved.need) == len(units.blocks))) and not (
            found.uncovered
        ):
            searched = found.proof
        if not found.uncovered and len(found.cuts) <= floor:
            break
    if best is None:
        raise ValueError("there is always one way")
    judge = Judge(demands, level, budgets, best[0])
    open_cuts = tuple(cut for cut in level.cuts if (cut.sides < 0).any())
    cuts = tuple(judge.as_cut(sides) for sides in best[1].cuts)
    gaps = [judge.gap(one, other) for one, other in best[1].uncovered[:20]]
    return replace(level, cuts=(*cuts, *open_cuts)), searched, gaps


def _crowded(demands: Demands, level: LevelPlan, budgets: Budgets) -> bool:
    """Whether contacts don't suffice for all nets, and some may be left open."""
    few = budgets.relays is not None and budgets.relays < len(demands.nets)
    return few and bool(floating_nets(demands, level).any())


def _closing_few(
    demands: Demands, level: LevelPlan, budgets: Budgets
) -> tuple[LevelPlan, str, list[Fault]]:
    """Tests that leave nets open, so that fewer contacts are closed; as `_narrowed`."""
    most = budgets.relays
    if most is None:
        raise ValueError("contacts are bounded")
    best: tuple[list[Cut], list[Fault]] | None = None
    for pieces in PIECES_CLOSED:
        made = _in_pieces(demands, level, budgets, max(1, most // pieces))
        if best is None or (len(made[1]), len(made[0])) < (len(best[1]), len(best[0])):
            best = made
    if best is None:
        raise ValueError("there is always one way")
    open_cuts = [cut for cut in level.cuts if (cut.sides < 0).any()]
    return replace(level, cuts=(*best[0], *open_cuts)), "", best[1]


def _in_pieces(
    demands: Demands, level: LevelPlan, budgets: Budgets, piece: int
) -> tuple[list[Cut], list[Fault]]:
    """Tests that close few contacts, nets of one sort in such pieces; what can't be parted."""
    units, most = level.units, budgets.relays
    if units is None or most is None:
        raise ValueError("a level with tests has units, and contacts are bounded")
    pairs = units.sorts.any_of(d.pairs for d in level.demands)
    table = units.table(pairs & ~units.trapped(pairs))
    moved = Moved.of(units, table, len(demands.nets), piece, inside=True)
    judge = Judge(demands, level, budgets, moved)
    nets, fixed = of_units(moved.unit_of, floating_nets(demands, level), len(moved.need))
    crowd = Crowd(moved.need, nets, fixed, most)
    tests, uncovered = closing_few(crowd, judge.allows_open)
    inner = np.zeros(len(nets), dtype=np.bool_)
    for block in np.flatnonzero(np.diagonal(table)):
        inner[moved.unit_of[units.sorts.members[units.blocks[int(block)][0]]]] = True
    within, failed = inside_units(crowd, moved.unit_of, inner, judge.allows_nets)
    uncovered += [(unit, unit) for unit in failed]
    cuts = [judge.with_open(sides) for sides in tests] + [judge.of_nets(one) for one in within]
    return cuts, [judge.gap(one, other) for one, other in uncovered[:20]]


def _few_sides(demands: Demands, level: LevelPlan, units: Units, budgets: Budgets) -> Ints | None:
    """Codes of sides among which all allowed ones are, if they are few; else None."""
    if not EXACT_UNITS < int(units.sizes.sum()) <= COVER_UNITS or demands.allowed.floating:
        return None
    wire_v = level.cuts[0].wire_v
    found = None
    for within in problems(demands, level.demands, units, wire_v, budgets):
        found = within  # the last one has all demands
    if found is None:
        return None
    codes = sides_within(found)
    return codes if len(codes) <= FEW_SIDES else None


def _rank(found: Narrowed) -> tuple[int, int]:
    return len(found.uncovered), len(found.cuts)


def _whole_blocks_do(level: LevelPlan, table: Bools, budgets: Budgets) -> bool:
    """Whether parting whole blocks is never worse than parting nets of one block.

    So where every declared value is that of many pairs together: it comes in full with the first
    pair. Take one unit of each block, and let its block go where it stands in a test: no value
    comes in that didn't before. (With a lower limit, a single pair is judged apart.)
    """
    entries = (*budgets.capacitances.entries, *budgets.conductances.entries)
    return (
        not any(entry.each for entry in entries)
        and not np.diagonal(table).any()
        and not any(
            demand.limit(quantity, edge) is not None
            for demand in level.demands
            for quantity in Measured
            for edge in (Edge.AT_LEAST, Edge.AT_MOST)
            if (edge is Edge.AT_MOST) is (quantity is Measured.RESISTANCE)
        )
    )


def _ways(
    fine: Moved, units: Units, table: Bools, nets: int, alike: Ints, *, whole: bool
) -> Iterator[Moved]:
    """Whole blocks, then coarse pieces where there are many units; single nets where they are few
    enough; last, so few pieces that all their sides can be looked at."""
    if 1 < len(units.blocks) <= EXACT_UNITS < len(fine.need) and not np.diagonal(table).any():
        yield Moved.of(units, table, nets, nets)
        if whole:
            return
    many = False
    if len(fine.need) > PIECES:
        coarse = Moved.of(units, table, nets, -(-len(fine.need) // PIECES))
        if len(coarse.need) < len(fine.need):
            yield coarse
            many = len(fine.need) > FINE
    if not many:
        yield fine
    few = EXACT_UNITS if len(fine.need) <= PIECES else FEW_PIECES
    large = fine.in_pieces(alike, few) if len(fine.need) > EXACT_UNITS else None
    if large is not None:
        yield large
