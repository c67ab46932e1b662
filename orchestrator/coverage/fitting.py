"""Whether a step is fit to cover a demand at all: level, times, frequency, kinds of limits."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.coverage.steps import SeenStep, VoltageStep
from orchestrator.model.amounts import amps, hertz, level_of, measured, seconds
from orchestrator.model.demands import BondDemand, LoadDemand, NetDemand, PairDemand
from orchestrator.model.program import DecisionRule
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, StepKind


def why_unfit(demand: PairDemand, step: VoltageStep, rule: DecisionRule) -> tuple[str, ...]:
    """Why a step of the demand's kind can't cover pairs of it; empty where it can.

    How strict its limits are is another question (`masking`): in a group that depends on what
    stands beside the pair.
    """
    return (*_level_and_times(demand, step), *_ruled(step, rule))


def _level_and_times(demand: PairDemand, step: VoltageStep) -> Iterator[str]:
    if step.least < demand.level_v:
        asked, found = level_of(step.kind, demand.level_v), level_of(step.kind, step.least)
        yield f"its level is {found}, {asked} is demanded"
    if step.dwell_s < demand.dwell_s:
        yield f"its dwell is {seconds(step.dwell_s)}, {seconds(demand.dwell_s)} is demanded"
    elif step.kind is not StepKind.INSULATION:
        # Insulation is judged by the value that is reached; withstand throughout.
        wanted = demand.dwell_s - (demand.settle_s or 0)
        if step.dwell_s - step.settle_s < wanted:
            judged = max(step.dwell_s - step.settle_s, step.dwell_s * 0)
            yield f"its limits act for {seconds(judged)}, {seconds(wanted)} is demanded"
    if demand.frequency_hz is not None and step.frequency_hz != demand.frequency_hz:
        found = "not given" if step.frequency_hz is None else hertz(step.frequency_hz)
        yield f"its frequency is {found}, {hertz(demand.frequency_hz)} is demanded"
    if demand.limits_during_rise and not step.limits_during_rise:
        yield "its limits don't act during the rise"
    if demand.flash_over_a is not None:
        if step.flash_over_a is None:
            yield "it doesn't watch for flash-over"
        elif step.flash_over_a > demand.flash_over_a:
            found, wanted_a = amps(step.flash_over_a), amps(demand.flash_over_a)
            yield f"its flash_over is {found}, {wanted_a} is demanded"
    for limit in demand.limits:
        if counterpart(limit, step) is None:
            yield f"it has no limit {limit.quantity} {limit.edge}"


def counterpart(limit: LimitOrder, step: SeenStep) -> LimitOrder | None:
    """The step's limit that bounds what a demanded one bounds.

    The same quantity and edge; and an upper limit on total current bounds the in-phase current
    too, for that is never larger.
    """
    value = step.limit(limit.quantity, limit.edge)
    if value is not None:
        return LimitOrder(limit.quantity, limit.edge, value)
    if limit.quantity is Measured.IN_PHASE_CURRENT and limit.edge is Edge.AT_MOST:
        value = step.limit(Measured.TOTAL_CURRENT, limit.edge)
        if value is not None:
            return LimitOrder(Measured.TOTAL_CURRENT, limit.edge, value)
    return None


def as_strict(demanded: LimitOrder, given: LimitOrder) -> bool:
    """Whether a step's limit is at least as strict as the demanded one, taken alone."""
    if demanded.edge is Edge.AT_MOST:
        return given.value <= demanded.value
    return given.value >= demanded.value


def why_contact_unfit(
    demand: BondDemand | NetDemand | LoadDemand, step: SeenStep, rule: DecisionRule
) -> tuple[str, ...]:
    """Why a bonding or continuity step can't show what a demand on contacts wants."""
    return (*_contact(demand, step), *_ruled(step, rule))


def _ruled(step: SeenStep, rule: DecisionRule) -> Iterator[str]:
    """A stricter rule than is demanded does no harm."""
    if rule == "guarded" and step.decision_rule != rule:
        yield "its decision_rule is simple, guarded is demanded"


def _contact(demand: BondDemand | NetDemand | LoadDemand, step: SeenStep) -> Iterator[str]:
    if step.least < demand.level_a:
        yield f"its level is {amps(step.least)}, {amps(demand.level_a)} is demanded"
    if step.dwell_s < demand.dwell_s:
        yield f"its dwell is {seconds(step.dwell_s)}, {seconds(demand.dwell_s)} is demanded"
    if isinstance(demand, BondDemand):
        if step.kind is not StepKind.BONDING:
            yield "it is no bonding step"
        elif step.waveform is not demand.waveform:
            yield f"its current is {step.waveform.upper()}, {demand.waveform.upper()} is demanded"
        elif demand.frequency_hz is not None and step.frequency_hz != demand.frequency_hz:
            found = "not given" if step.frequency_hz is None else hertz(step.frequency_hz)
            yield f"its frequency is {found}, {hertz(demand.frequency_hz)} is demanded"
    for limit in demand.limits:
        given = step.limit(limit.quantity, limit.edge)
        if given is None:
            yield f"it has no limit {limit.quantity} {limit.edge}"
        elif not as_strict(limit, LimitOrder(limit.quantity, limit.edge, given)):
            told, wanted = measured(limit.quantity, given), measured(limit.quantity, limit.value)
            yield f"its limit {limit.quantity} {limit.edge} is {told}, {wanted} is demanded"
