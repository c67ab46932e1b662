"""Stored energy, stored charge and discharge through a resistance."""

from __future__ import annotations

import math


def discharge_time_s(
    resistance_ohm: float, capacitance_f: float, from_v: float, to_v: float
) -> float:
    """Time (s) for a capacitance (F) to fall from one voltage to another through a resistance.

    t = R·C·ln(U0/U1); 0 if it starts at or below the end. Dielectric absorption is left out: a
    real object takes longer, so this is never better than the weakest evidence of discharge.

    Raises:
        ValueError: a value that isn't positive.
    """
    if min(resistance_ohm, capacitance_f, to_v) <= 0 or from_v < 0:
        raise ValueError("resistance, capacitance and end voltage must be positive")
    if from_v <= to_v:
        return 0.0
    return resistance_ohm * capacitance_f * math.log(from_v / to_v)


def stored_energy_j(capacitance_f: float, voltage_v: float) -> float:
    """Energy (J) in a capacitance (F) at a DC voltage (V): ½·C·U²."""
    return 0.5 * capacitance_f * voltage_v**2


def stored_charge_c(capacitance_f: float, voltage_v: float) -> float:
    """Charge (C) in a capacitance (F) at a DC voltage (V): C·U."""
    return capacitance_f * voltage_v
