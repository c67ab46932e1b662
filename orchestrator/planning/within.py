"""The tests of one kind within their budgets: shared between levels if that fits, else narrowed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from orchestrator.errors import Fault
from orchestrator.formulas.currents import capacitive_current_a, peak_v
from orchestrator.formulas.group_limits import largest_sum, largest_total_a
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Edge, Measured, StepKind, Waveform
from orchestrator.planning.least_cut import Weights
from orchestrator.planning.levels import Cut, KindPlan, LevelPlan, plan_kind, turned
from orchestrator.planning.limits import Breach, Budgets, Settled
from orchestrator.planning.narrow import Narrowed, least_words, narrow
from orchestrator.planning.opposing import Units
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.sums import Strays, pairs_opposed
from orchestrator.planning.words import volts

PIECES = 100
"""Units of one sort are moved in pieces, so that there are about so many."""
FINE = 600
"""Up to so many units single nets are tried too."""


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
    single = len(plan.levels) == 1
    levels: list[LevelPlan] = []
    gaps: list[Fault] = []
    for level in plan.levels:
        if all(budgets.allows(cut, _opposed(level.demands, cut)) for cut in level.cuts):
            levels.append(level)
            continue
        narrowed, floor, why, missing = _narrowed(demands, level, budgets)
        levels.append(narrowed)
        gaps += missing
        # A lower level's demands may be covered by tests above it: no bound of its own.
        if floor > least and level is plan.levels[0]:
            least, proof = floor, f"{why}; the wire may carry {volts(level.cuts[0].wire_v)}"
            if not single:
                proof += f", tests at {volts(level.level_v)} alone"
    plan = replace(plan, levels=tuple(levels))
    return KindTests(plan, _tests(plan, budgets), least, proof, tuple(gaps), before)


def _tests(plan: KindPlan, budgets: Budgets) -> tuple[Test, ...]:
    relied = _relied(plan)
    tests = []
    for level in plan.levels:
        for cut in level.cuts:
            below = [d for d in relied if d.level_v < level.level_v]
            counting = _opposed((*level.demands, *below), cut)
            tests.append(Test(cut, counting, budgets.settle(cut, counting)))
    return tuple(tests)


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


def _opposed(demands: Sequence[PairDemand], cut: Cut) -> tuple[PairDemand, ...]:
    found = tuple(d for d in demands if pairs_opposed(d.pairs, cut.sides))
    return found or tuple(demands)


# ---- narrowing ----------------------------------------------------------------------------------


def _narrowed(
    demands: Demands, level: LevelPlan, budgets: Budgets
) -> tuple[LevelPlan, int, str, list[Fault]]:
    """A level with tests within budgets, its proved bound, how, and what can't be covered."""
    units = level.units
    if units is None:
        raise ValueError("a level with tests has units")
    pairs = units.sorts.any_of(d.pairs for d in level.demands)
    pairs &= ~units.trapped(pairs)
    table = units.table(pairs)
    fine = _Moved.of(units, table, len(demands.nets), 1)
    floor, why = level.least_tests, level.proof
    least = _budget_bound(level, units, pairs, fine.need, budgets)
    if least > floor:
        floor, why = least, f"budgets let no test part more pairs: at least {least}"
    best: tuple[_Moved, Narrowed] | None = None
    for moved in _ways(fine, units, table, len(demands.nets)):
        judge = _Judge(demands, level, budgets, moved)
        found = narrow(moved.need, judge.allows, floor, judge.weights())
        if best is None or _rank(found) < _rank(best[1]):
            best = moved, found
        if moved is fine and found.proof and not found.uncovered:
            floor, why = max(floor, len(found.cuts)), found.proof
    if best is None:
        raise ValueError("there is always one way")
    judge = _Judge(demands, level, budgets, best[0])
    open_cuts = tuple(cut for cut in level.cuts if (cut.sides < 0).any())
    cuts = tuple(judge.as_cut(sides) for sides in best[1].cuts)
    gaps = [judge.gap(one, other) for one, other in best[1].uncovered[:20]]
    return replace(level, cuts=(*cuts, *open_cuts)), floor, why, gaps


def _rank(found: Narrowed) -> tuple[int, int]:
    return len(found.uncovered), len(found.cuts)


