"""Set-points as the wire will carry them: levels up to the ceiling, limits only tighter.

The driver says what it will send; here it is checked and never trusted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

from orchestrator.binding.asking import check_dwell
from orchestrator.binding.context import Candidate, Task
from orchestrator.contract import CannotCarry
from orchestrator.errors import Fault
from orchestrator.model.amounts import hertz, level_of, measured, seconds
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured

CEILING = Decimal("1.03")
"""Default level ceiling over the level."""


@dataclass(frozen=True, slots=True)
class OnWire:
    """The order as the wire carries it, and the rounding in words."""

    order: StepOrder
    reasons: tuple[str, ...]
    faults: tuple[Fault, ...]


def ceiling_of(candidate: Candidate) -> Decimal:
    """The highest level allowed: the step's own ceiling, or 3 % above its level."""
    step = candidate.task.step
    return step.level.value * CEILING if step.level_ceiling is None else step.level_ceiling.value


def put_on_wire(candidate: Candidate, asked: StepOrder) -> OnWire:
    """Ask the driver for the set-points it can send, and check them."""
    task = candidate.task
    try:
        wire = task.context.instruments.testers[candidate.tester].quantise(asked)
    except CannotCarry as error:
        what = f"{task.what}, {error.field} on {candidate.tester}"
        at = task.at(*error.field.split("."))
        fault = Fault(what, error.found, error.expected, error.remedy or "change it", at)
        return OnWire(asked, (), (fault,))
    settle_is_lost = wire.settle is None and asked.settle is not None
    if settle_is_lost and candidate.ability.judged == "throughout":
        return OnWire(asked, (), (_settle_lost(candidate),))
    if settle_is_lost:
        wire = replace(wire, settle=asked.settle)  # judged at the end of the dwell: kept anyway
    faults = (
        *_check_level(candidate, asked, wire),
        *_check_limits(candidate, asked, wire),
        *_check_times(candidate, asked, wire),
        *_check_unchanged(candidate, asked, wire),
    )
    return OnWire(wire, tuple(_told(asked, wire)), faults)


def _settle_lost(candidate: Candidate) -> Fault:
    """Limits that act from the first moment would judge what the step wants to let pass."""
    task = candidate.task
    return Fault(
        f"{task.what}, settle on {candidate.tester}",
        "a tester that judges throughout the dwell and has no settle time",
        "a tester that waits before it judges, or judges at the end",
        "leave settle out, or take another tester",
        task.at("settle"),
    )


def check_ceiling(task: Task) -> Iterator[Fault]:
    """A ceiling below the level makes no sense."""
    ceiling = task.step.level_ceiling
    if ceiling is not None and ceiling < task.step.level:
        expected = f"at least the level, {task.step.level}"
        remedy = "raise level_ceiling or lower level"
        what = f"{task.what}, level_ceiling"
        yield Fault(what, str(ceiling), expected, remedy, task.at("level_ceiling"))


def _check_level(candidate: Candidate, asked: StepOrder, wire: StepOrder) -> Iterator[Fault]:
    task, kind, ceiling = candidate.task, asked.kind, ceiling_of(candidate)
    what, at = f"{task.what}, level on {candidate.tester}", task.at("level")
    found = f"{level_of(kind, wire.level)} on the wire for {level_of(kind, asked.level)} asked"
    if wire.level < asked.level:
        yield _driver_fault(what, found, "never below what was asked", candidate)
    elif wire.level > max(ceiling, asked.level):
        told = f"at most {level_of(kind, ceiling)} (level_ceiling)"
        remedy = "choose a level that the instrument can carry, or raise level_ceiling"
        yield Fault(what, found, told, remedy, at)
    elif wire.level > candidate.ability.level.most:
        told = f"at most {level_of(kind, candidate.ability.level.most)}"
        yield Fault(what, found, told, "lower the level", at)


