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
    SearchEnding,
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
    no reading need show; ``overloaded``: the level wasn't reached or was lost, the source being at
    its end; ``None``: it gave none (stopped, interlock, ...).
    """

    verdict: Literal["pass", "fail", "breakdown", "overloaded"] | None
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
    search_of: int | None = None
    """Index of the failed step that this step searches; None for a step of the program."""


Together = tuple[str, ...]
"""Points that the run proved to be one conductor; one alone, mostly."""


@dataclass(frozen=True, slots=True)
class FoundPair:
    """A faulty pair. ``left_open``: points that were open in the step that says so; a leak by
    way of them looks the same."""

    one: Together
    other: Together
    evidence: str
    left_open: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SearchStep:
    """One step of a search: what stood against what, what was left open, and how it ended."""

    apply_to: tuple[str, ...]
    against: tuple[str, ...]
    left_open: tuple[str, ...]
    result: StepResult


@dataclass(frozen=True, slots=True)
class Located:
    """What a search found.

    Attributes:
        step: index of the failed step. name: its name.
        reason: why nothing or not all was found, '' if all was.
        pairs: the faulty pairs.
        candidates: pairs among which the fault lies, or further faults may lie.
        steps: the search steps, in order.
    """

    step: int
    name: str
    ending: SearchEnding
    reason: str
    pairs: tuple[FoundPair, ...]
    candidates: tuple[tuple[Together, Together], ...]
    steps: tuple[SearchStep, ...]


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run ended. ``relays_kept``: discharge unconfirmed, relays left closed.

    ``steps``: those of the program. ``located``: searches, with their own steps.
    """

    run_id: str
    serial: str
    outcome: Outcome
    steps: tuple[StepResult, ...]
    simulated: bool
    reason: str = ""
    remedy: str = ""
    relays_kept: bool = False
    located: tuple[Located, ...] = ()


@dataclass(frozen=True, slots=True)
class Entry:
    """One journal entry; ``body`` holds JSON values only."""

    run_id: str
    kind: str
    utc: str
    monotonic_s: float
    body: Mapping[str, Any]
