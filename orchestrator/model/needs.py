"""Small turns from models to resolved demands: limits, times, ceilings."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from orchestrator.model.program import Accept, CurrentLimit, ResistanceLimit
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured
from orchestrator.quantities import Quantity

ABOVE_LEVEL = Decimal("1.03")
"""The most that the wire may carry over the level where no ceiling is written; as in a program."""


def limit_orders(
    quantity: Measured, bounds: CurrentLimit | ResistanceLimit | None
) -> Iterator[LimitOrder]:
    """The bounds of one quantity as limits, lower first."""
    if bounds is None:
        return
    for edge, value in ((Edge.AT_LEAST, bounds.at_least), (Edge.AT_MOST, bounds.at_most)):
        if value is not None:
            yield LimitOrder(quantity, edge, value.value)


def limits_of(accept: Accept) -> tuple[LimitOrder, ...]:
    """All limits of an ``accept``."""
    return (
        *limit_orders(Measured.TOTAL_CURRENT, accept.total_current),
        *limit_orders(Measured.IN_PHASE_CURRENT, accept.in_phase_current),
        *limit_orders(Measured.RESISTANCE, accept.resistance),
    )


def ceiling_of(level: Decimal, written: Quantity | None) -> Decimal:
    """The ceiling that is written, else 3 % above the level."""
    return level * ABOVE_LEVEL if written is None else written.value


def seconds_of(time: Quantity | None) -> Decimal | None:
    """A time (s) that may be left out."""
    return None if time is None else time.value
