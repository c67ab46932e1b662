"""Limits of a group of pairs measured together: one bad pair must show, good ones must pass.

Currents of parallel pairs add; parallel insulation adds as conductance (1/ohm). A bad pair hides
if the group's limit is so high that the others, being as good as they may be, leave room for it.
"""

from __future__ import annotations

import math

MIXED = 2 * math.sqrt(2)
"""Factor by which a network of capacitances and resistances may conduct more than one of their
magnitudes does: sec³(45°). Admittances within a sector of half-angle α: the real part of a Schur
complement is at most sec²α times that of the real parts (M. Lin 2015, from memory), and a magnitude
at most secα times its real part. Of one kind alone: 1."""


def in_series(one: float, other: float) -> float:
    """Admittance of two of one phase in series: Y1·Y2/(Y1 + Y2); any unit, 0 if one is 0.

    Nets left open, taken as one node, conduct no less than they do apart (Rayleigh, of one kind).
    """
    return one * other / (one + other) if one and other else 0.0


def group_total_a(capacitive_a: float, resistive_a: float) -> float:
    """Total AC current (A rms) of parallel capacitances and resistances: √(Ic² + Ir²)."""
    return math.hypot(capacitive_a, resistive_a)


def revealing_sum(own: float, others_least: float) -> float:
    """Highest group limit that one pair at its own limit still reaches where shares add up.

    Own limit plus what the other pairs have at least; DC currents, in-phase currents (A) or
    conductances (S).
    """
    return own + others_least


def revealing_total_a(own_a: float, others_capacitive_a: float) -> float:
    """The same for the total AC current (A rms): √(I² + Ic²).

    The bad pair's current may be all resistive, that of the others is at least Ic and capacitive:
    a quarter of a period apart, they add as the sides of a right angle.
    """
    return math.hypot(own_a, others_capacitive_a)


def largest_total_a(own_a: float, share: float) -> float:
    """Most total AC current (A rms) that a group may be expected to have, at most, if least is
    ``share`` of most: T with T² ≤ own² + (share·T)².

    Raises:
        ValueError: a share that isn't from 0 to below 1.
    """
    _check(share)
    return own_a / math.sqrt(1 - share**2)


def _check(share: float) -> None:
    if not 0 <= share < 1:
        raise ValueError("the share must be from 0 to below 1")
