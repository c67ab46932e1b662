"""A schedule in plain words."""

from __future__ import annotations

from orchestrator.binding.levels import at_level
from orchestrator.model.amounts import amps, measured, seconds
from orchestrator.model.schedule import BoundStep, Schedule, StepOrder
from orchestrator.model.words import Edge


def describe(schedule: Schedule) -> list[str]:
    """One line for each step, numbered from 1: points, level on the wire, limits, times."""
    return [_line(step) for step in schedule.steps]


def why(step: BoundStep) -> list[str]:
    """The figures behind one step, a sentence each; last how long it is expected to take."""
    takes = (
        f"Takes {step.predicted_s:.1f} s of rise, dwell and fall, and about {step.around_s:.1f} s "
        "of relays, discharge and messages [estimate]."
    )
    return [*step.reasons, takes]


def describe_duration(schedule: Schedule) -> str:
    """How long the whole program takes."""
    return (
        f"about {schedule.estimated_s:.0f} s: {schedule.predicted_s:.1f} s of rise, dwell and "
        "fall, the rest estimated for relays, discharge and messages"
    )


def _line(step: BoundStep) -> str:
    hazard = "hazardous" if step.hazardous else "not hazardous"
    return (
        f"{step.index + 1}. {step.name} ({step.kind.value} on {step.tester}, {hazard}): "
        f"{_sides(step)}; {at_level(step.order)}, {_times(step.order)}; "
        f"accept {_limits(step.order)}{_specified(step)}{_contact(step)}{_search(step)}"
    )


def _sides(step: BoundStep) -> str:
    against = [*step.against]
    if step.others:
        against.append(f"all others ({', '.join(step.others)})")
    left = ", ".join(step.apply_to)
    tail = "" if step.others else ", others open"
    return f"{left} against {', '.join(against)}{tail}"


def _times(order: StepOrder) -> str:
    told = [f"dwell {seconds(order.dwell)}"]
    if order.rise is not None:
        told.insert(0, f"rise {seconds(order.rise)}")
    if order.fall is not None:
        told.append(f"fall {seconds(order.fall)}")
    if order.settle is not None:
        told.append(f"judged after {seconds(order.settle)}")
    return ", ".join(told)


_EDGE = {Edge.AT_LEAST: "at least", Edge.AT_MOST: "at most"}


def _specified(step: BoundStep) -> str:
    """The specified limits beside those of the reading, where they differ."""
    if step.asked.limits == step.order.limits:
        return ""
    told = [
        f"{_EDGE[limit.edge]} {measured(limit.quantity, limit.value)}"
        for limit in step.asked.limits
        if limit not in step.order.limits
    ]
    return f" (specified {', '.join(told)})"


def _limits(order: StepOrder) -> str:
    told = [
        f"{limit.quantity.value.replace('_', ' ')} {_EDGE[limit.edge]} "
        f"{measured(limit.quantity, limit.value)}"
        for limit in order.limits
    ]
    if order.flash_over is not None:
        told.append(f"flash-over at most {amps(order.flash_over)} peak")
    return ", ".join(told) + (" (in the rise too)" if order.limits_during_rise else "")


def _contact(step: BoundStep) -> str:
    told = ""
    if step.leans_on:
        told += f"; contact proved by {', '.join(step.leans_on)}"
    if step.unproved_contact is not None:
        told += f"; contact not proved by a step before: {step.unproved_contact}"
    return told


def _search(step: BoundStep) -> str:
    if step.locate is None:
        return ""
    least = step.locate.accept.resistance.at_least
    return f"; after a fail the pair below {least} is searched at {step.locate.level}"
