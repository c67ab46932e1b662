"""Residual energy and charge, shortest rise and rms, against reference B, E1 and A7."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.charging import charging_current_a, shortest_rise_s
from orchestrator.formulas.currents import peak_v, rms_v
from orchestrator.formulas.residual import (
    after_discharge,
    held,
    highest_harmless_v,
    residual_v,
    time_until_harmless_s,
)

D = Decimal


@pytest.mark.parametrize(
    ("volts", "by_energy", "by_charge"),
    # Reference B (computed): capacitance holding exactly 350 mJ, exactly 45 µC
    [
        (500, 2.80e-6, 90e-9),
        (1000, 700e-9, 45e-9),
        (2121.3203, 155.5556e-9, 21.2132e-9),
        (5000, 28.0e-9, 9e-9),
    ],
)
def test_highest_harmless_voltage(volts: float, by_energy: float, by_charge: float) -> None:
    """The way back from the reference's capacitances."""
    assert highest_harmless_v(by_energy) == pytest.approx(volts, rel=1e-6)
    assert highest_harmless_v(by_charge, charge=True) == pytest.approx(volts, rel=1e-6)


@given(st.floats(1e-12, 1e-4), st.floats(0, 1))
def test_everything_below_the_harmless_voltage_is_harmless(farads: float, share: float) -> None:
    """By energy alone, and by charge with the switch-over at 15 kV."""
    exact = 1 - 1e-9
    assert held(farads, highest_harmless_v(farads) * share * exact).within_energy
    assert held(farads, highest_harmless_v(farads, charge=True) * share * exact).within_charge


def test_above_15_kv_the_energy_counts() -> None:
    """IEC 60335-1, 8.1.4 (seen, secondary): 45 µC up to 15 kV, 350 mJ above."""
    assert held(3e-9, 15_000).within_charge
    assert not held(3.05e-9, 14_900).within_charge
    assert held(3.05e-9, 15_100).within_charge
    assert not held(3.2e-9, 15_100).within_charge


@pytest.mark.parametrize(
    ("farads", "volts", "ohms", "seconds"),
    # Reference E1 (computed): t = R·C·ln(U0/60)
    [(100e-9, 5000, 1e6, 0.442285), (1e-6, 1000, 1e6, 2.813411), (4.4e-9, 5000, 100e6, 1.946053)],
)
def test_60_v_are_left_after_the_time_of_the_reference(
    farads: float, volts: float, ohms: float, seconds: float
) -> None:
    """U·e^(−t/RC), the way back."""
    assert residual_v(ohms, farads, volts, seconds) == pytest.approx(60, rel=1e-5)
    left = after_discharge(ohms, farads, volts, seconds)
    assert left.energy_j == pytest.approx(0.5 * farads * 60**2, rel=1e-4)


def test_a_large_capacitance_is_harmless_only_below_the_safe_level() -> None:
    """1 mF at 60 V holds 1.8 J (½CU²): it must fall to √(2·0.35/1e-3) = 26.458 V."""
    assert not held(1e-3, 60).within_energy
    time_s = time_until_harmless_s(1e3, 1e-3, 500, 60)
    assert residual_v(1e3, 1e-3, 500, time_s) == pytest.approx(26.4575, rel=1e-5)
    assert time_until_harmless_s(1e6, 100e-9, 5000, 60) == pytest.approx(0.442285, rel=1e-6)


@pytest.mark.parametrize(
    ("farads", "volts", "amps", "seconds"),
    # Reference E1 (computed): C·dU/dt
    [("4.4E-9", "2121.32", "9.333808E-6", "1"), ("100E-9", "5000", "100E-6", "5")],
)
def test_shortest_rise(farads: str, volts: str, amps: str, seconds: str) -> None:
    """Of an object without leakage."""
    assert float(shortest_rise_s(D(farads), D(volts), D(amps))) == pytest.approx(float(seconds))


@given(
    farads=st.decimals("1E-12", "1E-4", places=12),
    volts=st.integers(1, 10_000),
    limit=st.decimals("1E-6", 1, places=6),
    share=st.decimals(0, "0.99", places=2),
)
def test_at_the_end_of_the_shortest_rise_the_limit_is_just_met(
    farads: Decimal, volts: int, limit: Decimal, share: Decimal
) -> None:
    """Charging current and what flows through the insulation add up to the limit."""
    steady = limit * share
    rise = shortest_rise_s(farads, D(volts), limit, steady)
    total = charging_current_a(farads, D(volts), rise) + steady
    assert float(total) == pytest.approx(float(limit))


def test_no_rise_is_slow_enough_for_a_leak_at_the_limit() -> None:
    """Refused, with the reason."""
    with pytest.raises(ValueError, match="no rise is slow enough"):
        shortest_rise_s(D("1E-9"), D(500), D("0.001"), D("0.001"))
    with pytest.raises(ValueError, match="negative"):
        shortest_rise_s(D("-1E-9"), D(500), D("0.001"))


def test_impossible_discharges_are_refused() -> None:
    """Guards raise."""
    wrongs: tuple[Callable[[], float], ...] = (
        lambda: residual_v(0, 1e-6, 500, 1),
        lambda: residual_v(1e6, 1e-6, 500, -1),
        lambda: highest_harmless_v(0),
    )
    for wrong in wrongs:
        with pytest.raises(ValueError, match="positive"):
            wrong()


@given(st.decimals(0, 100_000, places=3))
def test_rms_and_peak_are_each_other_s_way_back(volts: Decimal) -> None:
    """√2 (reference A7, computed: 7071.07 V peak are 5 kV)."""
    assert float(rms_v(peak_v(volts))) == pytest.approx(float(volts))
    assert float(rms_v(D("7071.0678"))) == pytest.approx(5000)
