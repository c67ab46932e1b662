"""The trade's formulas against values computed apart (reference E1, B) and EN 50191's table."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.currents import capacitive_current_a, peak_v
from orchestrator.formulas.discharge import discharge_time_s, stored_charge_c, stored_energy_j
from orchestrator.formulas.hazard import Exempt, exempt_by_energy, exemption
from orchestrator.formulas.resolution import on_grid
from orchestrator.model.words import Waveform

D = Decimal
AC, DC = Waveform.AC, Waveform.DC


@pytest.mark.parametrize(
    ("farads", "volts", "hertz", "amps"),
    # Reference E1 (computed): I = 2πfCU
    [
        (1e-9, 1000, 50, 0.314159e-3),
        (2.2e-9, 1500, 50, 1.036726e-3),
        (4.4e-9, 1500, 50, 2.073451e-3),
        (4.4e-9, 1500, 60, 2.488141e-3),
        (4.4e-9, 230, 50, 0.317929e-3),
        (4.4e-9, 264, 60, 0.437913e-3),
        (2e-9, 5000, 50, 3.141593e-3),
        (10e-9, 5000, 50, 15.70796e-3),
    ],
)
def test_capacitive_current(farads: float, volts: float, hertz: float, amps: float) -> None:
    """2πfCU, to the digits of the reference."""
    assert capacitive_current_a(farads, volts, hertz) == pytest.approx(amps, rel=2e-6)


@pytest.mark.parametrize(
    ("rms", "peak"),
    # Reference A7 (computed): √2 · U
    [(1000, 1414.2), (1250, 1767.8), (1500, 2121.3), (3750, 5303.3), (5000, 7071.1)],
)
def test_peak_of_a_sine(rms: int, peak: float) -> None:
    """√2 · U, to the digits of the reference."""
    assert float(peak_v(D(rms))) == pytest.approx(peak, abs=0.05)


@pytest.mark.parametrize(
    ("farads", "volts", "ohms", "seconds"),
    # Reference E1 (computed): t = R·C·ln(U0/60)
    [
        (100e-9, 5000, 1e6, 0.442285),
        (4.4e-9, 2121.32, 1e6, 15.68798e-3),
        (1e-6, 1000, 1e6, 2.813411),
        (4.4e-9, 5000, 100e6, 1.946053),
        (100e-9, 5000, 11.304931e6, 5.0),
        (100e-9, 5000, 2.260986e6, 1.0),
    ],
)
def test_discharge_to_60_v(farads: float, volts: float, ohms: float, seconds: float) -> None:
    """R·C·ln(U0/60), to the digits of the reference."""
    assert discharge_time_s(ohms, farads, volts, 60) == pytest.approx(seconds, rel=1e-6)


def test_what_is_below_the_end_needs_no_time() -> None:
    """At or below the safe level it is discharged."""
    assert discharge_time_s(1e6, 1e-6, 60, 60) == 0


def test_discharge_without_resistance_or_end_is_refused() -> None:
    """Zero or less isn't a bleeder."""
    for ohms, farads, end in ((0, 1e-6, 60), (1e6, 0, 60), (1e6, 1e-6, 0)):
        with pytest.raises(ValueError, match="positive"):
            discharge_time_s(ohms, farads, 500, end)


@pytest.mark.parametrize(
    ("farads", "volts", "joules"),
    # Reference E1 and B (computed): ½CU²; 350 mJ is EN 50191's figure
    [
        (4.4e-9, 2121.32, 9.9e-3),
        (100e-9, 5000, 1.25),
        (2.8e-6, 500, 0.35),
        (700e-9, 1000, 0.35),
        (28e-9, 5000, 0.35),
        (14e-9, 7071.0678, 0.35),
    ],
)
def test_stored_energy(farads: float, volts: float, joules: float) -> None:
    """½·C·U²."""
    assert stored_energy_j(farads, volts) == pytest.approx(joules, rel=1e-5)


@pytest.mark.parametrize(
    ("volts", "farads"),
    # Reference B (computed): capacitance holding exactly 45 µC
    [(500, 90e-9), (1000, 45e-9), (2121.3203, 21.2132e-9), (5000, 9e-9), (15000, 3e-9)],
)
def test_stored_charge(volts: float, farads: float) -> None:
    """C·U."""
    assert stored_charge_c(farads, volts) == pytest.approx(45e-6, rel=1e-5)


