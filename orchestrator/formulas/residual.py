"""What is left on an object after discharging for a time, against 350 mJ and 45 µC.

Sources: 350 mJ: EN 50191:2010, clause 1.2 (seen). 45 µC up to 15 kV, 350 mJ above: IEC 60335-1,
8.1.4 (seen, secondary) and IEC 61010-1, 6.3.1 (45 µC seen, secondary). EN 50191 knows the energy
only; the charge is stricter below 15,555.6 V. Dielectric absorption is left out throughout: a real
object keeps more, so a figure from here never replaces evidence of discharge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from orchestrator.formulas.discharge import discharge_time_s, stored_charge_c, stored_energy_j

ENERGY_J = 0.35
CHARGE_C = 45e-6
CHARGE_UP_TO_V = 15_000.0


@dataclass(frozen=True, slots=True)
class Residual:
    """What an object still holds: voltage (V), energy (J), charge (C)."""

    voltage_v: float
    energy_j: float
    charge_c: float

    @property
    def within_energy(self) -> bool:
        """At most 350 mJ (EN 50191:2010, clause 1.2)."""
        return self.energy_j <= ENERGY_J

    @property
    def within_charge(self) -> bool:
        """At most 45 µC up to 15 kV, at most 350 mJ above (IEC 60335-1, 8.1.4)."""
        if self.voltage_v > CHARGE_UP_TO_V:
            return self.within_energy
        return self.charge_c <= CHARGE_C


def residual_v(resistance_ohm: float, capacitance_f: float, from_v: float, time_s: float) -> float:
    """Voltage (V) left after a time (s) of discharge through a resistance (ohm): U·e^(−t/RC).

    Raises:
        ValueError: resistance or capacitance isn't positive, or voltage or time is negative.
    """
    if min(resistance_ohm, capacitance_f) <= 0 or min(from_v, time_s) < 0:
        raise ValueError("resistance and capacitance must be positive, voltage and time too or 0")
    return from_v * math.exp(-time_s / (resistance_ohm * capacitance_f))


def held(capacitance_f: float, voltage_v: float) -> Residual:
    """What a capacitance (F) holds at a voltage (V): ½CU² and CU (reference E1, computed)."""
    energy_j = stored_energy_j(capacitance_f, voltage_v)
    return Residual(voltage_v, energy_j, stored_charge_c(capacitance_f, voltage_v))


def after_discharge(
    resistance_ohm: float, capacitance_f: float, from_v: float, time_s: float
) -> Residual:
    """What is left after discharging for a time (s).

    Raises:
        ValueError: as `residual_v`.
    """
    return held(capacitance_f, residual_v(resistance_ohm, capacitance_f, from_v, time_s))


def highest_harmless_v(capacitance_f: float, *, charge: bool = False) -> float:
    """Highest voltage (V) at which a capacitance (F) holds at most 350 mJ: √(2W/C).

    ``charge``: by 45 µC up to 15 kV, and 350 mJ above, as well. Every lower voltage is harmless
    too: where 45 µC are exceeded below 15 kV, what 350 mJ would allow above it doesn't count.

    Raises:
        ValueError: a capacitance that isn't positive.
    """
    if capacitance_f <= 0:
        raise ValueError("the capacitance must be positive")
    by_charge_v = CHARGE_C / capacitance_f
    if charge and by_charge_v < CHARGE_UP_TO_V:
        return by_charge_v
    return math.sqrt(2 * ENERGY_J / capacitance_f)


def time_until_harmless_s(
    resistance_ohm: float, capacitance_f: float, from_v: float, safe_v: float
) -> float:
    """Time (s) until the voltage is at most ``safe_v`` AND the energy at most 350 mJ.

    Raises:
        ValueError: as `discharge_time_s`.
    """
    end_v = min(safe_v, highest_harmless_v(capacitance_f))
    return discharge_time_s(resistance_ohm, capacitance_f, from_v, end_v)
