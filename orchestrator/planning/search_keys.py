"""How the pair behind a failed group is looked for: the keys of ``locate`` of a planned step."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from orchestrator.model.amounts import volts
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.needs import ABOVE_LEVEL
from orchestrator.model.words import Edge, Measured, StepKind, Waveform
from orchestrator.planning.opposing import allowed_pairs, declared_below, wire_levels
from orchestrator.planning.plan import PlannedStep
from orchestrator.planning.search_insulation import insulation_keys
from orchestrator.planning.sorts import Bools, Ints, Sorts, sorts_of
from orchestrator.quantities import Dimension, Quantity

MOST_EXPOSURES = 1000
"""What the key takes."""
LONGEST_REASON = 500
LEAST_LEVEL_V = Decimal(10)
"""What the keys take at least."""

_DOWN = Context(prec=7, rounding=ROUND_FLOOR)
_UP = Context(prec=7, rounding=ROUND_CEILING)


@dataclass(frozen=True, slots=True)
class SearchKeys:
    """``keys`` of ``locate``; None: the step isn't searched. ``told``: what a reader should know
    of that, '' if nothing."""

    keys: dict[str, Any] | None = None
    told: str = ""


@dataclass(frozen=True, slots=True)
class _Level:
    level_v: Decimal
    ceiling_v: Decimal


class Searches:
    """The searches of a product's planned steps."""

    def __init__(self, demands: Demands) -> None:
        self._demands = demands
        self._allowed: dict[Decimal, Bools] = {}
        self._low: dict[Decimal, Bools] = {}

    def of(self, step: PlannedStep) -> SearchKeys:
        """Level, limit and dwell of an insulation search for one step.

        None for a step of one pair, where the product allows no exposures for it, where no
        insulation demand shares a pair with the step (nothing says then what one pair must have;
        the strictest of those demands counts), and where a pair of the step may not see the DC
        level of any insulation demand: then a search can't put that level across the step's sides.
        """
        demands = self._demands
        pairs = len(step.apply_nets) * len(step.against_nets)
        most = min(demands.allowed.extra_insulation, MOST_EXPOSURES)
        if step.kind in (StepKind.BONDING, StepKind.CONTINUITY) or pairs < 2 or most < 1:
            return SearchKeys()
        shared = [
            (d, least) for d in demands.pair_demands if (least := _least(d, step)) is not None
        ]
        if not shared:
            return SearchKeys()
        wanted_v = demands.allowed.search_level_v or min(d.level_v for d, _ in shared)
        chosen = self._level(step, wanted_v)
        if chosen is None:
            return SearchKeys(told=self._why_none(step, wanted_v))
        told = ""
        if chosen.level_v < wanted_v:
            told = f"{self._why_none(step, wanted_v)}; searched at {volts(chosen.level_v)} instead"
        return SearchKeys(self._keys(step, shared, chosen, most), told)

    def _keys(
        self,
        step: PlannedStep,
        shared: list[tuple[PairDemand, Decimal]],
        chosen: _Level,
        most: int,
    ) -> dict[str, Any]:
        least_ohm = max(least for _, least in shared)
        floating, chosen = self._floating(step, chosen)
        data: dict[str, Any] = {
            "level": _text(chosen.level_v, Dimension.VOLTAGE),
            # Written where it equals the level, too: left out, it would mean 3 % more.
            "level_ceiling": _text(chosen.ceiling_v, Dimension.VOLTAGE),
        }
        rises = [d.rise_s for d, _ in shared if d.rise_s is not None]
        if rises:
            data["rise"] = _text(max(rises), Dimension.TIME)
        data["dwell"] = _text(max(d.dwell_s for d, _ in shared), Dimension.TIME)
        data["accept"] = {"resistance": {"at_least": _text(least_ohm, Dimension.RESISTANCE)}}
        if floating is not None:
            data["floating"] = floating
        data["exposures_at_most"] = str(most)
        insulation = insulation_keys(step, self._demands)
        if insulation:
            data["insulation"] = insulation
        return data

    # ---- what the pairs may see at DC ------------------------------------------------------------

    def _level(self, step: PlannedStep, wanted_v: Decimal) -> _Level | None:
        """The wanted level, or the highest lower one of an insulation demand, that every pair of
        the step may see at DC."""
        lower = {d.level_v for d in self._demands.pair_demands if d.kind is StepKind.INSULATION}
        for level_v in sorted({wanted_v, *(v for v in lower if v < wanted_v)}, reverse=True):
            if not LEAST_LEVEL_V <= level_v <= step.level:
                continue
            top_v = min(level_v * ABOVE_LEVEL, step.ceiling)
            for wire_v in wire_levels(self._demands, Waveform.DC, level_v, top_v):
                if self._opposed(self._may_see(wire_v), step).all():
                    return _Level(*_on_paper(level_v, wire_v))
        return None

    def _why_none(self, step: PlannedStep, wanted_v: Decimal) -> str:
        if wanted_v > step.level:
            return f"no search at {volts(wanted_v)}, which is above the step's own level"
        may, of_net = self._may_see(wanted_v), self._sorts.of_net
        ends = product(step.apply_nets, step.against_nets)
        first, second = next(pair for pair in ends if not may[of_net[pair[0]], of_net[pair[1]]])
        names = self._demands.nets[first].name, self._demands.nets[second].name
        highest = self._demands.highest(first, second)
        return (
            f"no search at {volts(wanted_v)}, which is DC: {names[0]!r} and {names[1]!r} may see "
            f"at most {volts(highest.dc_v)} DC ({highest.why})"
        )

    @cached_property
    def _sorts(self) -> Sorts:
        return sorts_of(self._demands)

    def _may_see(self, wire_v: Decimal) -> Bools:
        if wire_v not in self._allowed:
            self._allowed[wire_v] = allowed_pairs(self._demands, self._sorts, Waveform.DC, wire_v)
        return self._allowed[wire_v]

    def _opposed(self, table: Bools, step: PlannedStep) -> Bools:
        """The part of a table of sorts that the step's two sides are."""
        here, there = self._found(step.apply_nets), self._found(step.against_nets)
        return table[np.ix_(here, there)]

    def _found(self, nets: Iterable[int]) -> Ints:
        """The sorts of some nets, each once."""
        return np.unique(self._sorts.of_net[list(nets)])

    # ---- what may be left open -------------------------------------------------------------------

    def _floating(self, step: PlannedStep, chosen: _Level) -> tuple[str | None, _Level]:
        """Why every net of the step may be left open at the search's level, None if one may not;
        and the level with a ceiling that suits it.

        An open net may come to the level against any other: no two nets of the step may be
        declared to see less.
        """
        allowed = self._demands.allowed.floating
        reasons: dict[str, None] = {}
        top_v = chosen.ceiling_v
        nets = (*step.apply_nets, *step.against_nets)
        for net in nets:
            entry = allowed.get(net)
            if entry is None or (entry.dc_v is not None and entry.dc_v < chosen.level_v):
                return None, chosen
            top_v = top_v if entry.dc_v is None else min(top_v, entry.dc_v)
            reasons[entry.reason] = None
        top_v = _DOWN.plus(top_v)
        sorts = self._found(nets)
        if top_v < chosen.level_v or self._declared_low(top_v)[np.ix_(sorts, sorts)].any():
            return None, chosen
        return "; ".join(reasons)[:LONGEST_REASON], _Level(chosen.level_v, top_v)

    def _declared_low(self, wire_v: Decimal) -> Bools:
        if wire_v not in self._low:
            self._low[wire_v] = declared_below(self._demands, self._sorts, Waveform.DC, wire_v)
        return self._low[wire_v]


def _least(demand: PairDemand, step: PlannedStep) -> Decimal | None:
    """The least resistance of one pair, where the demand has a pair on the step's two sides."""
    if demand.kind is not StepKind.INSULATION:
        return None
    here, there = _groups(demand, step.apply_nets), _groups(demand, step.against_nets)
    apart = bool(here) and bool(there) and len(here | there) > 1
    return demand.limit(Measured.RESISTANCE, Edge.AT_LEAST) if apart else None


def _groups(demand: PairDemand, nets: Iterable[int]) -> set[int]:
    group_of = demand.pairs.group_of
    return {group_of[net] for net in nets if net in group_of}


def _on_paper(level: Decimal, ceiling: Decimal) -> tuple[Decimal, Decimal]:
    """Seven digits, the level never lower, the ceiling never higher; all digits if they meet."""
    up, down = _UP.plus(level), _DOWN.plus(ceiling)
    return (up, down) if up <= down else (level, ceiling)


def _text(value: Decimal, dimension: Dimension) -> str:
    return str(Quantity(value, dimension))