def _check_limits(candidate: Candidate, asked: StepOrder, wire: StepOrder) -> Iterator[Fault]:
    task = candidate.task
    if _pairs(asked) != _pairs(wire) or (asked.flash_over is None) != (wire.flash_over is None):
        what = f"{task.what}, limits on {candidate.tester}"
        yield _driver_fault(what, "other limits on the wire", "the limits asked", candidate)
        return
    for limit in asked.limits:
        sent = wire.limit(limit.quantity, limit.edge)
        if sent is None:
            continue
        what = f"{task.what}, {limit.quantity} {limit.edge} on {candidate.tester}"
        found = f"{measured(limit.quantity, sent)} on the wire"
        if sent not in candidate.ability.limits[(limit.quantity, limit.edge)]:
            remedy = "move the limit further into the tester's range"
            expected = "a value within the tester's range after rounding too (0 may mean 'off')"
            at = task.at("accept", limit.quantity.value, limit.edge.value)
            yield Fault(what, found, expected, remedy, at)
        if not _looser(limit, sent):
            continue
        expected = f"{limit.edge} {measured(limit.quantity, limit.value)} or tighter"
        yield _driver_fault(what, found, expected, candidate)
    if asked.flash_over and wire.flash_over and wire.flash_over > asked.flash_over:
        what = f"{task.what}, flash_over on {candidate.tester}"
        yield _driver_fault(what, "a looser limit on the wire", "the same or tighter", candidate)
    for quantity in dict.fromkeys(limit.quantity for limit in wire.limits):
        low, high = wire.limit(quantity, Edge.AT_LEAST), wire.limit(quantity, Edge.AT_MOST)
        if low is not None and high is not None and low > high:
            found = f"at_least {measured(quantity, low)}, at_most {measured(quantity, high)}"
            what = f"{task.what}, {quantity} on {candidate.tester}"
            remedy = "set the two limits further apart: the instrument can't tell them apart"
            expected = "at_least below at_most on the wire too"
            yield Fault(what, found, expected, remedy, task.at("accept", quantity.value))


def _pairs(order: StepOrder) -> list[tuple[Measured, Edge]]:
    return sorted((limit.quantity, limit.edge) for limit in order.limits)


def _looser(limit: LimitOrder, sent: Decimal) -> bool:
    return sent > limit.value if limit.edge is Edge.AT_MOST else sent < limit.value


def _check_times(candidate: Candidate, asked: StepOrder, wire: StepOrder) -> Iterator[Fault]:
    task = candidate.task
    if wire.dwell < asked.dwell:
        found = f"{seconds(wire.dwell)} on the wire for {seconds(asked.dwell)} asked"
        what = f"{task.what}, dwell on {candidate.tester}"
        yield _driver_fault(what, found, "never shorter than asked", candidate)
    elif wire.dwell != asked.dwell:
        yield from check_dwell(candidate, wire.dwell)


def _check_unchanged(candidate: Candidate, asked: StepOrder, wire: StepOrder) -> Iterator[Fault]:
    def fixed(order: StepOrder) -> tuple[object, ...]:
        return order.kind, order.waveform, order.frequency, order.limits_during_rise, order.route

    if fixed(asked) != fixed(wire):
        what = f"{candidate.task.what} on {candidate.tester}"
        found = "kind, waveform, frequency, limits_during_rise or route changed on the wire"
        yield _driver_fault(what, found, "them as asked", candidate)


def _driver_fault(what: str, found: str, expected: str, candidate: Candidate) -> Fault:
    remedy = f"correct the profile or driver of {candidate.tester}: it rounds the wrong way"
    return Fault(what, found, expected, remedy, candidate.task.at())


def _told(asked: StepOrder, wire: StepOrder) -> Iterator[str]:
    """Every set-point that the wire carries otherwise than asked."""
    pairs: list[tuple[str, str, str, bool]] = []
    if wire.level != asked.level:
        kind = asked.kind
        up = wire.level > asked.level
        pairs.append(("level", level_of(kind, asked.level), level_of(kind, wire.level), up))
    for word, before, after in (
        ("rise", asked.rise, wire.rise),
        ("dwell", asked.dwell, wire.dwell),
        ("fall", asked.fall, wire.fall),
    ):
        if before is not None and after is not None and before != after:
            pairs.append((word, seconds(before), seconds(after), after > before))
    for limit in asked.limits:
        sent = wire.limit(limit.quantity, limit.edge)
        if sent is not None and sent != limit.value:
            name = f"{limit.quantity} {limit.edge}"
            texts = measured(limit.quantity, limit.value), measured(limit.quantity, sent)
            pairs.append((name, *texts, sent > limit.value))
    if asked.flash_over and wire.flash_over and asked.flash_over != wire.flash_over:
        texts = (
            measured(Measured.CURRENT, asked.flash_over),
            measured(Measured.CURRENT, wire.flash_over),
        )
        pairs.append(("flash_over", *texts, wire.flash_over > asked.flash_over))
    for word, was, now, up in pairs:
        way = "up" if up else "down"
        yield f"The wire carries {word} {now} for {was} asked: rounded {way} [profile]."


def at_level(order: StepOrder) -> str:
    """Level, waveform and frequency in words."""
    told = level_of(order.kind, order.level)
    form = f" {order.waveform.upper()}" if order.kind in CONTACT_KINDS else ""
    at = f" {hertz(order.frequency)}" if order.frequency else ""
    return f"{told}{form}{at}"
