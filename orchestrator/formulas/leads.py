"""Copper leads: diameter, area and resistance of a gauge, and the current that a lead carries.

Sources, and what was seen of them:
- AWG: ASTM B258, d = 0.127 mm · 92^((36 - n)/39) (formula seen in secondary texts; its results
  agree with a handbook's printed columns within 0.05 %).
- Resistance: IEC 60028, 1/58 ohm mm²/m at 20 °C and 0.00393/K (from memory).
- mm²: IEC 60228:2004, class 5, plain copper, largest resistance at 20 °C (seen in four agreeing
  tables, not in the standard itself).
- Ampacity: NEC 2023, table 310.16 (310.15(B)(16) in 2011 to 2017), copper; at most three
  conductors that carry current, 30 °C ambient (seen, several agreeing).

A stranded AWG lead has up to some 2 % more resistance than the solid one reckoned here (common
practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from itertools import pairwise

COPPER_OHM_MM2_PER_M = 1 / 58
"""Resistivity of annealed copper at 20 °C (IEC 60028, from memory)."""

COPPER_PER_K = 0.00393
"""Temperature coefficient of its resistance, referred to 20 °C (IEC 60028, from memory)."""

COPPER_J_PER_K_MM2_M = 3.45
"""Heat that 1 mm² · 1 m of copper takes for 1 K: 3.45e6 J/(K m³) (IEC 60949, from memory)."""

CLASS_5_OHM_PER_KM: Mapping[float, float] = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
}
"""mm² → largest resistance of a flexible plain copper conductor at 20 °C (IEC 60228, class 5)."""

AMPACITY: Mapping[int, tuple[int, int, int]] = {
    14: (15, 20, 25),
    12: (20, 25, 30),
    10: (30, 35, 40),
    8: (40, 50, 55),
    6: (55, 65, 75),
    4: (70, 85, 95),
}
"""AWG → A in the columns of 60, 75 and 90 °C (NEC 2023, table 310.16). Older prints have 20 A
(14) and 25 A (12) at 60 °C."""

COLUMNS = (60, 75, 90)
CONTINUOUS_COLUMN = 60
"""°C: the lowest column printed is what a lead carries for any length of time."""

SHORT_COLUMN = 90
"""°C: what counts for a short time, where the copper can't reach that temperature anyway."""

SHORT_S = 10.0
SHORT_RISE_K = 5.0
"""How long 'a short time' lasts at most, and how far it may warm the copper (common practice, no
source)."""


def awg_diameter_mm(gauge: int) -> float:
    """Diameter (mm) of a solid conductor: 0.127 · 92^((36 - n)/39) (ASTM B258)."""
    return 0.127 * math.pow(92, (36 - gauge) / 39)


def awg_area_mm2(gauge: int) -> float:
    """Cross-section (mm²) of a gauge: πd²/4."""
    return math.pi * awg_diameter_mm(gauge) ** 2 / 4


def area_mm2(gauge: str) -> float:
    """Cross-section (mm²) of 'AWG 10' or '4 mm2'.

    Raises:
        ValueError: any other text.
    """
    number, _, unit = gauge.partition(" ")
    return awg_area_mm2(int(unit)) if number == "AWG" else _positive(float(number), "area")


def area_ohm_per_m(area: float) -> float:
    """Resistance (ohm/m) at 20 °C of a copper cross-section (mm²): 1/(58·A) (IEC 60028)."""
    return COPPER_OHM_MM2_PER_M / _positive(area, "area")


def ohm_per_m(gauge: str) -> float:
    """Resistance (ohm/m) at 20 °C of 'AWG 10' or '4 mm2'.

    A cross-section of IEC 60228's class 5 table has the largest resistance that is allowed there;
    every other one, and AWG, is reckoned from its area. `resistance_source` says which.
    """
    tabled = _tabled(gauge)
    return area_ohm_per_m(area_mm2(gauge)) if tabled is None else tabled / 1000


