"""What good insulation a product declares, as a search after a failed step needs it."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import Any

from orchestrator.model.demands import Declared, Demands
from orchestrator.planning.plan import PlannedStep
from orchestrator.quantities import Dimension, Quantity

MOST_OHM = Decimal("1E12")
"""What the keys take; more than that is no different from nothing."""

_DOWN = Context(prec=7, rounding=ROUND_FLOOR)
_UP = Context(prec=7, rounding=ROUND_CEILING)


def insulation_keys(step: PlannedStep, demands: Demands) -> list[dict[str, Any]]:
    """The entries of ``locate``'s ``insulation``: declarations that have a pair across the step.

    One point stands for each net of the step. Of a value that several pairs have together nothing
    is certain unless the step has all of their nets.
    """
    point_of: dict[int, str] = {}
    for point in (*step.apply_to, *step.against):
        point_of.setdefault(demands.net_of_point[point], point)
    found = []
    for declared in demands.insulations:
        entry = _entry(declared, step, point_of)
        if entry is not None and _crosses(declared, step):
            found.append(entry)
    return found


def _entry(
    declared: Declared, step: PlannedStep, point_of: dict[int, str]
) -> dict[str, Any] | None:
    groups = [
        [point_of[net] for net in group if net in point_of] for group in declared.pairs.groups
    ]
    groups = [group for group in groups if group]
    if len(groups) < 2 or declared.least >= MOST_OHM:
        return None
    points = len(step.apply_to) + len(step.against)
    data: dict[str, Any] = {}
    if not (declared.each_pair and points == len(groups) == len(point_of)):
        data["groups"] = groups  # else each point of the step by itself, which needs no words
    data["least"] = _ohms(_DOWN.plus(declared.least))
    whole = declared.each_pair or all(net in point_of for net in declared.pairs.nets)
    if whole and declared.most <= MOST_OHM:
        data["most"] = _ohms(_UP.plus(declared.most))
    data["counts"] = "each_pair" if declared.each_pair else "together"
    return data


def _crosses(declared: Declared, step: PlannedStep) -> bool:
    group_of = declared.pairs.group_of
    here = {group_of[net] for net in step.apply_nets if net in group_of}
    there = {group_of[net] for net in step.against_nets if net in group_of}
    return bool(here) and bool(there) and len(here | there) > 1


def _ohms(value: Decimal) -> str:
    return str(Quantity(value, Dimension.RESISTANCE))
