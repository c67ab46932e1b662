"""What instruments can do, as their profiles declare it. All figures in SI base units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from orchestrator.model.words import (
    DischargeGrade,
    Edge,
    Evidence,
    Measured,
    ReadBackProof,
    Role,
    StepKind,
    Waveform,
)


@dataclass(frozen=True, slots=True)
class Span:
    """A closed range; ``resolution`` is the instrument's step, if one is stated."""

    least: Decimal
    most: Decimal
    resolution: Decimal | None = None

    def __contains__(self, value: object) -> bool:
        return isinstance(value, Decimal) and self.least <= value <= self.most


@dataclass(frozen=True, slots=True)
class Rating:
    """What a contact or terminal stands. ``None`` means 'not stated' and is refused where asked.

    Attributes:
        ac_rms_v: AC voltage, rms. peak_v: peak voltage, AC or DC.
        dc_v: DC voltage. carry_a: current through the closed contact, rms or DC.
    """

    ac_rms_v: Decimal | None
    peak_v: Decimal | None
    dc_v: Decimal | None
    carry_a: Decimal | None


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Stated accuracy of a reading: ± (percent of reading + absolute part in SI units)."""

    percent: Decimal
    plus: Decimal


@dataclass(frozen=True, slots=True)
class TerminalUse:
    """Terminals that one kind of step uses; sense terminals where it measures with four wires."""

    source: str
    return_: str
    sense_source: str | None = None
    sense_return: str | None = None
    sense: Literal["none", "optional", "required"] = "none"


@dataclass(frozen=True, slots=True)
class KindAbility:
    """What a tester can do in one kind of step.

    Attributes:
        level: V or A. rise, dwell, fall: s (``None``: can't be set; the wire carries nothing).
        fixed_rise_s, fixed_fall_s: what the instrument takes when they can't be set.
        limits: range per judged limit; a pair that is absent can't be judged by the tester.
        limits_during_rise: whether the tester's limits act in the rise.
        judged: whether the limits act throughout the dwell or only at its end.
        compliance_v: largest voltage of a bonding or continuity source (no-load).
        source_current_a: largest current the output can feed into a fault, for the hazard rule.
        one_source_channel: bonding needs exactly one source channel per step.
        indefinite_dwell_s: the dwell that means 'until stopped'; never sent.
    """

    kind: StepKind
    level: Span
    waveforms: frozenset[Waveform]
    terminals: TerminalUse
    dwell: Span
    rise: Span | None = None
    fall: Span | None = None
    fixed_rise_s: Decimal = Decimal(0)
    fixed_fall_s: Decimal = Decimal(0)
    frequencies: tuple[Decimal, ...] = ()
    limits: Mapping[tuple[Measured, Edge], Span] = field(default_factory=dict)
    limits_during_rise: Literal["always", "never", "settable"] = "never"
    judged: Literal["throughout", "at_end"] = "throughout"
    flash_over: Span | None = None
    compliance_v: Decimal | None = None
    source_current_a: Decimal | None = None
    accuracy: Mapping[Measured, Accuracy] = field(default_factory=dict)
    readings: frozenset[Measured] = frozenset()
    one_source_channel: bool = False
    indefinite_dwell_s: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Abilities:
    """What a tester can do.

    Attributes:
        terminals: rating of each terminal as an idle bystander on an energised net.
        slots: steps that one start can run. routes_itself: routing is part of its set-up.
        freshness: ways in which a result is known to belong to this start.
        setup_check: how it is proved that it accepted the set-up sent.
        discharge: best grade of discharge evidence. off_proof: what proves the output off.
        reports_dwell: it tells how long the level was held. keep_alive_s: s, or ``None``.
        poll_s: how often to look while it runs. off_within_s: latest time from a stop to
        'off and discharged'. start_lag_s: how long its state may still show what was before
        a start. result_repeatable: asking for a result does not consume it.
        silent_stop: nothing at all comes back on a stop, so a link in step stays in step.
        power_up, link_loss: what it does then, in words, '' where unknown.
    """

    name: str
    kinds: Mapping[StepKind, KindAbility]
    terminals: Mapping[str, Rating]
    slots: int
    routes_itself: bool
    freshness: frozenset[Evidence]
    setup_check: Literal["errors", "read_back", "both", "none"]
    discharge: DischargeGrade
    off_proof: Literal["state", "voltage", "event", "none"]
    has_interlock_query: bool
    latches_interlock: bool
    needs_arming: bool
    reports_dwell: bool
    keep_alive_s: Decimal | None = None
    poll_s: Decimal = Decimal("0.02")
    off_within_s: Decimal = Decimal(12)
    start_lag_s: Decimal = Decimal("0.5")
    result_repeatable: bool = True
    silent_stop: bool = False
    power_up: str = ""
    link_loss: str = ""


@dataclass(frozen=True, slots=True)
class BankAbility:
    """One bank of a relay unit: channels (as the user counts them), roles, rating."""

    name: str
    channels: tuple[int, ...]
    roles: frozenset[Role]
    rating: Rating
    contact: str = "relay"
    most_closed: int | None = None


@dataclass(frozen=True, slots=True)
class MatrixAbilities:
    """What one unit of a relay matrix can do."""

    name: str
    banks: Mapping[str, BankAbility]
    addresses: tuple[int, int] | None
    read_back: ReadBackProof | None
    settle_s: Decimal
    power_up: str = ""
    link_loss: str = ""
