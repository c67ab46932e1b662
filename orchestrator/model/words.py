"""The closed vocabularies that several models share."""

from __future__ import annotations

from enum import StrEnum


class StepKind(StrEnum):
    """The five kinds of test step."""

    BONDING = "bonding"
    CONTINUITY = "continuity"
    INSULATION = "insulation"
    WITHSTAND_AC = "withstand_ac"
    WITHSTAND_DC = "withstand_dc"


class Waveform(StrEnum):
    """Whether a level is AC (rms figures) or DC."""

    AC = "ac"
    DC = "dc"


class Role(StrEnum):
    """What a channel is switched to."""

    SOURCE = "source"
    RETURN = "return"
    SENSE = "sense"
    OPEN = "open"


class Side(StrEnum):
    """The two sides of a step."""

    SOURCE = "source"
    RETURN = "return"


class Measured(StrEnum):
    """Quantities that a limit or a reading names; AC figures are rms."""

    TOTAL_CURRENT = "total_current"
    IN_PHASE_CURRENT = "in_phase_current"
    RESISTANCE = "resistance"
    VOLTAGE = "voltage"
    CURRENT = "current"  # the current that a bonding or continuity step drives
    TIME = "time"  # how long the level was held, by the tester's figures


class Edge(StrEnum):
    """Which way a limit bounds its quantity."""

    AT_LEAST = "at_least"
    AT_MOST = "at_most"


class Outcome(StrEnum):
    """Outcome of a step; a run has no ``not_run``."""

    PASS = "pass"  # noqa: S105 - an outcome, not a password
    FAIL = "fail"
    NO_VERDICT = "no_verdict"
    NOT_RUN = "not_run"


class SearchEnding(StrEnum):
    """How the search for the pair behind a failed step ended."""

    FOUND = "found"  # and what was found explains every failure seen
    NOT_REPRODUCED = "not_reproduced"  # nothing fails at the search's level
    STUCK = "stuck"


class TesterState(StrEnum):
    """What a tester does, in neutral words. Unknown counts as energised."""

    OFF = "off"  # output off; whether discharged is told by the discharge evidence
    RISING = "rising"
    DWELLING = "dwelling"
    FALLING = "falling"
    DISCHARGING = "discharging"
    COMPLETE = "complete"  # the whole batch has ended by itself
    TRIPPED = "tripped"  # ended early because a limit was broken
    INTERLOCK_OPEN = "interlock_open"
    FAULT = "fault"
    UNKNOWN = "unknown"

    @property
    def active(self) -> bool:
        """True while the tester says that its output is or may be on."""
        return self in _ACTIVE


_ACTIVE = frozenset(
    {
        TesterState.RISING,
        TesterState.DWELLING,
        TesterState.FALLING,
        TesterState.DISCHARGING,
        TesterState.UNKNOWN,
    }
)


class DischargeGrade(StrEnum):
    """How well it is known that the output is discharged, best first."""

    VOLTAGE = "voltage"  # residual voltage measured by the tester
    STATUS = "status"  # the instrument's own 'discharged' status or event
    BLEEDER = "bleeder"  # a declared bleeder, computed time with margin
    NONE = "none"


class ReadBackProof(StrEnum):
    """What a matrix's read-back is read from; only CONTACT proves a position."""

    COMMANDED = "commanded"
    COIL = "coil"
    CONTACT = "contact"


class Evidence(StrEnum):
    """How a result is known to belong to this start."""

    SLOT_ECHO = "slot_echo"
    COUNTER = "counter"
    CLEARED = "cleared"  # proved cleared before the start: whatever stands now is newer
    SEEN_ACTIVE = "seen_active"
    EVENT = "event"  # the result came as an event after the start


HIGH_VOLTAGE_KINDS = frozenset({StepKind.INSULATION, StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC})
"""Kinds whose level is a voltage."""

CONTACT_KINDS = frozenset({StepKind.BONDING, StepKind.CONTINUITY})
"""Kinds whose level is a current and that can prove contact."""
