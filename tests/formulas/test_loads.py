"""Compliance, charging and stop times against values computed apart (reference E1, B)."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.charging import charging_current_a, charging_time_s
from orchestrator.formulas.compliance import drop_v, largest_loop_ohm, two_wire_ohm
from orchestrator.formulas.durations import EXCHANGES_S, around_s
from orchestrator.formulas.stop_time import SCAN_S, Term, serial_s, total_s
from orchestrator.running import engine

D = Decimal


@pytest.mark.parametrize(
    ("volts", "amps", "ohms"),
    # Reference E1 (computed): U/I
    [("12", "40", "0.3"), ("6", "25", "0.24"), ("12", "10", "1.2")],
)
def test_largest_loop(volts: str, amps: str, ohms: str) -> None:
    """40 A from 12 V: 0.300 ohm, exactly."""
    assert largest_loop_ohm(D(volts), D(amps)) == D(ohms)


def test_bond_drops() -> None:
    """Reference E1 (computed): 10, 25, 32, 40 A through 0.1 ohm; 2.5 V at 40 A are 62.5 mohm."""
    for amps, volts in (("10", "1"), ("25", "2.5"), ("32", "3.2"), ("40", "4")):
        assert drop_v(D(amps), D("0.1")) == D(volts)
    assert largest_loop_ohm(D("2.5"), D(40)) == D("0.0625")


def test_two_wires_add_their_leads() -> None:
    """50 mohm with two leads of 10 mohm reads 70 mohm (reference E1, computed)."""
    assert two_wire_ohm(D("0.05"), 2 * D("0.01")) == D("0.07")


def test_no_current_has_no_loop() -> None:
    """Guards raise."""
    with pytest.raises(ValueError, match="positive"):
        largest_loop_ohm(D(12), D(0))


@pytest.mark.parametrize(
    ("farads", "volts", "seconds", "amps"),
    # Reference E1 (computed): C·dU/dt
    [
        ("4.4E-9", "2121.32", "1", "9.3338E-6"),
        ("100E-9", "5000", "5", "100E-6"),
        ("1E-6", "1000", "2", "500E-6"),
    ],
)
def test_charging_current(farads: str, volts: str, seconds: str, amps: str) -> None:
    """And the rise that it belongs to."""
    current = charging_current_a(D(farads), D(volts), D(seconds))
    assert float(current) == pytest.approx(float(amps), rel=5e-6)
    time_s = charging_time_s(D(farads), D(volts), D(amps))
    assert float(time_s) == pytest.approx(float(seconds), rel=5e-6)


def test_charging_without_rise_or_current_is_refused() -> None:
    """A jump has no bound; nothing charges nothing."""
    for wrong in (charging_current_a, charging_time_s):
        with pytest.raises(ValueError, match="positive"):
            wrong(D("1E-6"), D(500), D(0))


@given(
    farads=st.decimals("1E-12", "1E-4", places=12),
    volts=st.integers(1, 10_000),
    amps=st.decimals("1E-9", 1, places=9),
    share=st.decimals("0.1", "0.999", places=3),
)
def test_a_rise_shorter_than_the_charging_time_breaks_the_limit(
    farads: Decimal, volts: int, amps: Decimal, share: Decimal
) -> None:
    """And the charging time itself keeps it."""
    rise = charging_time_s(farads, D(volts), amps)
    assert math.isclose(charging_current_a(farads, D(volts), rise), amps)
    assert charging_current_a(farads, D(volts), rise * share) > amps


@pytest.mark.parametrize(
    ("count", "baud", "bits", "parity", "stop_bits", "seconds"),
    # Asynchronous characters: 10 bits for 8N1, 11 for 8E1 (reference H: 3.5 characters of 11 bits
    # at 9600 baud are 4.0104 ms)
    [
        (1, 9600, 8, False, 1, 10 / 9600),
        (24, 9600, 8, False, 1, 0.025),
        (7, 19200, 8, True, 1, 7 * 11 / 19200),
        (7, 19200, 7, True, 2, 7 * 11 / 19200),
        (0, 9600, 8, False, 1, 0.0),
    ],
)
def test_time_on_a_serial_line(
    count: int, baud: int, bits: int, parity: bool, stop_bits: int, seconds: float
) -> None:
    """24 characters at 9600 baud, 8N1, take 25 ms."""
    assert serial_s(count, baud, bits, stop_bits, parity=parity) == pytest.approx(seconds)
    assert 3.5 * serial_s(1, 9600, 8, 1, parity=True) == pytest.approx(4.0104e-3, rel=1e-5)


def test_a_line_without_speed_is_refused() -> None:
    """Guards raise."""
    with pytest.raises(ValueError, match="positive"):
        serial_s(4, 0, 8, 1, parity=False)


def test_stop_time_is_the_sum_of_its_terms() -> None:
    """And no term is negative."""
    assert total_s([Term("a", 0.01, "assumed"), Term("b", 0.5, "profile")]) == pytest.approx(0.51)
    assert total_s([]) == 0
    with pytest.raises(ValueError, match="negative"):
        total_s([Term("a", -0.01, "assumed")])


def test_the_scan_of_the_budget_is_that_of_the_engine() -> None:
    """The figure stands twice, since formulas lie below the engine; it must not drift apart."""
    assert SCAN_S == engine.SCAN_S


@given(settle=st.floats(0, 10), discharge=st.floats(0, 60))
def test_what_lies_around_a_step(settle: float, discharge: float) -> None:
    """Relays come to rest twice, when closed and when opened."""
    assert around_s(settle, discharge) == pytest.approx(2 * settle + discharge + EXCHANGES_S)
