"""Currents and peaks of AC quantities."""

from __future__ import annotations

import math
from decimal import Decimal

ROOT_TWO = Decimal(2).sqrt()
"""Peak of a sine over its rms value."""


def peak_v(rms_v: Decimal) -> Decimal:
    """Peak (V) of a sinusoidal voltage given by its rms value (V): √2 · U."""
    return rms_v * ROOT_TWO


def capacitive_current_a(capacitance_f: float, voltage_v: float, frequency_hz: float) -> float:
    """Current (A rms) through a capacitance (F) at a sinusoidal voltage (V rms): 2πfCU."""
    return 2 * math.pi * frequency_hz * capacitance_f * voltage_v


def rms_v(peak_v: Decimal) -> Decimal:
    """Rms value (V) of a sinusoidal voltage given by its peak (V): Û/√2.

    For a sine only: a tester that states the peak/√2 as its level (IEC 60060-1, from memory) reads
    the same only as long as its curve is one.
    """
    return peak_v / ROOT_TWO
