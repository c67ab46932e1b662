"""What a current source can drive, and what two wires add to a reading."""

from __future__ import annotations

from decimal import Decimal


def largest_loop_ohm(source_v: Decimal, current_a: Decimal) -> Decimal:
    """Largest resistance (ohm) through which a source (V) still drives a current (A): U/I.

    AC: both rms. 12 V and 40 A: 0.3 ohm.

    Raises:
        ValueError: a current that isn't positive.
    """
    if current_a <= 0:
        raise ValueError("the current must be positive")
    return source_v / current_a


def drop_v(current_a: Decimal, resistance_ohm: Decimal) -> Decimal:
    """Voltage (V) along a resistance (ohm) that carries a current (A): I·R."""
    return current_a * resistance_ohm


def two_wire_ohm(contact_ohm: Decimal, leads_ohm: Decimal) -> Decimal:
    """What a measurement with two wires shows (ohm): the contact and its leads."""
    return contact_ohm + leads_ohm
