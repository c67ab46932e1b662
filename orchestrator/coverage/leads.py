"""Contact proof by point: would a lead that has fallen off be noticed in every step that uses it?

Two proofs count. A bonding or continuity step that `prove_contact` names, before the step, with an
upper limit on resistance and the point alone on its side (beside others an open lead is hidden).
Or a lower limit on current in the step itself that what is left without the lead can't reach.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from orchestrator.coverage.lower_limits import LowerLimits
from orchestrator.coverage.report import Lead, Leads
from orchestrator.coverage.steps import Seen, SeenStep, VoltageStep
from orchestrator.model.demands import Demands
from orchestrator.model.words import Edge, Measured


@dataclass(slots=True)
class _Lack:
    """Steps in which a point isn't proved, and why not in the first of them."""

    why: str
    steps: list[int]


def judge_leads(demands: Demands, seen: Seen) -> Leads:
    """Every point of the product, by how its contact is proved."""
    lacks: dict[str, _Lack] = {}
    ways: dict[str, set[str]] = {}
    limits = LowerLimits(demands)
    for step in seen.voltage:
        proved = proved_by(step, seen)
        touched = _touched(step, seen.contact_named)
        open_points = [p for p in (*step.source, *step.back) if p not in proved]
        shown = limits.shown(step, open_points)
        for point in (*step.source, *step.back):
            if point in proved:
                ways.setdefault(point, set()).add("step")
            elif (why := shown[point]) is None:
                ways.setdefault(point, set()).add("limit")
            elif (lack := lacks.get(point)) is not None:
                lack.steps.append(step.number)
            else:
                lacks[point] = _Lack(_why(step, point, touched, why), [step.number])
    return _sorted(demands, lacks, ways)


def _sorted(demands: Demands, lacks: Mapping[str, _Lack], ways: Mapping[str, set[str]]) -> Leads:
    by_step: list[str] = []
    by_limit: list[str] = []
    idle: list[str] = []
    unproved: list[Lead] = []
    accepted: list[Lead] = []
    for net in demands.nets:
        for point in net.points:
            if point in lacks:
                found = lacks[point]
                reason = demands.allowed.unproved_contact.get(point)
                lead = Lead(point, net.name, tuple(found.steps), found.why, reason)
                (unproved if reason is None else accepted).append(lead)
            elif point not in ways:
                idle.append(point)
            else:
                (by_limit if "limit" in ways[point] else by_step).append(point)
    return Leads(tuple(by_step), tuple(by_limit), tuple(idle), tuple(unproved), tuple(accepted))


def proved_by(step: VoltageStep, seen: Seen) -> frozenset[str]:
    """Points that the steps named in `prove_contact` prove."""
    return frozenset(point for other in _named(step, seen.contact_named) for point in _alone(other))


def _named(step: VoltageStep, contact: Mapping[str, SeenStep]) -> Iterator[SeenStep]:
    for name in step.proving:
        other = contact.get(name)
        if other is not None and other.number < step.number:
            yield other


def _alone(step: SeenStep) -> Iterator[str]:
    """The points whose open lead breaks the limit of a bonding or continuity step."""
    if step.limit(Measured.RESISTANCE, Edge.AT_MOST) is None:
        return
    for side in (step.source, step.back):
        if len(side) == 1:
            yield side[0]


def _touched(step: VoltageStep, contact: Mapping[str, SeenStep]) -> Mapping[str, SeenStep]:
    return {p: other for other in _named(step, contact) for p in (*other.source, *other.back)}


def _why(step: VoltageStep, point: str, touched: Mapping[str, SeenStep], limit: str) -> str:
    found = f"no step named in prove_contact touches it; {limit}"
    if (other := touched.get(point)) is not None:
        found = f"{other.told} touches it only beside other points, or has no upper limit; {limit}"
    if step.reason is not None:
        found += f"; the program's own reason: {step.reason}"
    return found
