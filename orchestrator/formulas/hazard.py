"""When a test source needs no protection against its voltage: EN 50191:2010, clause 1.2.

Whatever isn't known counts as hazardous.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum

from orchestrator.model.words import Waveform

SAFE_AC_V = Decimal(25)
SAFE_DC_V = Decimal(60)
SAFE_AC_A = Decimal("0.003")
SAFE_DC_A = Decimal("0.012")
SAFE_ENERGY_J = Decimal("0.35")
BODY_OHM = Decimal(2000)
HIGHEST_HZ = Decimal(500)


class Exempt(StrEnum):
    """On which ground a source is exempt."""

    VOLTAGE = "voltage"
    CURRENT = "current"
    ENERGY = "energy"


def exempt_by_voltage(
    waveform: Waveform, voltage_v: Decimal | None, frequency_hz: Decimal | None = None
) -> bool:
    """At most 25 V AC (up to 500 Hz) or 60 V DC, from a SELV or PELV source.

    ``frequency_hz`` left out on AC is taken as a mains frequency.
    """
    if voltage_v is None or (frequency_hz is not None and frequency_hz > HIGHEST_HZ):
        return False
    return voltage_v <= (SAFE_AC_V if waveform is Waveform.AC else SAFE_DC_V)


def exempt_by_current(
    waveform: Waveform, body_current_a: Decimal | None, frequency_hz: Decimal | None = None
) -> bool:
    """At most 3 mA rms AC (up to 500 Hz) or 12 mA DC through 2 kΩ without inductance."""
    if body_current_a is None or (frequency_hz is not None and frequency_hz > HIGHEST_HZ):
        return False
    return body_current_a <= (SAFE_AC_A if waveform is Waveform.AC else SAFE_DC_A)


def exempt_by_energy(energy_j: Decimal | None) -> bool:
    """A discharge of at most 350 mJ."""
    return energy_j is not None and energy_j <= SAFE_ENERGY_J


def body_current_a(voltage_v: Decimal, source_current_a: Decimal | None) -> Decimal:
    """Largest current (A) through 2 kΩ: what the voltage drives, or the source's own limit."""
    driven_a = voltage_v / BODY_OHM
    return driven_a if source_current_a is None else min(driven_a, source_current_a)


def exemption(
    waveform: Waveform,
    voltage_v: Decimal | None,
    source_current_a: Decimal | None,
    energy_j: Decimal | None,
    frequency_hz: Decimal | None = None,
) -> Exempt | None:
    """The ground on which a source is exempt, or ``None``: hazardous.

    Args:
        voltage_v: the largest that the source can give, not what is set.
        source_current_a: the largest current that it can feed into a fault.
        energy_j: the largest energy that the object can hold after the test.

    A source limited in current charges whatever hangs on it, so on DC the ground of current
    counts only together with that of energy; energy alone says nothing about a source that goes
    on feeding. Both readings are stricter than the clause, where one ground is enough.
    """
    if exempt_by_voltage(waveform, voltage_v, frequency_hz):
        return Exempt.VOLTAGE
    if voltage_v is None or source_current_a is None:
        return None
    reckoned = body_current_a(voltage_v, source_current_a)
    if not exempt_by_current(waveform, reckoned, frequency_hz):
        return None
    if waveform is Waveform.DC and not exempt_by_energy(energy_j):
        return None
    return Exempt.CURRENT
