"""What a run yields and what the journal keeps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Literal

from orchestrator.model.words import (
    DischargeGrade,
    Evidence,
    Measured,
    Outcome,
    TesterState,
)


@dataclass(frozen=True, slots=True)
class Reading:
    """One value read: exact, or only a bound, or none at all. SI units."""

    value: Decimal | None
    bound: Literal["exact", "above", "below", "none"] = "exact"


@dataclass(frozen=True, slots=True)
class TesterReading:
    """A tester's result of one step.

    ``verdict`` is the tester's own: ``breakdown`` is a fail by a breakdown or flash-over, which
    no reading need show; ``None``: it gave none (stopped, level not reached, ...).
    """

    verdict: Literal["pass", "fail", "breakdown"] | None
    values: Mapping[Measured, Reading]
    evidence: frozenset[Evidence] = frozenset()
    cause: str = ""
    raw: bytes = b""


@dataclass(frozen=True, slots=True)
class Progress:
    """One look at a running tester. ``slot`` counts from 0; ``latched_open``: it saw the
    interlock open, even briefly."""

    state: TesterState
    slot: int | None = None
    elapsed_s: Decimal | None = None
    live: Mapping[Measured, Reading] = field(default_factory=dict)
    latched_open: bool = False


@dataclass(frozen=True, slots=True)
class OffProof:
    """Whether an output is proved off and discharged, and by which evidence.

    ``discharged`` is ``None`` where the instrument can't tell (a bleeder may then be reckoned).
    """

    off: bool
    discharged: bool | None
    grade: DischargeGrade
    state: TesterState
    residual_v: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Identity:
    """Who an instrument says it is. ``simulated``: its reply marks it as a simulation."""

    model: str
    serial: str = ""
    firmware: str = ""
    maker: str = ""
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class StepResult:
    """How one step ended. ``reason`` says why it isn't a pass."""

    index: int
    name: str
    outcome: Outcome
    reason: str = ""
    values: Mapping[Measured, Reading] = field(default_factory=dict)
    tester_verdict: str | None = None
    evidence: tuple[str, ...] = ()
    discharge: DischargeGrade = DischargeGrade.NONE
    residual_v: Decimal | None = None
    duration_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run ended. ``relays_kept``: discharge unconfirmed, relays left closed."""

    run_id: str
    serial: str
    outcome: Outcome
    steps: tuple[StepResult, ...]
    simulated: bool
    reason: str = ""
    remedy: str = ""
    relays_kept: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """One journal entry; ``body`` holds JSON values only."""

    run_id: str
    kind: str
    utc: str
    monotonic_s: float
    body: Mapping[str, Any]
