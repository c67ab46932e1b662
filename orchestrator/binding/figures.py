"""Reckoned figures as messages tell them: four digits are enough for what is an estimate."""

from __future__ import annotations

from decimal import Decimal

from orchestrator.binding.context import Candidate
from orchestrator.model.amounts import shown
from orchestrator.model.schedule import StepOrder
from orchestrator.quantities import Dimension


def _told(value: float | Decimal, dimension: Dimension) -> str:
    return shown(Decimal(f"{float(value):.4g}"), dimension)


def ohms(value: float | Decimal) -> str:
    """A resistance in ohm."""
    return _told(value, Dimension.RESISTANCE)


def about_volts(value: float | Decimal) -> str:
    """A voltage in V."""
    return _told(value, Dimension.VOLTAGE)


def about_amps(value: float | Decimal) -> str:
    """A current in A."""
    return _told(value, Dimension.CURRENT)


def about_seconds(value: float | Decimal) -> str:
    """A time in s."""
    return _told(value, Dimension.TIME)


def farads(value: float | Decimal) -> str:
    """A capacitance in F."""
    return _told(value, Dimension.CAPACITANCE)


def joules(value: float | Decimal) -> str:
    """An energy in J."""
    return _told(value, Dimension.ENERGY)


def rise_s(chosen: Candidate, order: StepOrder) -> Decimal:
    """Rise (s): the order's, or what the instrument takes."""
    return chosen.ability.fixed_rise_s if order.rise is None else order.rise


def on_s(chosen: Candidate, order: StepOrder) -> Decimal:
    """Rise, dwell and fall (s)."""
    fall = chosen.ability.fixed_fall_s if order.fall is None else order.fall
    return rise_s(chosen, order) + order.dwell + fall
