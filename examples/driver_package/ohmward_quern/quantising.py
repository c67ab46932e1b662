"""From an order to what the Quern's wire carries: whole volts, kohm or uA, steps of 10 ms."""

from __future__ import annotations

from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from ohmward_quern import frames
from ohmward_quern.abilities import ABILITIES
from orchestrator.contract import CannotCarry
from orchestrator.model.abilities import Span
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, StepKind, Waveform

KINDS = {StepKind.INSULATION: 1, StepKind.WITHSTAND_DC: 2}


def quantise(order: StepOrder) -> StepOrder:
    """Level and times up, limits tighter. Raises CannotCarry."""
    ability = ABILITIES.kinds.get(order.kind)
    if ability is None:
        raise CannotCarry("kind", order.kind, " or ".join(KINDS), "use a tester that can do it")
    if order.waveform is not Waveform.DC:
        raise CannotCarry("waveform", order.waveform, "dc", "ask for DC or use another tester")
    for field in ("fall", "flash_over", "settle", "frequency"):
        value = getattr(order, field)
        if value is not None:
            raise CannotCarry(field, str(value), "nothing: it can't be set", "leave it out")
    if order.limits_during_rise and ability.limits_during_rise == "never":
        expected = "no: it judges at the end of the dwell"
        raise CannotCarry("limits_during_rise", "yes", expected, "leave it out")
    if len(order.limits) != 1:
        raise CannotCarry("accept", f"{len(order.limits)} limits", "exactly one", "split the step")
    rise = order.rise
    if rise is None or ability.rise is None:
        raise CannotCarry("rise", "none", "a time from 0.1 s on", "give the step a rise")
    return replace(
        order,
        level=_on_step("level", order.level, ability.level, up=True),
        rise=_on_step("rise", rise, ability.rise, up=True),
        dwell=_on_step("dwell", order.dwell, ability.dwell, up=True),
        limits=tuple(_limit(limit, order.kind) for limit in order.limits),
    )


def wire_setup(order: StepOrder) -> bytes:
    """The data of SET. Raises CannotCarry."""
    carried = quantise(order)
    limit = carried.limits[0].value
    unit = 1 / Decimal(1000) if carried.kind is StepKind.INSULATION else Decimal(1_000_000)
    return frames.SETUP.pack(
        KINDS[carried.kind],
        int(carried.level),
        int((carried.rise or 0) * 100),
        int(carried.dwell * 100),
        int(limit * unit),
    )


def _limit(limit: LimitOrder, kind: StepKind) -> LimitOrder:
    span = ABILITIES.kinds[kind].limits.get((limit.quantity, limit.edge))
    name = f"accept.{limit.quantity}.{limit.edge}"
    if span is None:
        raise CannotCarry(name, f"{limit.value:f}", "no such limit", "use another tester")
    up = limit.edge is Edge.AT_LEAST
    return replace(limit, value=_on_step(name, limit.value, span, up=up))


def _on_step(name: str, value: Decimal, span: Span, *, up: bool) -> Decimal:
    step = span.resolution or Decimal(1)
    rounding = ROUND_CEILING if up else ROUND_FLOOR
    carried = (value / step).to_integral_value(rounding) * step
    if not span.least <= carried <= span.most:
        expected = f"{span.least} to {span.most}"
        raise CannotCarry(name, f"{value:f}", expected, "choose a value within its range")
    return carried
