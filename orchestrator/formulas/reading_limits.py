"""Limits on a reading that still holds what the empty fixture contributes.

The counterpart of `take_out`: instead of altering a reading, its limits are moved by what the
fixture has, so that what a tester judges, what we judge and what the record shows stay one figure.
The directions are the safe ones where phases are unknown. Method common practice, no source
(reference I 7 and 9); bounds on AC sums derived here.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from orchestrator.model.words import Edge


def in_series_ohm(limit_ohm: Decimal, offset_ohm: Decimal) -> Decimal:
    """Limit (ohm) on a contact's reading with leads or fixture in series: T + R0.

    50 mohm of contact and two leads of 10 mohm: 70 mohm (reference E1, computed).

    Raises:
        ValueError: a negative offset.
    """
    _check(offset_ohm)
    return limit_ohm + offset_ohm


def beside_a(limit_a: Decimal, offsets_a: Sequence[Decimal]) -> Decimal:
    """Limit (A) on a current of one phase, or DC, with the fixture's beside it: T + ΣI0.

    Raises:
        ValueError: a negative offset.
    """
    _check(*offsets_a)
    return limit_a + sum(offsets_a)


def beside_total_a(limit_a: Decimal, offsets_a: Sequence[Decimal], edge: Edge) -> Decimal:
    """Limit (A rms) on a total AC current, the phases being unknown.

    All currents lie between in phase with the voltage and a quarter of a period ahead, so their sum
    is at least that at right angles and at most the plain one. Upper: √(T² + ΣI0²); lower: T + ΣI0.

    Raises:
        ValueError: a negative offset.
    """
    if edge is Edge.AT_LEAST:
        return beside_a(limit_a, offsets_a)
    _check(*offsets_a)
    return sum((value**2 for value in offsets_a), limit_a**2).sqrt()


def beside_insulation_ohm(
    limit_ohm: Decimal, offsets_a: Sequence[Decimal], level_v: Decimal
) -> Decimal:
    """Limit (ohm) on an insulation reading with what the fixture draws at the level (V) beside it:
    1/(1/T + ΣI0/U).

    Raises:
        ValueError: a negative offset, or a limit or level that isn't positive.
    """
    _check(*offsets_a)
    if min(limit_ohm, level_v) <= 0:
        raise ValueError("limit and level must be positive")
    return 1 / (1 / limit_ohm + sum(offsets_a) / level_v)


def _check(*offsets: Decimal) -> None:
    if any(value < 0 for value in offsets):
        raise ValueError("an offset must not be negative")
