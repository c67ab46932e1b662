"""Exact values in SI units as people read them."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Context, Decimal

from orchestrator.model.words import CONTACT_KINDS, Measured, StepKind
from orchestrator.quantities import Dimension, Quantity

_READABLE = Context(prec=8, rounding=ROUND_HALF_EVEN)

_OF_MEASURED = {
    Measured.TOTAL_CURRENT: Dimension.CURRENT,
    Measured.IN_PHASE_CURRENT: Dimension.CURRENT,
    Measured.CURRENT: Dimension.CURRENT,
    Measured.RESISTANCE: Dimension.RESISTANCE,
    Measured.VOLTAGE: Dimension.VOLTAGE,
    Measured.TIME: Dimension.TIME,
}


def shown(value: Decimal, dimension: Dimension) -> str:
    """'1525 V' → '1.525 kV'; at most eight digits."""
    return str(Quantity(_READABLE.plus(value), dimension))


def volts(value: Decimal) -> str:
    """A voltage in V, readable."""
    return shown(value, Dimension.VOLTAGE)


def amps(value: Decimal) -> str:
    """A current in A, readable."""
    return shown(value, Dimension.CURRENT)


def seconds(value: Decimal) -> str:
    """A time in s, readable."""
    return shown(value, Dimension.TIME)


def hertz(value: Decimal) -> str:
    """A frequency in Hz, readable."""
    return shown(value, Dimension.FREQUENCY)


def level_of(kind: StepKind, value: Decimal) -> str:
    """The level of a step: a current for bonding and continuity, a voltage otherwise."""
    return amps(value) if kind in CONTACT_KINDS else volts(value)


def measured(quantity: Measured, value: Decimal) -> str:
    """A limit or reading of some quantity."""
    return shown(value, _OF_MEASURED[quantity])
