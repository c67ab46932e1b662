"""Taking offsets out of readings, against reference E1 and complex arithmetic."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.parallel import parallel_of_ohm
from orchestrator.formulas.take_out import (
    OffsetTooLarge,
    ac_current_a,
    dc_current_a,
    insulation_ohm,
    resistance_ohm,
    total_current_a,
)

VALUES = st.floats(0, 100)


def test_two_leads_are_taken_out() -> None:
    """Reference E1 (computed): 70 mohm with 2 × 10 mohm of leads are 50 mohm."""
    assert resistance_ohm(0.070, 0.020) == pytest.approx(0.050)


def test_an_offset_beyond_the_reading_is_refused() -> None:
    """Within the allowance it leaves zero, beyond it names the remedy."""
    assert resistance_ohm(0.010, 0.011, allowance_ohm=0.002) == 0
    with pytest.raises(OffsetTooLarge, match="measure the empty fixture again"):
        resistance_ohm(0.010, 0.013, allowance_ohm=0.002)
    with pytest.raises(OffsetTooLarge):
        total_current_a(1e-3, 2e-3)
    with pytest.raises(OffsetTooLarge):
        ac_current_a(1e-3, 1e-3, 0, 2e-3)
    with pytest.raises(OffsetTooLarge):
        insulation_ohm(2e9, 1e9)


@given(reading=VALUES, offset=VALUES, allowance=st.floats(0, 10))
def test_nothing_goes_below_zero_and_nothing_grows(
    reading: float, offset: float, allowance: float
) -> None:
    """Either refused, or from 0 to the reading."""
    try:
        left = resistance_ohm(reading, offset, allowance)
    except OffsetTooLarge:
        assert offset > reading
    else:
        assert 0 <= left <= reading


@given(
    size=VALUES,
    angle=st.floats(0, math.pi / 2),
    other=VALUES,
    other_angle=st.floats(0, math.pi / 2),
)
def test_the_true_current_lies_within_what_is_left(
    size: float, angle: float, other: float, other_angle: float
) -> None:
    """Any two currents between in phase and a quarter ahead, added as phasors."""
    product, fixture = cmath.rect(size, angle), cmath.rect(other, other_angle)
    reading = abs(product + fixture)
    left = total_current_a(reading, other, allowance_a=1e-9)
    assert left.least <= size + 1e-6
    assert size <= left.most + 1e-4
    parts = ac_current_a(
        (product + fixture).real,
        (product + fixture).imag,
        fixture.real,
        fixture.imag,
        allowance_a=1e-9,
    )
    assert math.hypot(*parts) == pytest.approx(size, abs=1e-6)


def test_a_right_angle_is_the_worst_that_plain_subtraction_does() -> None:
    """5 mA read, 3 mA capacitive fixture: 2 mA by subtraction, 4 mA if the product's is resistive
    (3-4-5 triangle)."""
    left = total_current_a(5e-3, 3e-3)
    assert (left.least, left.most) == pytest.approx((2e-3, 4e-3))


def test_uncertainties_of_both_readings_count() -> None:
    """√(u² + u0²): 3 and 4 make 5 (JCGM 100, 5.1.2, from memory); never less for a total."""
    assert dc_current_a(10, 2, reading_u_a=3, offset_u_a=4).uncertainty == 5
    assert total_current_a(10, 2, reading_u_a=3, offset_u_a=4).uncertainty >= 5
    assert total_current_a(10, 2).uncertainty == 0


@given(st.floats(1e3, 1e9), st.floats(1e6, 1e12))
def test_a_fixture_in_parallel_is_taken_out(own: float, fixture: float) -> None:
    """The way back from the parallel circuit."""
    reading = parallel_of_ohm([own, fixture])
    assert insulation_ohm(reading, fixture, allowance_s=1e-18) == pytest.approx(own, rel=1e-5)


def test_no_number_is_refused() -> None:
    """Nothing is taken out of what isn't a reading."""
    for wrong in (math.nan, math.inf, -1.0):
        with pytest.raises(ValueError, match="finite"):
            resistance_ohm(wrong, 0.0)
    with pytest.raises(ValueError, match="positive"):
        insulation_ohm(0, 1e9)
