"""Copper leads against a handbook's columns, IEC 60228 and the printed ampacities (reference C)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.leads import (
    AMPACITY,
    CLASS_5_OHM_PER_KM,
    COLUMNS,
    ampacity_a,
    area_mm2,
    area_ohm_per_m,
    at_20_ohm,
    at_temperature_ohm,
    awg_area_mm2,
    awg_diameter_mm,
    carries_a,
    copper_rise_k,
    lead_ohm,
    ohm_per_m,
    resistance_source,
    rms_a,
)

# A university's table after a textbook (Floyd), ohm/1000 ft divided by 0.3048 (reference C, [S26]):
# AWG, diameter mm, ohm/km at 20 °C.
HANDBOOK = [
    (4, 5.189, 0.815),
    (5, 4.621, 1.028),
    (6, 4.115, 1.296),
    (7, 3.665, 1.635),
    (8, 3.264, 2.061),
    (9, 2.907, 2.599),
    (10, 2.588, 3.277),
    (11, 2.305, 4.134),
    (12, 2.052, 5.210),
    (13, 1.828, 6.572),
    (14, 1.628, 8.284),
    (15, 1.450, 10.446),
    (16, 1.291, 13.176),
    (17, 1.150, 16.614),
    (18, 1.024, 20.948),
    (19, 0.912, 26.414),
    (20, 0.812, 33.301),
    (21, 0.723, 41.995),
    (22, 0.644, 52.953),
    (23, 0.573, 66.798),
    (24, 0.511, 84.219),
]


@pytest.mark.parametrize(("gauge", "diameter", "ohms"), HANDBOOK)
def test_awg_agrees_with_the_handbook_within_0_05_percent(
    gauge: int, diameter: float, ohms: float
) -> None:
    """And what the print rounds away. ASTM B258 itself rounds diameters to 0.1 mil."""
    assert awg_diameter_mm(gauge) == pytest.approx(diameter, abs=0.00055, rel=0.0005)
    printed = 0.0005 / ohms
    assert ohm_per_m(f"AWG {gauge}") * 1000 == pytest.approx(ohms, rel=0.0005 + printed)


@pytest.mark.parametrize(
    ("gauge", "area"),
    # Reference C (computed): πd²/4
    [(4, 21.1506), (8, 8.3656), (10, 5.2612), (12, 3.3088), (14, 2.0809), (18, 0.8230)],
)
def test_awg_areas(gauge: int, area: float) -> None:
    """To the digits of the reference."""
    assert awg_area_mm2(gauge) == pytest.approx(area, abs=0.00006)
    assert area_mm2(f"AWG {gauge}") == awg_area_mm2(gauge)


def test_halving_rules_of_awg() -> None:
    """Three gauges double the area, six the diameter, ten make the resistance 10.16-fold
    (reference C, computed: 92^(6/39) = 2.0050, 92^(20/39) = 10.16)."""
    assert awg_area_mm2(7) / awg_area_mm2(10) == pytest.approx(2.0050, abs=5e-5)
    assert awg_diameter_mm(4) / awg_diameter_mm(10) == pytest.approx(2.0050, abs=5e-5)
    assert ohm_per_m("AWG 20") / ohm_per_m("AWG 10") == pytest.approx(10.16, abs=0.005)


def test_10_m_of_awg_10_at_40_a() -> None:
    """32.770 mohm, 1.3108 V, 52.43 W at 20 °C (reference C, computed)."""
    ohms = lead_ohm("AWG 10", 10)
    assert ohms == pytest.approx(32.770e-3, rel=5e-5)
    assert 40 * ohms == pytest.approx(1.3108, abs=5e-5)
    assert 40 * 40 * ohms == pytest.approx(52.43, abs=5e-3)


@pytest.mark.parametrize(
    ("gauge", "at_40", "at_75"),
    # Reference C (computed): ohm/km
    [(4, 0.8792, 0.9913), (10, 3.5346, 3.9854), (18, 22.5943, 25.4756), (24, 90.8324, 102.4159)],
)
def test_warm_copper_has_more_resistance(gauge: int, at_40: float, at_75: float) -> None:
    """R(t) = R20 · (1 + 0.00393 · (t - 20)) (IEC 60028, from memory)."""
    cold = ohm_per_m(f"AWG {gauge}") * 1000
    assert at_temperature_ohm(cold, 40) == pytest.approx(at_40, rel=5e-5)
    assert at_temperature_ohm(cold, 75) == pytest.approx(at_75, rel=1e-4)


def test_a_resistance_is_referred_to_20_degrees() -> None:
    """100 mohm at 35 °C are 94.433 mohm at 20 °C (reference C, computed)."""
    assert at_20_ohm(0.1, 35) == pytest.approx(94.433e-3, rel=1e-5)


@pytest.mark.parametrize(
    ("area", "ohms", "ratio"),
    # IEC 60228:2004, class 5 plain copper, ohm/km (reference C, four agreeing tables [S29]); the
    # ratio to 17.241/mm² there is computed.
    [
        ("0.5", 39.0, 1.131),
        ("0.75", 26.0, 1.131),
        ("1", 19.5, 1.131),
        ("1.5", 13.3, 1.157),
        ("2.5", 7.98, 1.157),
        ("4", 4.95, 1.148),
        ("6", 3.30, 1.148),
        ("10", 1.91, 1.108),
        ("16", 1.21, 1.123),
    ],
)
def test_mm2_of_the_standard_have_its_largest_resistance(
    area: str, ohms: float, ratio: float
) -> None:
    """Class 5, flexible: never less than the bare area gives."""
    gauge = f"{area} mm2"
    assert ohm_per_m(gauge) * 1000 == pytest.approx(ohms)
    assert ohm_per_m(gauge) / area_ohm_per_m(float(area)) == pytest.approx(ratio, abs=0.0006)
    assert resistance_source(gauge) == "IEC 60228, class 5, largest"


def test_other_mm2_are_reckoned_from_their_area() -> None:
    """And say so: 3.3 mm² isn't in IEC 60228's table."""
    assert ohm_per_m("3.3 mm2") == pytest.approx(1 / 58 / 3.3)
    assert resistance_source("3.3 mm2") == "area by IEC 60028"
    assert resistance_source("AWG 10") == "ASTM B258 and IEC 60028"
    assert 4.0 in CLASS_5_OHM_PER_KM


def test_an_area_of_nothing_is_no_lead() -> None:
    """Guards raise."""
    with pytest.raises(ValueError, match="positive"):
        area_mm2("0 mm2")
    with pytest.raises(ValueError, match="positive"):
        area_ohm_per_m(0)
    with pytest.raises(ValueError, match="positive"):
        ampacity_a(-1)


# ---- what a lead carries ------------------------------------------------------------------------

# NEC 2023, table 310.16, copper, 60/75/90 °C (reference C, seen, several agreeing [S30])
PRINTED = [
    (14, 15, 20, 25),
    (12, 20, 25, 30),
    (10, 30, 35, 40),
    (8, 40, 50, 55),
    (6, 55, 65, 75),
    (4, 70, 85, 95),
]


@pytest.mark.parametrize("row", PRINTED)
def test_ampacity_as_printed(row: tuple[int, int, int, int]) -> None:
    """Each gauge of the table, in each column."""
    gauge, *printed = row
    assert AMPACITY[gauge] == tuple(printed)
    for column, amps in zip(COLUMNS, printed, strict=True):
        assert ampacity_a(awg_area_mm2(gauge), column) == pytest.approx(amps)


def test_40_a_for_long_need_more_than_awg_10() -> None:
    """40 A continuous: AWG 10 only in the 90 °C column, AWG 8 at 60 °C (reference C, derived)."""
    ten, eight = awg_area_mm2(10), awg_area_mm2(8)
    for area, amps in ((ten, 30), (eight, 40)):
        carries, column = carries_a(area, 40, 60)
        assert carries == pytest.approx(amps)
        assert column == 60
    assert carries_a(ten, 40, 2)[0] >= 40


def test_25_a_for_a_second_go_through_4_mm2() -> None:
    """It warms the copper by less than a quarter of a kelvin; for a minute it doesn't do."""
    assert copper_rise_k(4.0, 25, 1) == pytest.approx(0.1952, abs=5e-4)
    assert carries_a(4.0, 25, 1)[0] > 25
    assert carries_a(4.0, 25, 60)[0] == pytest.approx(23.54, abs=0.01)


