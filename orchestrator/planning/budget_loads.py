"""What budgets leave to a test, as linear loads of the pairs that it opposes.

Every test within its budgets keeps these loads; some that keep them are not within budgets. So what
is proved of all tests that keep them holds for all that are allowed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from orchestrator.formulas.currents import capacitive_current_a, peak_v
from orchestrator.formulas.group_limits import largest_total_a
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Edge, Measured, Waveform
from orchestrator.planning.limits import Budgets
from orchestrator.planning.opposing import Units, allowed_pairs, units_of
from orchestrator.planning.sorts import Bools, Ints, Sorts
from orchestrator.planning.sums import Floats, Strays

MANY_BLOCKS = 1500
"""Beyond, tables of blocks are too large to reckon with."""
THRESHOLDS = 4
"""So many groups of demands with the strictest limits are looked at."""


@dataclass(frozen=True)
class Load:
    """What each pair of units (rows: blocks) adds at least to a sum, and the most that a test may
    have of it. ``told``: the sum in words; ``unit``: of the figures."""

    told: str
    unit: str
    table: Floats
    cap: float


@dataclass(frozen=True)
class Within:
    """Units to be parted within budgets.

    Attributes:
        need: pairs of blocks that are demanded; the diagonal: units of one block.
        sizes: block → units. loads: what each test keeps that opposes any of ``need``.
    """

    need: Bools
    sizes: Ints
    loads: tuple[Load, ...]

    @property
    def pairs(self) -> Floats:
        """Block pair → pairs of units, each counted once (upper triangle and diagonal)."""
        sizes = self.sizes.astype(np.float64)
        table = np.triu(np.outer(sizes, sizes), 1)
        table[np.diag_indices(len(sizes))] = sizes * (sizes - 1) / 2
        return table


def problems(
    demands: Demands, wanted: Sequence[PairDemand], units: Units, wire_v: Decimal, budgets: Budgets
) -> Iterator[Within]:
    """The demands that have the strictest limits, then more of them, then all.

    Nets that may be left open take no part: what they add can be kept out of any test.
    """
    units = _all_on_a_side(demands, wanted[0].waveform, units, wire_v)
    if not units.blocks or len(units.blocks) > MANY_BLOCKS:
        return
    farads = budgets.capacitances
    siemens_ = budgets.conductances
    tables = {
        "capacitance": _table(farads, units, lambda least, most: most),
        "conductance": _table(siemens_, units, lambda least, most: most),
        "spread of conductance": _table(siemens_, units, lambda least, most: most - least),
    }
    caps = [_caps(demand, wire_v, budgets) for demand in wanted]
    seen = set()
    for chosen in _thresholds(caps):
        if chosen in seen:
            continue
        seen.add(chosen)
        some = [wanted[i] for i in chosen]
        pairs = units.sorts.any_of(d.pairs for d in some)
        away = units.block_of < 0
        pairs[away] = False
        pairs[:, away] = False
        need = units.table(pairs & ~units.trapped(pairs))
        loads = []
        for told, table in tables.items():
            cap = max(caps[i][told] for i in chosen)
            if math.isfinite(cap) and table.any():
                unit = "F" if told == "capacitance" else "S"
                loads.append(Load(told, unit, table, cap))
        if need.any() and loads:
            yield Within(need, units.sizes, tuple(loads))


def _thresholds(caps: Sequence[dict[str, float]]) -> Iterator[tuple[int, ...]]:
    """Demands whose cap is at most each value of a cap that is worth looking at."""
    everything = tuple(range(len(caps)))
    for told in caps[0]:
        values = sorted({cap[told] for cap in caps})
        for value in values[: THRESHOLDS - 1]:
            yield tuple(i for i in everything if caps[i][told] <= value)
    yield everything


def _all_on_a_side(demands: Demands, waveform: Waveform, units: Units, wire_v: Decimal) -> Units:
    """Units without the nets that may be left open."""
    if not demands.allowed.floating:
        return units
    sorts = units.sorts
    away = [s for s in range(sorts.count) if int(sorts.first[s]) in demands.allowed.floating]
    return units_of(sorts, allowed_pairs(demands, sorts, waveform, wire_v), leaving_open=away)


# ---- tables -------------------------------------------------------------------------------------


def _table(strays: Strays, units: Units, value: Callable[[float, float], float]) -> Floats:
    """Block pair → what each pair of its units adds at least to a sum.

    A value of many pairs together comes in full with the first of them: its share for each pair
    opposed is less.
    """
    sorts = units.sorts
    table = np.zeros((sorts.count, sorts.count), dtype=np.float64)
    for entry in strays.entries:
        found, place = np.unique(sorts.of_net[entry.nets], return_index=True)
        groups = entry.groups[place]
        alone = np.bincount(entry.groups)[groups] == 1
        inside = groups[:, None] != groups[None, :]
        inside[np.diag_indices(len(found))] = alone & (sorts.sizes[found] > 1)
        share = 1.0 if entry.each else 1.0 / max(entry.opposable, 1)
        table[np.ix_(found, found)] += value(entry.least, entry.most) * share * inside
    return _of_blocks(table, sorts, units)


def _of_blocks(table: Floats, sorts: Sorts, units: Units) -> Floats:
    """Pairs of sorts to pairs of units: a merged unit has what all its nets have."""
    order = np.array([sort for block in units.blocks for sort in block], dtype=np.int64)
    begin = np.cumsum([0, *(len(block) for block in units.blocks[:-1])])
    free = np.repeat(units.free, [len(block) for block in units.blocks])
    nets = np.where(free, 1, sorts.sizes[order]).astype(np.float64)
    table = table[np.ix_(order, order)] * nets[:, None] * nets[None, :]
    table = np.add.reduceat(np.add.reduceat(table, begin, axis=0), begin, axis=1)
    table[np.diag_indices(len(table))] *= units.free & (units.sizes > 1)
    return table


# ---- caps ---------------------------------------------------------------------------------------


def _caps(demand: PairDemand, wire_v: Decimal, budgets: Budgets) -> dict[str, float]:
    """Most that a test which opposes a pair of a demand may have of each sum."""
    return {
        "capacitance": _capacitance_f(demand, wire_v, budgets),
        "conductance": _conductance_s(demand, wire_v, budgets),
        "spread of conductance": _spread_s(demand, wire_v),
    }


def _capacitance_f(demand: PairDemand, wire_v: Decimal, budgets: Budgets) -> float:
    ac = demand.waveform is Waveform.AC
    top_v = float(peak_v(wire_v) if ac else wire_v)
    caps = [2 * budgets.energy_j / top_v**2]
    if ac:
        per_f = capacitive_current_a(1.0, float(wire_v), float(demand.frequency_hz or 0))
        if budgets.tester.total_current_a is not None:
            caps.append(float(budgets.tester.total_current_a) / per_f)
        own = demand.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST)
        share = budgets.capacitances.share
        if own is not None and share < 1:
            caps.append(largest_total_a(float(own), share) / per_f)
    return min(caps)


def _conductance_s(demand: PairDemand, wire_v: Decimal, budgets: Budgets) -> float:
    reach = budgets.tester.total_current_a
    if demand.waveform is Waveform.AC and reach is not None:
        return float(reach) / float(wire_v)
    return math.inf


def _spread_s(demand: PairDemand, wire_v: Decimal) -> float:
    """What the sum at most may be above that at least: a pair's own limit, or a bad pair hides.

    Expected at most ≤ own + least of the others, currents by the level of the wire: so most − least
    ≤ own.
    """
    caps = [math.inf]
    low = demand.limit(Measured.RESISTANCE, Edge.AT_LEAST)
    if low is not None:
        caps.append(1 / float(low))
    quantities = [Measured.IN_PHASE_CURRENT]
    if demand.waveform is not Waveform.AC:
        quantities.append(Measured.TOTAL_CURRENT)
    for quantity in quantities:
        own = demand.limit(quantity, Edge.AT_MOST)
        if own is not None:
            caps.append(float(own) / float(wire_v))
    return min(caps)