def test_charge_and_energy_limits_cross_at_15_555_6_v() -> None:
    """45 µC hold 350 mJ at 2·0.35/45e-6 V (reference B, computed)."""
    crossing = 2 * 0.35 / 45e-6
    assert crossing == pytest.approx(15_555.6, abs=0.05)
    assert stored_energy_j(45e-6 / crossing, crossing) == pytest.approx(0.35)


# EN 50191:2010, clause 1.2 (reference B, seen [S1]): 25 V AC, 60 V DC up to 500 Hz; 3 mA AC, 12 mA
# DC through 2 kΩ; 350 mJ. Waveform, V, A, J, Hz → ground, or None: hazardous.
TRUTH: list[tuple[Waveform, str | None, str | None, str | None, str | None, Exempt | None]] = [
    (AC, "25", None, None, "50", Exempt.VOLTAGE),
    (AC, "25.001", None, None, "50", None),
    (AC, "25", None, None, "500", Exempt.VOLTAGE),
    (AC, "25", None, None, "501", None),
    (DC, "60", None, None, None, Exempt.VOLTAGE),
    (DC, "60.001", None, None, None, None),
    (AC, "60", None, None, "50", None),
    (AC, "5000", "0.003", None, "50", Exempt.CURRENT),
    (AC, "5000", "0.00301", None, "50", None),
    (AC, "5000", "0.003", None, "501", None),
    (AC, "5000", None, None, "50", None),
    (DC, "5000", "0.012", "0.35", None, Exempt.CURRENT),
    (DC, "5000", "0.01201", "0.35", None, None),
    (DC, "5000", "0.012", "0.351", None, None),
    (DC, "5000", "0.012", None, None, None),
    (DC, "5000", None, "0.35", None, None),
    (AC, None, "0.003", "0.35", "50", None),
    (DC, None, None, None, None, None),
]


@pytest.mark.parametrize("row", TRUTH)
def test_exemption_by_en_50191(
    row: tuple[Waveform, str | None, str | None, str | None, str | None, Exempt | None],
) -> None:
    """Boundaries belong to the exempt side; unknown is hazardous."""
    waveform, *texts, expected = row
    voltage, current, energy, hertz = (
        None if text is None else D(text) for text in texts if not isinstance(text, Exempt)
    )
    assert exemption(waveform, voltage, current, energy, hertz) is expected


def test_2_kohm_limits_the_current_of_a_low_voltage() -> None:
    """What 26 V AC drive through 2 kΩ is 13 mA, whatever the source could feed."""
    assert exemption(AC, D(26), D(10), None) is None
    assert exemption(DC, D("23.9") * 1000, D("0.012"), D("0.1")) is Exempt.CURRENT


def test_the_series_resistance_that_exempts_5_kv() -> None:
    """Reference B (computed): U/I − 2000 Ω, 1 664 666.67 Ω for AC, 414 666.67 Ω for DC."""
    for waveform, limit, ohms in ((AC, "0.003", "1664666.67"), (DC, "0.012", "414666.67")):
        assert float(D(5000) / D(limit) - 2000) == pytest.approx(float(ohms))
        current = D(5000) / (D(ohms) + 2000)
        assert exemption(waveform, D(5000), current, D(0)) is Exempt.CURRENT


def test_350_mj_belong_to_the_exempt_side() -> None:
    """EN 50191:2010, clause 1.2 (d)."""
    assert exempt_by_energy(D("0.35"))
    assert not exempt_by_energy(D("0.3501"))
    assert not exempt_by_energy(None)


@given(value=st.decimals(0, 100_000, places=3), step=st.decimals("0.001", 1000, places=3))
def test_a_value_moves_to_the_grid_the_way_it_was_told(value: Decimal, step: Decimal) -> None:
    """Up: the smallest multiple at or above; down: the largest at or below."""
    up, down = on_grid(value, step, up=True), on_grid(value, step, up=False)
    assert down <= value <= up
    assert up - value < step
    assert value - down < step
    assert up % step == 0
    assert math.isclose(float(up - down), float(step)) or up == down
