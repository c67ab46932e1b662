"""What goes into a simulated output and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Kind(StrEnum):
    """Kinds of test; the level is V for the last three, A for the others."""

    BOND_AC = "bond_ac"
    BOND_DC = "bond_dc"
    CONT = "cont"
    INSUL = "insul"
    STAND_AC = "stand_ac"
    STAND_DC = "stand_dc"

    @property
    def ac(self) -> bool:
        return self in {Kind.BOND_AC, Kind.STAND_AC}

    @property
    def bonding(self) -> bool:
        return self in {Kind.BOND_AC, Kind.BOND_DC}

    @property
    def withstand(self) -> bool:
        return self in {Kind.STAND_AC, Kind.STAND_DC}

    @property
    def high_voltage(self) -> bool:
        return self.withstand or self is Kind.INSUL


class Phase(StrEnum):
    """What an output does."""

    OFF = "off"
    RISE = "rise"
    HOLD = "hold"
    FALL = "fall"
    BLEED = "bleed"


class Verdict(StrEnum):
    """How a test ended; each instrument has its own words for these."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    HIGH = "high"
    LOW = "low"
    FLASH = "flash"
    BREAKDOWN = "breakdown"
    SOURCE = "source"
    HALTED = "halted"
    BARRED = "barred"
    LAPSED = "lapsed"


@dataclass(frozen=True, slots=True)
class Order:
    """One test, in V, A, ohm, s and Hz.

    `dwell_s` 0: indefinite. Limits: ohm for bonding, continuity, insulation; A for withstand.
    """

    kind: Kind
    level: float
    rise_s: float
    dwell_s: float
    fall_s: float
    frequency_hz: float = 50.0
    upper: float | None = None
    lower: float | None = None
    upper_in_phase: bool = False
    lower_in_phase: bool = False
    upper_in_rise: bool = True
    flash_a: float | None = None

    @property
    def test_hz(self) -> float:
        """Frequency of the test; 0 for DC."""
        return self.frequency_hz if self.kind.ac else 0.0


@dataclass(frozen=True, slots=True)
class Traits:
    """What the prose says about a tester's output.

    Ranges: measuring ranges, above which a lead counts as open. Terminal ratings: of terminals
    that the test in work doesn't use.
    """

    discharge_ohm: float
    discharged_v: float
    trip_ac_a: float
    trip_dc_a: float
    insulation_most_a: float
    bond_compliance_v: float
    continuity_compliance_v: float
    bond_range_ohm: float
    continuity_range_ohm: float
    terminal_ac_v: float
    terminal_dc_v: float
    continuity_four_wire: bool = False
    bleed_least_s: float = 0.020

    def compliance_of(self, kind: Kind) -> float:
        """Open-circuit voltage of a current source kind."""
        return self.bond_compliance_v if kind.bonding else self.continuity_compliance_v

    def range_of(self, kind: Kind) -> float:
        """Measuring range of a current source kind, in ohm."""
        return self.bond_range_ohm if kind.bonding else self.continuity_range_ohm


@dataclass(frozen=True, slots=True)
class Reading:
    """What is measured at a moment; None: not measured by this kind of test.

    `open_lead`: no usable current path, resistance beyond the range.
    """

    level: float = 0.0
    total_a: float | None = None
    in_phase_a: float | None = None
    resistance_ohm: float | None = None
    broken_down: bool = False
    open_lead: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """A test that is over.

    `level`: lowest in the dwell, or highest at all where no dwell was reached. `dwell_s`: done.
    """

    order: Order
    verdict: Verdict
    level: float
    reading: Reading
    dwell_s: float


@dataclass
class OutputFaults:
    """Electrical faults of an output, for tests.

    Attributes:
        stuck_discharge: the charge stays; nothing gets below `stuck_at_v`.
        stuck_at_v: what stays at least.
        level_factor: reached level per ordered level.
        blind_to_level: doesn't notice that the level isn't reached.
        dwell_factor: real dwell per ordered dwell.
        verdict_override: the verdict told, whatever the readings say.
        start_lag_s: how long the status still shows the state before the start.
    """

    stuck_discharge: bool = False
    stuck_at_v: float = field(default=0.0)
    level_factor: float = 1.0
    blind_to_level: bool = False
    dwell_factor: float = 1.0
    verdict_override: Verdict | None = None
    start_lag_s: float = 0.0
