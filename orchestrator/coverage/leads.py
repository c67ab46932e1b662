"""Contact proof by point: which step of the program would fail if its lead had fallen off?

A run passes only if every step passes, so one such step anywhere in the program, before or after
the steps that rely on the point, keeps a run with that lead off from passing. Two kinds show it:

- a bonding or continuity step with an upper limit on resistance and the point alone on its side
  (beside others an open lead is hidden);
- a voltage step with a lower limit on current that what is left without the lead can't reach.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from orchestrator.coverage.lower_limits import NO_LIMIT, LowerLimits
from orchestrator.coverage.report import Lead, LeadProof, Leads
from orchestrator.coverage.steps import Seen, SeenStep, VoltageStep
from orchestrator.model.demands import Demands
from orchestrator.model.words import Edge, Measured


@dataclass(slots=True)
class _Use:
    """The voltage steps that rely on a point, and why the limits of some don't show it."""

    steps: list[VoltageStep] = field(default_factory=list)
    why: str = NO_LIMIT


def judge_leads(demands: Demands, seen: Seen) -> Leads:
    """Every point of the product, by how its contact is proved."""
    proofs: dict[str, LeadProof] = {}
    for contact in seen.contact:
        for point in _alone(contact):
            proofs.setdefault(point, LeadProof(point, "contact", contact.number))
    uses: dict[str, _Use] = {}
    limits = LowerLimits(demands)
    for step in seen.voltage:
        points = (*step.source, *step.back)
        for point in points:
            uses.setdefault(point, _Use()).steps.append(step)
        waiting = [point for point in points if point not in proofs]
        for point, why in limits.shown(step, waiting).items():
            if why is None:
                proofs[point] = LeadProof(point, "limit", step.number)
            elif uses[point].why == NO_LIMIT:
                uses[point].why = why
    return _sorted(demands, proofs, uses, _touched(seen.contact))


def _sorted(
    demands: Demands,
    proofs: Mapping[str, LeadProof],
    uses: Mapping[str, _Use],
    touched: Mapping[str, SeenStep],
) -> Leads:
    by: dict[str, list[str]] = {"contact": [], "limit": []}
    idle: list[str] = []
    unproved: list[Lead] = []
    accepted: list[Lead] = []
    for net in demands.nets:
        for point in net.points:
            if point not in uses:
                idle.append(point)
            elif point in proofs:
                by[proofs[point].by].append(point)
            else:
                reason = demands.allowed.unproved_contact.get(point)
                steps = tuple(step.number for step in uses[point].steps)
                lead = Lead(point, net.name, steps, _why(point, uses[point], touched), reason)
                (unproved if reason is None else accepted).append(lead)
    used = tuple(proofs[point] for points in by.values() for point in points)
    return Leads(
        tuple(by["contact"]), tuple(by["limit"]), tuple(idle), tuple(unproved), tuple(accepted),
        used,
    )  # fmt: skip


def _alone(step: SeenStep) -> Iterator[str]:
    """The points whose open lead breaks the limit of a bonding or continuity step."""
    if step.limit(Measured.RESISTANCE, Edge.AT_MOST) is None:
        return
    for side in (step.source, step.back):
        if len(side) == 1:
            yield side[0]


def _touched(contact: Sequence[SeenStep]) -> Mapping[str, SeenStep]:
    return {p: step for step in reversed(contact) for p in (*step.source, *step.back)}


def _why(point: str, use: _Use, touched: Mapping[str, SeenStep]) -> str:
    found = f"no bonding or continuity step touches it; {use.why}"
    if (other := touched.get(point)) is not None:
        found = f"{other.told} touches it only beside other points, or has no upper limit; "
        found += use.why
    reason = next((step.reason for step in use.steps if step.reason is not None), None)
    if reason is not None:
        found += f"; the program's own reason: {reason}"
    return found
