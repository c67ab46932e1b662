"""What a group of pairs measured in parallel reads, tolerances included.

Currents add as phasors: resistive parts in phase with the voltage, capacitive parts a quarter of a
period ahead; each kind adds by itself, the total is √(ΣIr² + ΣIc²) of the two sums. Insulations
add as conductances. STATUS of the figures checked: reference E1 (computed). What a group's limit
must be so that one bad pair shows is in `orchestrator.formulas.group_limits` and, for a
resistance, here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Expected:
    """The least and the most that a quantity may be, in its own unit.

    Raises:
        ValueError: least is negative or above most, or either is no number.
    """

    least: float
    most: float

    def __post_init__(self) -> None:
        if not 0 <= self.least <= self.most:
            raise ValueError("expected 0 ≤ least ≤ most")


NOTHING = Expected(0.0, 0.0)


def with_tolerance(nominal: float, minus_percent: float, plus_percent: float) -> Expected:
    """A nominal value with its tolerance (percent of it, down and up).

    Raises:
        ValueError: a negative value or tolerance, or one of more than 100 % down.
    """
    if min(nominal, minus_percent, plus_percent) < 0 or minus_percent > 100:
        raise ValueError("value and tolerances must not be negative, nor minus above 100 %")
    return Expected(nominal * (1 - minus_percent / 100), nominal * (1 + plus_percent / 100))


def sum_of(parts: Iterable[Expected]) -> Expected:
    """Of quantities that add up (capacitances, conductances, currents of one phase)."""
    given = tuple(parts)
    return Expected(math.fsum(p.least for p in given), math.fsum(p.most for p in given))


def parallel_of_ohm(resistances_ohm: Iterable[float]) -> float:
    """Resistance (ohm) of resistances in parallel: 1/Σ(1/R). None at all: infinite.

    100 Mohm ∥ 1 Gohm ∥ 10 Gohm = 90.09009 Mohm (reference E1, computed).

    Raises:
        ValueError: a resistance that isn't positive.
    """
    given = tuple(resistances_ohm)
    if any(not ohm > 0 for ohm in given):
        raise ValueError("resistances must be positive")
    conductance = math.fsum(1 / ohm for ohm in given)
    return 1 / conductance if conductance else math.inf


def group_resistance_ohm(parts: Iterable[Expected]) -> Expected:
    """What a group of insulations (ohm each) reads: least if all are least, most if all are most.

    Raises:
        ValueError: a least resistance of 0.
    """
    given = tuple(parts)
    return Expected(parallel_of_ohm(p.least for p in given), parallel_of_ohm(p.most for p in given))


@dataclass(frozen=True, slots=True)
class AcShare:
    """The AC current of one pair (A rms): what is in phase with the voltage and what leads it."""

    resistive_a: Expected = NOTHING
    capacitive_a: Expected = NOTHING


def ac_share(
    capacitance_f: Expected, resistance_ohm: Expected | None, rms_v: float, hz: float
) -> AcShare:
    """Currents of a pair at a sinusoidal voltage (V rms): U/R in phase, 2πfCU leading.

    100 Mohm ∥ 4.4 nF at 1500 V, 50 Hz: 15.000 µA and 2.073451 mA (reference E1, computed).
    ``resistance_ohm`` None: none is known; then only the capacitance counts.

    Raises:
        ValueError: a negative voltage or frequency, or a least resistance of 0.
    """
    if min(rms_v, hz) < 0:
        raise ValueError("voltage and frequency must not be negative")
    siemens = 2 * math.pi * hz
    leading = Expected(siemens * capacitance_f.least * rms_v, siemens * capacitance_f.most * rms_v)
    if resistance_ohm is None:
        return AcShare(NOTHING, leading)
    if resistance_ohm.least <= 0:
        raise ValueError("resistances must be positive")
    return AcShare(Expected(rms_v / resistance_ohm.most, rms_v / resistance_ohm.least), leading)


def group_ac_a(shares: Iterable[AcShare]) -> Expected:
    """Total current (A rms) that a group reads: √((ΣIr)² + (ΣIc)²), least and most.

    Both sums grow with each share, so least of all gives the least total.
    """
    given = tuple(shares)
    resistive = sum_of(s.resistive_a for s in given)
    leading = sum_of(s.capacitive_a for s in given)
    return Expected(
        math.hypot(resistive.least, leading.least), math.hypot(resistive.most, leading.most)
    )


def largest_group(limit: float, each_most: float) -> int:
    """How many equal shares fit under a limit: ⌊limit/share⌋; 10 mA by 2.073451 mA: 4.

    Raises:
        ValueError: a share that isn't positive or a negative limit.
    """
    if each_most <= 0 or limit < 0:
        raise ValueError("the share must be positive and the limit not negative")
    return math.floor(limit / each_most)


def revealing_resistance_ohm(own_ohm: float, others_most_ohm: Iterable[float]) -> float:
    """Lowest limit (ohm, 'at least') of a group at which a pair at its own limit still shows.

    1/(1/R + Σ 1/Rmax): the bad pair in parallel with the others at their best. A lower limit would
    let a group with such a pair pass; the others then mask it.

    Raises:
        ValueError: a resistance that isn't positive.
    """
    return parallel_of_ohm((own_ohm, *others_most_ohm))


def sufficient_resistance_ohm(own_ohm: float) -> float:
    """Limit (ohm, 'at least') of a group that proves each member: that of one pair.

    A reading at or above it means that every member is; a reading below doesn't mean that one is
    bad: 16 good pairs of 1 Gohm read 62.5 Mohm, below 100 Mohm (reference E1, derived).
    """
    return own_ohm
