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


def shortest_rise_s(
    capacitance_f: Decimal,
    voltage_v: Decimal,
    current_limit_a: Decimal,
    steady_a: Decimal = Decimal(0),
) -> Decimal:
    """Shortest straight rise (s) whose current stays within a limit to its end: C·U/(I − I₀).

    C·dU/dt (reference E1, computed) with what flows through the insulation at full voltage (A)
    taken off the limit: at the end of the rise both flow. Take the largest capacitance and the
    largest steady current that tolerances allow, and the smaller of the tester's reach and the
    step's limit.

    Raises:
        ValueError: the steady current alone reaches the limit: no rise is slow enough; or a value
            below zero.
    """
    if min(capacitance_f, voltage_v, steady_a) < 0:
        raise ValueError("capacitance, voltage and steady current must not be negative")
    if steady_a >= current_limit_a:
        raise ValueError("the steady current alone reaches the limit: no rise is slow enough")
    return charging_time_s(capacitance_f, voltage_v, current_limit_a - steady_a)