def resistance_source(gauge: str) -> str:
    """Where `ohm_per_m` takes its figure from, in words."""
    if gauge.startswith("AWG"):
        return "ASTM B258 and IEC 60028"
    return "area by IEC 60028" if _tabled(gauge) is None else "IEC 60228, class 5, largest"


def _tabled(gauge: str) -> float | None:
    number, _, unit = gauge.partition(" ")
    return CLASS_5_OHM_PER_KM.get(float(number)) if unit == "mm2" else None


def at_temperature_ohm(ohm_at_20: float, temperature_c: float) -> float:
    """Resistance (ohm) of copper at a temperature (°C): R20 · (1 + 0.00393 · (t - 20))."""
    return ohm_at_20 * (1 + COPPER_PER_K * (temperature_c - 20))


def at_20_ohm(resistance_ohm: float, temperature_c: float) -> float:
    """Resistance (ohm) of copper measured at a temperature (°C), referred to 20 °C."""
    return resistance_ohm / (1 + COPPER_PER_K * (temperature_c - 20))


def lead_ohm(gauge: str, length_m: float) -> float:
    """Resistance (ohm) at 20 °C of a lead of such gauge and length (m)."""
    return ohm_per_m(gauge) * length_m


def ampacity_a(area: float, column_c: int = CONTINUOUS_COLUMN) -> float:
    """Current (A) that a copper cross-section (mm²) carries at most by a column (°C) of the table.

    Between the table's gauges (NEC 310.16, AWG 14 to 4) by straight line over the area; below
    AWG 14 in proportion to the area; above AWG 4 no more than AWG 4 (the table used ends there).
    Thin conductors carry more for their area than thick ones, so each of these lies below the
    true curve; that it may be used so is common practice, no source.

    Raises:
        ValueError: an area that isn't positive, or a column that isn't printed.
    """
    index = COLUMNS.index(column_c)
    known = [(awg_area_mm2(n), float(AMPACITY[n][index])) for n in sorted(AMPACITY, reverse=True)]
    points = [(0.0, 0.0), *known]
    _positive(area, "area")
    for (low, low_a), (high, high_a) in pairwise(points):
        if area <= high:
            return low_a + (high_a - low_a) * (area - low) / (high - low)
    return points[-1][1]


def copper_rise_k(area: float, current_a: float, time_s: float) -> float:
    """Warming (K) of a copper cross-section (mm²) if no heat leaves it: I²·t·ρ/(A²·c).

    ρ as at 20 °C; adiabatic, as in IEC 60949 (from memory). For rises of a few kelvin.
    """
    loss_w_per_m = current_a**2 * area_ohm_per_m(area)
    return loss_w_per_m * time_s / (COPPER_J_PER_K_MM2_M * area)


def carries_a(area: float, current_a: float, time_s: float) -> tuple[float, int]:
    """Current (A) that a lead may carry for a time (s), and the column (°C) that says so.

    For at most 10 s, and a warming by at most 5 K if no heat left it, the 90 °C column counts;
    for anything longer or hotter the 60 °C column. (Common practice, no source; the figures of
    the columns are NEC 310.16's, which knows continuous currents only.) Whoever grants short times
    checks with `rms_a` that many of them don't add up.
    """
    short = time_s <= SHORT_S and copper_rise_k(area, current_a, time_s) <= SHORT_RISE_K
    column = SHORT_COLUMN if short else CONTINUOUS_COLUMN
    return ampacity_a(area, column), column


def rms_a(loads: Iterable[tuple[float, float]], period_s: float) -> float:
    """Current (A) that warms a lead as much as these (A, s) do within a period (s), over and over:
    √(ΣI²t / T).

    Raises:
        ValueError: a period that isn't positive.
    """
    _positive(period_s, "period")
    return math.sqrt(sum(current**2 * time for current, time in loads) / period_s)


def _positive(value: float, what: str) -> float:
    if value <= 0:
        raise ValueError(f"{what} must be positive")
    return value
