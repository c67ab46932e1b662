"""Moving a set-point onto the grid that a wire format can carry."""

from __future__ import annotations

from decimal import Decimal


def on_grid(value: Decimal, step: Decimal, *, up: bool) -> Decimal:
    """``value`` moved to a multiple of ``step``, never the other way than asked.

    Exact where value and step are decimal fractions; both in the same unit.
    """
    count = value / step
    whole = count.to_integral_value(rounding="ROUND_CEILING" if up else "ROUND_FLOOR")
    return whole * step