def test_a_thin_lead_is_not_granted_a_short_time_that_cooks_it() -> None:
    """25 A through AWG 24 for 1 s would warm it by more than 5 K: the 60 °C column stays."""
    assert copper_rise_k(awg_area_mm2(24), 25, 1) > 5
    assert carries_a(awg_area_mm2(24), 25, 1)[1] == 60


areas = st.floats(0.05, 60)


@given(one=areas, other=areas, column=st.sampled_from(COLUMNS))
def test_a_thicker_lead_never_carries_less(one: float, other: float, column: int) -> None:
    """Monotonic over the area, in each column."""
    thin, thick = sorted((one, other))
    assert ampacity_a(thin, column) <= ampacity_a(thick, column)


@given(area=areas)
def test_a_warmer_column_never_carries_less(area: float) -> None:
    """60, 75, 90 °C in order."""
    found = [ampacity_a(area, column) for column in COLUMNS]
    assert found == sorted(found)


@given(area=areas, current=st.floats(0.1, 200), one=st.floats(0.1, 100), other=st.floats(0.1, 100))
def test_a_longer_time_never_allows_more(
    area: float, current: float, one: float, other: float
) -> None:
    """Nor does a larger current."""
    short, long = sorted((one, other))
    assert carries_a(area, current, long)[0] <= carries_a(area, current, short)[0]
    assert carries_a(area, current * 2, short)[0] <= carries_a(area, current, short)[0]


@given(one=st.integers(0, 40), other=st.integers(0, 40), length=st.floats(0.01, 100))
def test_a_higher_gauge_is_thinner_and_has_more_resistance(
    one: int, other: int, length: float
) -> None:
    """AWG counts backwards."""
    low, high = sorted((one, other))
    assert awg_area_mm2(high) <= awg_area_mm2(low)
    assert lead_ohm(f"AWG {low}", length) <= lead_ohm(f"AWG {high}", length)


@given(area=areas, ohms=st.floats(1e-4, 10), celsius=st.floats(-20, 120))
def test_reference_to_20_degrees_undoes_the_temperature(
    area: float, ohms: float, celsius: float
) -> None:
    """There and back."""
    assert math.isclose(at_20_ohm(at_temperature_ohm(ohms, celsius), celsius), ohms)
    assert math.isclose(area_ohm_per_m(area) * area, 1 / 58)


def test_rms_of_loads_within_a_period() -> None:
    """20 A for half the time warm like 14.142 A all the time (√2 less, as for any square wave)."""
    assert rms_a([(20, 5)], 10) == pytest.approx(14.1421, abs=5e-5)
    assert rms_a([(3, 1), (4, 1)], 2) == pytest.approx(math.sqrt(12.5))
    with pytest.raises(ValueError, match="positive"):
        rms_a([(1, 1)], 0)
