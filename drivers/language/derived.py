"""What an order says, field by field: set-points as they are, and a closed list of derived ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Context, Decimal
from typing import Any

from drivers.language.values import Ambiguous
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

_CONTEXT = Context(prec=50)
_CURRENTS = (StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC)
_ONE_WAVEFORM = (StepKind.INSULATION, *_CURRENTS)


def main_quantity(kind: StepKind) -> Measured:
    """What ``at_least``, ``at_most`` and ``reading`` mean in a kind of step."""
    return Measured.TOTAL_CURRENT if kind in _CURRENTS else Measured.RESISTANCE


def order_values(order: StepOrder, *, first_slot: int = 0, steps: int = 1) -> Mapping[str, Any]:
    """The values of every field that an order determines; what it leaves out is ``None``.

    Args:
        order: SI units; ``slot`` counts from 0 in its batch.
        first_slot: number of the first slot on the instrument.
        steps: steps in the batch.
    """
    kind = order.kind
    values: dict[str, Any] = {
        "kind": str(kind),
        "kind_waveform": str(kind) if kind in _ONE_WAVEFORM else f"{kind}_{order.waveform}",
        "waveform": str(order.waveform),
        "level": order.level,
        "rise": order.rise,
        "dwell": order.dwell,
        "fall": order.fall,
        "frequency": order.frequency if order.waveform is Waveform.AC else None,
        "flash_over": order.flash_over,
        "settle": order.settle,
        "during_rise": "on" if order.limits_during_rise else "off",
        "slot": first_slot + order.slot,
        "next_slot": first_slot + steps,
        "steps": steps,
    }
    for edge in Edge:
        values |= _limits(order, edge)
    return values | _derived(order, values)


def _limits(order: StepOrder, edge: Edge) -> dict[str, Any]:
    total = order.limit(Measured.TOTAL_CURRENT, edge)
    in_phase = order.limit(Measured.IN_PHASE_CURRENT, edge)
    judged: Any = in_phase if total is None else total
    acts_on: Any = "total_current" if in_phase is None else "in_phase_current"
    if total is not None and in_phase is not None:
        judged = acts_on = Ambiguous(f"a total and an in-phase limit '{edge}'")
    return {
        f"total_current_{edge}": total,
        f"in_phase_current_{edge}": in_phase,
        f"resistance_{edge}": order.limit(Measured.RESISTANCE, edge),
        f"{edge}": order.limit(main_quantity(order.kind), edge),
        f"judged_current_{edge}": judged,
        f"{edge}_acts_on": acts_on,
    }


def _derived(order: StepOrder, values: Mapping[str, Any]) -> dict[str, Decimal | None]:
    level = order.level
    times = (order.rise, order.dwell, order.fall)
    alternating = order.waveform is Waveform.AC
    return {
        "total_time": _sum(t for t in times if t is not None),
        "slope": _over(level, order.rise),
        "fall_slope": _over(level, order.fall),
        # peak of a sine; for DC the level is its own peak
        "peak_level": _CONTEXT.multiply(level, _CONTEXT.sqrt(Decimal(2))) if alternating else level,
        # Ohm's law turns the edge: a resistance of at least R is a current of at most U / R
        "limit_current_at_most": _over(level, values["resistance_at_least"]),
        "limit_current_at_least": _over(level, values["resistance_at_most"]),
        "limit_drop_at_most": _times(level, values["resistance_at_most"]),
        "limit_drop_at_least": _times(level, values["resistance_at_least"]),
        "limit_resistance_at_least": _over(level, values["total_current_at_most"]),
        "limit_resistance_at_most": _over(level, values["total_current_at_least"]),
    }


def _sum(times: Iterable[Decimal]) -> Decimal:
    """Exact: a rise reckoned from a slope has many digits, and a total must come out again."""
    total = Decimal(0)
    for time in times:
        total = _CONTEXT.add(total, time)
    return total


def _over(level: Decimal, divisor: Decimal | None) -> Decimal | None:
    """``None`` too where the divisor is 0: no slope, no bound."""
    return _CONTEXT.divide(level, divisor) if divisor else None


def _times(level: Decimal, factor: Decimal | None) -> Decimal | None:
    return None if factor is None else _CONTEXT.multiply(level, factor)
