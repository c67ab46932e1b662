"""How the pair behind a failed group is looked for: the keys of ``locate`` of a planned step."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.plan import PlannedStep
from orchestrator.quantities import Dimension, Quantity

MOST_EXPOSURES = 1000
"""What the key takes."""
LONGEST_REASON = 500


def locate_of(step: PlannedStep, demands: Demands) -> dict[str, Any] | None:
    """Level, limit and dwell of an insulation search for one step, or None.

    None for a step of one pair, where the product allows no exposures for it, and where no
    insulation demand shares a pair with the step: nothing says then what one pair must have. The
    strictest of those demands counts. Nets are left open only where the product allows it for
    every net of the step.
    """
    pairs = len(step.apply_nets) * len(step.against_nets)
    most = min(demands.allowed.extra_insulation, MOST_EXPOSURES)
    if step.kind in (StepKind.BONDING, StepKind.CONTINUITY) or pairs < 2 or most < 1:
        return None
    shared = [(d, least) for d in demands.pair_demands if (least := _least(d, step)) is not None]
    if not shared:
        return None
    level_v = demands.allowed.search_level_v or min(d.level_v for d, _ in shared)
    if level_v > step.level:
        return None
    least_ohm = max(least for _, least in shared)
    data: dict[str, Any] = {"level": _text(level_v, Dimension.VOLTAGE)}
    rises = [d.rise_s for d, _ in shared if d.rise_s is not None]
    if rises:
        data["rise"] = _text(max(rises), Dimension.TIME)
    data["dwell"] = _text(max(d.dwell_s for d, _ in shared), Dimension.TIME)
    data["accept"] = {"resistance": {"at_least": _text(least_ohm, Dimension.RESISTANCE)}}
    floating = _floating(step, demands, level_v)
    if floating is not None:
        data["floating"] = floating
    data["exposures_at_most"] = str(most)
    return data


def _floating(step: PlannedStep, demands: Demands, level_v: Decimal) -> str | None:
    """Why every net of the step may be left open at the search's level, or None if one may not."""
    allowed = demands.allowed.floating
    reasons: dict[str, None] = {}
    for net in (*step.apply_nets, *step.against_nets):
        entry = allowed.get(net)
        if entry is None or (entry.dc_v is not None and entry.dc_v < level_v):
            return None
        reasons[entry.reason] = None
    return "; ".join(reasons)[:LONGEST_REASON]


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


def _text(value: Decimal, dimension: Dimension) -> str:
    return str(Quantity(value, dimension))
