"""Charging an object with DC: current in the rise, time to reach the level. Exact decimals, so that
a limit that is just met counts as met."""

from __future__ import annotations

from decimal import Decimal


def charging_current_a(capacitance_f: Decimal, voltage_v: Decimal, rise_s: Decimal) -> Decimal:
    """Current (A) that charges a capacitance (F) to a voltage (V) in a straight rise (s): C·U/t.

    Raises:
        ValueError: a rise that isn't positive (the current would have no bound).
    """
    if rise_s <= 0:
        raise ValueError("the rise must be positive")
    return capacitance_f * voltage_v / rise_s


def charging_time_s(capacitance_f: Decimal, voltage_v: Decimal, current_a: Decimal) -> Decimal:
    """Time (s) in which a current (A) brings a capacitance (F) to a voltage (V): C·U/I.

    Also the shortest straight rise (s) whose charging current stays within that current.

    Raises:
        ValueError: a current that isn't positive.
    """
    if current_a <= 0:
        raise ValueError("the current must be positive")
    return capacitance_f * voltage_v / current_a