@dataclass(frozen=True)
class _Moved:
    """Nets as they are moved: net → unit, and which units are demanded against each other."""

    unit_of: Ints
    need: Bools

    @classmethod
    def of(cls, units: Units, table: Bools, nets: int, piece: int) -> _Moved:
        """Merged nets together; nets of one sort that aren't demanded against each other in
        pieces of so many; all others one by one."""
        unit_of = np.full(nets, -1, dtype=np.int64)
        blocks: list[int] = []
        for block, sorts in enumerate(units.blocks):
            if not units.free[block]:
                for sort in sorts:
                    unit_of[units.sorts.members[sort]] = len(blocks)
                blocks.append(block)
                continue
            members = units.sorts.members[sorts[0]]
            share = 1 if table[block, block] else piece
            numbers = np.arange(len(members)) // share
            unit_of[members] = len(blocks) + numbers
            blocks += [block] * (int(numbers[-1]) + 1)
        place = np.array(blocks, dtype=np.int64)
        need = table[np.ix_(place, place)]
        need[np.diag_indices(len(need))] = False
        return cls(unit_of, need)


def _ways(fine: _Moved, units: Units, table: Bools, nets: int) -> Iterator[_Moved]:
    """Coarse pieces first, where there are many units; single nets where they are few enough."""
    if len(fine.need) > PIECES:
        coarse = _Moved.of(units, table, nets, -(-len(fine.need) // PIECES))
        if len(coarse.need) < len(fine.need):
            yield coarse
            if len(fine.need) > FINE:
                return
    yield fine


@dataclass(frozen=True)
class _Judge:
    """Turns sides of units into tests of a level and judges them."""

    demands: Demands
    level: LevelPlan
    budgets: Budgets
    moved: _Moved

    def as_cut(self, sides: Bools) -> Cut:
        """The test with these units on one side."""
        unit_of = self.moved.unit_of
        placed = np.where(unit_of >= 0, sides[unit_of].astype(np.int64), -1)
        wire_v = self.level.cuts[0].wire_v
        return Cut(self.level.level_v, wire_v, turned(self.demands, placed))

    def allows(self, sides: Bools) -> bool:
        """Whether it is within all budgets."""
        cut = self.as_cut(sides)
        return self.budgets.allows(cut, _opposed(self.level.demands, cut))

    def weights(self) -> tuple[Weights, ...]:
        """What each pair of units has at most, of capacitance and of conductance, if few enough."""
        units = len(self.moved.need)
        if units > FINE:
            return ()
        strays = (self.budgets.capacitances, self.budgets.conductances)
        return tuple(one.of_units(self.moved.unit_of, units) for one in strays if one.entries)

    def gap(self, one: int, other: int) -> Fault:
        """What keeps two units from being opposed: the budgets of one of them alone."""
        alone = np.zeros(len(self.moved.need), dtype=np.bool_)
        alone[one] = True
        cut = self.as_cut(alone)
        breaches = self.budgets.settle(cut, _opposed(self.level.demands, cut)).breaches
        unit_of = self.moved.unit_of
        pair = (int(np.flatnonzero(unit_of == one)[0]), int(np.flatnonzero(unit_of == other)[0]))
        return _gap(self.demands, self.level, pair, breaches)


def _gap(
    demands: Demands, level: LevelPlan, pair: tuple[int, int], breaches: Sequence[Breach]
) -> Fault:
    one, other = (demands.nets[net].name for net in pair)
    demand = next(
        (d for d in level.demands if pair in d.pairs or pair[::-1] in d.pairs), level.demands[0]
    )
    told = "; ".join(f"{b.what}: {b.found}, {b.expected}" for b in breaches)
    told = told or "other pairs break them"
    return Fault(
        demand.origin.what,
        f"no test of {one!r} against {other!r} within the budgets ({told})",
        "a test that tester and limits allow and that still shows one bad pair",
        "raise the pair's limit or the budget, declare narrower tolerances, or take DC for AC",
        demand.origin.at,
    )


# ---- a bound with budgets -----------------------------------------------------------------------


def _budget_bound(
    level: LevelPlan, units: Units, pairs: Bools, need: Bools, budgets: Budgets
) -> int:
    """Fewest tests: no allowed test parts more demanded pairs than its largest sum holds."""
    wire_v = level.cuts[0].wire_v
    sums = (
        (budgets.capacitances, _largest_f(level, budgets, wire_v)),
        (budgets.conductances, _largest_s(level, budgets, wire_v)),
    )
    most = min(_most_pairs(strays, units, pairs, largest) for strays, largest in sums)
    everything = units.block_of[:, None] != units.block_of[None, :]
    free = [units.blocks[int(block)][0] for block in np.flatnonzero(units.free)]
    everything[free, free] = units.sorts.sizes[free] > 1
    wide = min(_most_pairs(strays, units, everything, largest) for strays, largest in sums)
    bounds = [0]
    busy, wanted = int(need.any(axis=1).sum()), int(need.sum()) // 2
    if 1 <= most < math.inf:
        bounds.append(math.ceil(wanted / math.floor(most)))
        if wanted == busy * (busy - 1) // 2:
            bounds.append(least_words(busy, _widest(busy, most), 0))
    if len(need) - 1 <= wide < math.inf:
        # Units that are on the larger side in all tests are demanded of none of each other.
        alike = _largest_apart(units.table(pairs), units.sizes)
        bounds.append(math.ceil((len(need) - alike) / _widest(len(need), wide)))
    return max(bounds)


def _widest(units: int, most: float) -> int:
    """Most units on the smaller side if a test may part so many pairs of units."""
    return max((s for s in range(1, units // 2 + 1) if s * (units - s) <= most), default=1)


def _largest_apart(table: Bools, sizes: Ints) -> int:
    """No set of units without a demanded pair is larger: blocks are put into cliques greedily, and
    each clique gives at most its largest block."""
    weight = np.where(np.diagonal(table), 1, sizes)
    waiting = np.ones(len(table), dtype=np.bool_)
    total = 0
    for block in np.argsort(-weight, kind="stable"):
        if not waiting[block]:
            continue
        total += int(weight[block])
        open_ = waiting & table[block]
        waiting[block] = False
        while open_.any():
            near = int(np.where(open_, weight, -1).argmax())
            waiting[near] = False
            open_ &= table[near]
            open_[near] = False
    return total


def _most_pairs(strays: Strays, units: Units, pairs: Bools, largest: float) -> float:
    """How many demanded pairs a sum may hold, each having the least that any has at most."""
    if not math.isfinite(largest) or not pairs.any():
        return math.inf
    table = np.zeros(pairs.shape, dtype=np.float32)
    for entry, grouping in strays.each_pair():
        sorts, inside = units.sorts.pairs(grouping)
        table[np.ix_(sorts, sorts)] += np.float32(entry) * inside
    least = float(table[pairs].min())
    return math.inf if least <= 0 else largest / least * (1 + 1e-6)


def _largest_f(level: LevelPlan, budgets: Budgets, wire_v: Decimal) -> float:
    """Largest capacitance (F) that a test may be expected to have at most."""
    ac = level.demands[0].waveform is Waveform.AC
    top_v = float(peak_v(wire_v) if ac else wire_v)
    bounds = [2 * budgets.energy_j / top_v**2]
    if ac:
        per_f = capacitive_current_a(1.0, float(wire_v), float(level.demands[0].frequency_hz or 0))
        if budgets.tester.total_current_a is not None:
            bounds.append(float(budgets.tester.total_current_a) / per_f)
        own = _widest_limit(level.demands, Measured.TOTAL_CURRENT)
        share = budgets.capacitances.share * float(level.level_v / wire_v)
        if own is not None and share < 1:
            bounds.append(largest_total_a(own, share) / per_f)
    return min(bounds)


def _largest_s(level: LevelPlan, budgets: Budgets, wire_v: Decimal) -> float:
    """Largest conductance (S) that a test may be expected to have at most."""
    bounds = [math.inf]
    wide = _widest_limit(level.demands, Measured.RESISTANCE)
    if wide is not None and budgets.conductances.share < 1:
        bounds.append(largest_sum(wide, budgets.conductances.share))
    if level.demands[0].waveform is Waveform.DC:
        own = _widest_limit(level.demands, Measured.TOTAL_CURRENT)
        share = budgets.conductances.share * float(level.level_v / wire_v)
        if own is not None and share < 1:
            bounds.append(largest_sum(own, share) / float(wire_v))
    return min(bounds)


def _widest_limit(demands: Sequence[PairDemand], quantity: Measured) -> float | None:
    """The widest upper limit (A, or S for a resistance) of any demand; None if one has none."""
    inverse = quantity is Measured.RESISTANCE
    values = []
    for demand in demands:
        value = demand.limit(quantity, Edge.AT_LEAST if inverse else Edge.AT_MOST)
        if value is None:
            return None
        values.append(1 / float(value) if inverse else float(value))
    return max(values)
