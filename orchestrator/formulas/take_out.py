"""Taking lead and fixture offsets out of a reading.

Never below zero: what an offset exceeds a reading by, within the allowance (what the two readings
may err by together), counts as zero; beyond that the offset can't be true for this reading, and
nothing is taken out. The method is common practice (reference I 7 and 9, no source); the bounds on
the AC difference are derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


class OffsetTooLarge(ValueError):
    """The offset exceeds the reading by more than both may err: it isn't this path's offset."""

    def __init__(self, reading: float, offset: float, allowance: float) -> None:
        super().__init__(
            f"the offset {offset:g} exceeds the reading {reading:g} by more than {allowance:g}: "
            "measure the empty fixture again"
        )


@dataclass(frozen=True, slots=True)
class TakenOut:
    """What is left of a reading, least and most.

    An upper limit is judged by `most`, a lower one by `least`. ``uncertainty``: to be added to that
    of the limit's guard band, same unit.
    """

    least: float
    most: float
    uncertainty: float


def resistance_ohm(reading_ohm: float, offset_ohm: float, allowance_ohm: float = 0.0) -> float:
    """Resistance (ohm) without that of leads and fixture: R − R0, at least 0.

    70 mohm with two leads of 10 mohm: 50 mohm (reference E1, computed).

    Raises:
        OffsetTooLarge: R0 exceeds R by more than the allowance.
        ValueError: a negative value, or one that is no number.
    """
    return _difference(reading_ohm, offset_ohm, allowance_ohm)


def dc_current_a(
    reading_a: float,
    offset_a: float,
    *,
    reading_u_a: float = 0.0,
    offset_u_a: float = 0.0,
    allowance_a: float = 0.0,
) -> TakenOut:
    """DC current (A) without the empty fixture's: I − I0, at least 0; u = √(u² + u0²).

    The two readings err independently (JCGM 100:2008, 5.1.2, from memory). Also for one phase of
    an AC current, where the tester tells them apart.

    Raises:
        OffsetTooLarge: I0 exceeds I by more than the allowance.
        ValueError: a negative value, or one that is no number.
    """
    left = _difference(reading_a, offset_a, allowance_a)
    return TakenOut(left, left, math.hypot(reading_u_a, offset_u_a))


def total_current_a(
    reading_a: float,
    offset_a: float,
    *,
    reading_u_a: float = 0.0,
    offset_u_a: float = 0.0,
    allowance_a: float = 0.0,
) -> TakenOut:
    """Total AC current (A rms) without the empty fixture's, the phases being unknown.

    Both currents lie between in phase with the voltage and a quarter of a period ahead, so between
    I − I0 (same phase) and √(I² − I0²) (at a right angle) is left. Plain subtraction is the least:
    right for a lower limit, too kind for an upper one.

    The uncertainty is that of the plain difference, √(u² + u0²), which is right for the lower end;
    for the upper end it grows as the two currents get near, and is √((I·u)² + (I0·u0)²)/most there:
    the larger of both is given.

    Raises:
        OffsetTooLarge: I0 exceeds I by more than the allowance.
        ValueError: a negative value, or one that is no number.
    """
    least = _difference(reading_a, offset_a, allowance_a)
    most = math.sqrt(max(0.0, (reading_a - offset_a) * (reading_a + offset_a)))
    plain = math.hypot(reading_u_a, offset_u_a)
    if not plain:
        return TakenOut(least, most, 0.0)
    propagated = math.hypot(reading_a * reading_u_a, offset_a * offset_u_a)
    # Near zero the first-order rule has no bound; there √(2·I·u) is what the square may hide.
    floor = math.sqrt(2 * propagated)
    at_right_angle = min(propagated / most, floor) if most else floor
    return TakenOut(least, most, max(plain, at_right_angle))


def ac_current_a(
    resistive_a: float,
    capacitive_a: float,
    offset_resistive_a: float,
    offset_capacitive_a: float,
    allowance_a: float = 0.0,
) -> tuple[float, float]:
    """Both parts (A rms) of an AC current without the empty fixture's, each taken out by itself.

    For testers that tell the part in phase from the one that leads. The total is the √ of the sum
    of the squares of what is left.

    Raises:
        OffsetTooLarge: of either part.
        ValueError: a negative value, or one that is no number.
    """
    return (
        _difference(resistive_a, offset_resistive_a, allowance_a),
        _difference(capacitive_a, offset_capacitive_a, allowance_a),
    )


def insulation_ohm(reading_ohm: float, fixture_ohm: float, allowance_s: float = 0.0) -> float:
    """Insulation (ohm) without that of the empty fixture in parallel: 1/(1/R − 1/R0).

    Nothing left of the conductance: infinite.

    Raises:
        OffsetTooLarge: the fixture conducts more than the reading by more than the allowance (S).
        ValueError: a resistance that isn't positive.
    """
    if not (reading_ohm > 0 and fixture_ohm > 0):
        raise ValueError("resistances must be positive")
    left = _difference(1 / reading_ohm, 1 / fixture_ohm, allowance_s)
    return 1 / left if left else math.inf


def _difference(reading: float, offset: float, allowance: float) -> float:
    if not all(math.isfinite(value) and value >= 0 for value in (reading, offset, allowance)):
        raise ValueError("reading, offset and allowance must be finite and not negative")
    if offset - reading > allowance:
        raise OffsetTooLarge(reading, offset, allowance)
    return max(0.0, reading - offset)
