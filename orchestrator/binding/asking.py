"""The order that a program asks of a tester, and whether its abilities cover it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from orchestrator.binding.context import Candidate
from orchestrator.errors import Fault
from orchestrator.model.abilities import KindAbility, Span
from orchestrator.model.amounts import hertz, level_of, measured, seconds
from orchestrator.model.program import (
    Accept,
    BondingStep,
    ContinuityStep,
    Step,
    WithstandAcStep,
    WithstandDcStep,
)
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform
from orchestrator.quantities import Quantity

SHORTEST_RISE_S = Decimal("0.1")
"""Used where a step gives no rise or fall: no jump to full level (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Asked:
    """An order as the program asks it, and what was filled in for it."""

    order: StepOrder
    reasons: tuple[str, ...]


def ask(candidate: Candidate) -> Asked:
    """Write a step as an order to this tester; nothing is judged here."""
    step, ability = candidate.task.step, candidate.ability
    reasons: list[str] = []
    rise = _edge_time("rise", step.rise, ability.rise, ability.fixed_rise_s, reasons)
    fall = _edge_time("fall", step.fall, ability.fall, ability.fixed_fall_s, reasons)
    waveform = _waveform(step, ability)
    order = StepOrder(
        kind=ability.kind,
        level=step.level.value,
        waveform=waveform,
        dwell=step.dwell.value,
        rise=rise,
        fall=fall,
        frequency=_frequency(step, ability, waveform, reasons),
        limits=limits_of(step.accept),
        limits_during_rise=step.limits_during_rise,
        flash_over=_value(_flash_over(step)),
        settle=_value(step.settle),
    )
    return Asked(order, tuple(reasons))


def limits_of(accept: Accept) -> tuple[LimitOrder, ...]:
    """Every bound of a step, in a fixed order."""
    found = []
    for quantity, bounds in (
        (Measured.TOTAL_CURRENT, accept.total_current),
        (Measured.IN_PHASE_CURRENT, accept.in_phase_current),
        (Measured.RESISTANCE, accept.resistance),
    ):
        if bounds is None:
            continue
        for edge, value in ((Edge.AT_LEAST, bounds.at_least), (Edge.AT_MOST, bounds.at_most)):
            if value is not None:
                found.append(LimitOrder(quantity, edge, value.value))
    return tuple(found)


def _edge_time(
    word: str, asked: Quantity | None, span: Span | None, fixed_s: Decimal, reasons: list[str]
) -> Decimal | None:
    """Rise or fall: what is asked; else the shortest settable from 0.1 s on; else nothing."""
    if asked is not None:
        same_as_fixed = span is None and asked.value == fixed_s
        return None if same_as_fixed else asked.value
    if span is None:
        return None
    chosen = min(max(span.least, SHORTEST_RISE_S), span.most)
    reasons.append(
        f"No {word} is asked: {seconds(chosen)}, the tester's shortest from 0.1 s on [profile]."
    )
    return chosen


def _waveform(step: Step, ability: KindAbility) -> Waveform:
    if isinstance(step, BondingStep):
        return step.waveform
    if step.kind is StepKind.WITHSTAND_AC:
        return Waveform.AC
    if isinstance(step, ContinuityStep) and Waveform.DC not in ability.waveforms:
        return Waveform.AC
    return Waveform.DC


def _frequency(
    step: Step, ability: KindAbility, waveform: Waveform, reasons: list[str]
) -> Decimal | None:
    asked = step.frequency if isinstance(step, BondingStep | WithstandAcStep) else None
    if asked is not None:
        return asked.value
    if waveform is Waveform.AC and ability.frequencies:
        reasons.append(
            f"No frequency is asked: {hertz(ability.frequencies[0])}, the tester's first [profile]."
        )
        return ability.frequencies[0]
    return None


def _flash_over(step: Step) -> Quantity | None:
    return step.flash_over if isinstance(step, WithstandAcStep | WithstandDcStep) else None


def _value(quantity: Quantity | None) -> Decimal | None:
    return None if quantity is None else quantity.value


# ---- abilities ----------------------------------------------------------------------------------


def check_abilities(candidate: Candidate, order: StepOrder) -> Iterator[Fault]:
    """Everything in an order that this tester can't do."""
    yield from _check_level(candidate, order)
    yield from _check_frequency(candidate, order)
    yield from _check_times(candidate, order)
    yield from _check_limits(candidate, order)
    yield from _check_rise_limits(candidate)
    yield from _check_flash_over(candidate, order)


def _refusal(candidate: Candidate, field: str, found: str, expected: str, remedy: str) -> Fault:
    task = candidate.task
    what = f"{task.what}, {field.replace('.', ' ')} on {candidate.tester}"
    return Fault(what, found, expected, remedy, task.at(*field.split(".")))


def _check_level(candidate: Candidate, order: StepOrder) -> Iterator[Fault]:
    span, kind = candidate.ability.level, order.kind
    if order.level not in span:
        expected = f"{level_of(kind, span.least)} to {level_of(kind, span.most)}"
        found = level_of(kind, order.level)
        remedy = "change the level, or use a tester that reaches it"
        yield _refusal(candidate, "level", found, expected, remedy)
    if order.waveform not in candidate.ability.waveforms:
        expected = " or ".join(sorted(candidate.ability.waveforms)) or "none stated"
        remedy = "change the waveform, or use a tester that has it"
        yield _refusal(candidate, "waveform", order.waveform.value, expected, remedy)


def _check_frequency(candidate: Candidate, order: StepOrder) -> Iterator[Fault]:
    known = candidate.ability.frequencies
    told = " or ".join(hertz(value) for value in known) or "none stated in its profile"
    if order.frequency is None:
        if candidate.task.step.kind is StepKind.WITHSTAND_AC:
            yield _refusal(candidate, "frequency", "none", told, "give the frequency")
        return
    if order.waveform is Waveform.DC:
        remedy = "take the frequency out, or set waveform: ac"
        yield _refusal(candidate, "frequency", hertz(order.frequency), "none on DC", remedy)
    elif order.frequency not in known:
        remedy = "use one of these frequencies, or another tester"
        yield _refusal(candidate, "frequency", hertz(order.frequency), told, remedy)


def _check_times(candidate: Candidate, order: StepOrder) -> Iterator[Fault]:
    ability = candidate.ability
    yield from check_dwell(candidate, order.dwell)
    for word, asked, span, fixed_s in (
        ("rise", order.rise, ability.rise, ability.fixed_rise_s),
        ("fall", order.fall, ability.fall, ability.fixed_fall_s),
    ):
        if asked is None:
            continue
        if span is None:
            expected = f"none: the instrument takes {seconds(fixed_s)} and can't be set"
            yield _refusal(candidate, word, seconds(asked), expected, f"take {word} out")
        elif asked not in span:
            remedy = f"change the {word}"
            yield _refusal(candidate, word, seconds(asked), _times(span), remedy)
    settle = order.settle
    if settle is not None and settle > order.dwell:
        expected = f"at most the dwell, {seconds(order.dwell)}"
        remedy = "shorten settle or lengthen dwell"
        yield _refusal(candidate, "settle", seconds(settle), expected, remedy)


def check_dwell(candidate: Candidate, dwell: Decimal) -> Iterator[Fault]:
    """A dwell within the range, never zero and never the one that means 'until stopped'."""
    span, endless = candidate.ability.dwell, candidate.ability.indefinite_dwell_s
    if dwell in {Decimal(0), endless}:
        found = seconds(dwell) + (" ('until stopped' on this tester)" if dwell == endless else "")
        remedy = "give the time the level must be held"
        yield _refusal(candidate, "dwell", found, "a time with an end, above 0 s", remedy)
    elif dwell not in span:
        yield _refusal(candidate, "dwell", seconds(dwell), _times(span), "change the dwell")


def _times(span: Span) -> str:
    return f"{seconds(span.least)} to {seconds(span.most)}"


def _check_limits(candidate: Candidate, order: StepOrder) -> Iterator[Fault]:
    for limit in order.limits:
        span = candidate.ability.limits.get((limit.quantity, limit.edge))
        field = f"accept.{limit.quantity.value}.{limit.edge.value}"
        found = measured(limit.quantity, limit.value)
        if span is None:
            remedy = "limit another quantity, or use a tester that judges this one"
            can = ", ".join(f"{quantity} {edge}" for quantity, edge in candidate.ability.limits)
            yield _refusal(candidate, field, found, f"a limit it judges ({can})", remedy)
        elif limit.value not in span:
            low, high = measured(limit.quantity, span.least), measured(limit.quantity, span.most)
            remedy = "change the limit, or use a tester that judges it"
            yield _refusal(candidate, field, found, f"{low} to {high}", remedy)


def _check_rise_limits(candidate: Candidate) -> Iterator[Fault]:
    asked, can = candidate.task.step.limits_during_rise, candidate.ability.limits_during_rise
    if asked and can == "never":
        expected = "no: its limits never act during the rise"
        remedy = "take limits_during_rise out, or use another tester"
        yield _refusal(candidate, "limits_during_rise", "yes", expected, remedy)
    if not asked and can == "always":
        expected = "yes: its limits always act during the rise"
        remedy = "write limits_during_rise: yes"
        yield _refusal(candidate, "limits_during_rise", "no", expected, remedy)


def _check_flash_over(candidate: Candidate, order: StepOrder) -> Iterator[Fault]:
    span, asked = candidate.ability.flash_over, order.flash_over
    if asked is None:
        return
    found = measured(Measured.CURRENT, asked)
    if span is None:
        remedy = "take flash_over out, or use a tester that has it"
        yield _refusal(candidate, "flash_over", found, "none: it has no such limit", remedy)
    elif asked not in span:
        low, high = measured(Measured.CURRENT, span.least), measured(Measured.CURRENT, span.most)
        yield _refusal(candidate, "flash_over", found, f"{low} to {high}", "change flash_over")
