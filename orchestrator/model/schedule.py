"""The schedule: a program bound to fixture and station, already checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Literal

from orchestrator.model.program import DecisionRule, Locate
from orchestrator.model.words import Edge, Measured, Role, StepKind, Waveform


@dataclass(frozen=True, slots=True, order=True)
class Contact:
    """One relay contact to be closed: a channel put to a role."""

    chain: str
    unit: str
    bank: str
    channel: int
    role: Role


@dataclass(frozen=True, slots=True)
class Route:
    """The whole wanted relay state; what is absent is open."""

    contacts: frozenset[Contact] = frozenset()

    def of_chain(self, chain: str) -> Route:
        """The part of the route that lies in one chain."""
        return Route(frozenset(c for c in self.contacts if c.chain == chain))


@dataclass(frozen=True, slots=True)
class LimitOrder:
    """One limit: quantity, edge and value in SI units."""

    quantity: Measured
    edge: Edge
    value: Decimal


@dataclass(frozen=True, slots=True)
class StepOrder:
    """What a tester is asked to do in one step; SI units. ``slot`` counts from 0 in its batch."""

    kind: StepKind
    level: Decimal
    waveform: Waveform
    dwell: Decimal
    rise: Decimal | None = None
    fall: Decimal | None = None
    frequency: Decimal | None = None
    limits: tuple[LimitOrder, ...] = ()
    limits_during_rise: bool = False
    flash_over: Decimal | None = None
    settle: Decimal | None = None
    slot: int = 0
    route: Route = Route()

    def limit(self, quantity: Measured, edge: Edge) -> Decimal | None:
        """The value of one limit, or ``None``."""
        for limit in self.limits:
            if limit.quantity is quantity and limit.edge is edge:
                return limit.value
        return None

    def in_slot(self, slot: int) -> StepOrder:
        """The same order in another slot."""
        return replace(self, slot=slot)


@dataclass(frozen=True, slots=True)
class BoundStep:
    """One step, bound: tester, route, set-points as the wire carries them, deadlines.

    Attributes:
        asked: as the program asks: its limits are the specified ones. order: as the wire will
            carry it: its limits are those that the reading is held against.
        others: points put to the return side because ``others: against``.
        leans_on: names of the contact steps that must have passed (``prove_contact``).
        predicted_s: rise + dwell + fall. deadline_s: from start to confirmed off.
        reasons: the figures behind the checks, one sentence each.
        around_s: estimate of what the step takes beside predicted_s: relays, discharge, messages.
        others_open: points that the step doesn't name are left open.
        locate: how to search if it fails, with ``on_failure`` locate.
        search_of: index of the failed step that this one searches; its own index then counts on
            behind those of the program.
        decision_rule: how ``order``'s limits are made from the specified ones of ``asked``.
        taken_out: ``order``'s limits are for a reading that holds the empty fixture's share.
        plausible: what any reading keeps that holds the fixture's share; where it doesn't, the
            share that was taken out isn't true.
    """

    index: int
    name: str
    kind: StepKind
    tester: str
    asked: StepOrder
    order: StepOrder
    route: Route
    apply_to: tuple[str, ...]
    against: tuple[str, ...]
    others: tuple[str, ...]
    hazardous: bool
    on_failure: Literal["stop", "continue", "locate"]
    leans_on: tuple[str, ...]
    unproved_contact: str | None
    predicted_s: float
    deadline_s: float
    reasons: tuple[str, ...] = ()
    around_s: float = 0.0
    others_open: bool = False
    locate: Locate | None = None
    search_of: int | None = None
    decision_rule: DecisionRule = "simple"
    taken_out: bool = False
    plausible: tuple[LimitOrder, ...] = ()


@dataclass(frozen=True, slots=True)
class Batch:
    """Steps that one start runs. ``delegated``: no relay read-back between its steps."""

    tester: str
    steps: tuple[BoundStep, ...]
    route: Route
    deadline_s: float
    delegated: bool = False


@dataclass(frozen=True, slots=True)
class Schedule:
    """A whole bound program. ``hashes``: SHA-256 of program, fixture, station and profiles."""

    program: str
    revision: str
    fixture: str
    station: str
    batches: tuple[Batch, ...]
    simulated: bool
    safe_ac_v: Decimal
    safe_dc_v: Decimal
    relay_settle_s: float
    hashes: Mapping[str, str] = field(default_factory=dict)
    exemptions: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """(rule, instrument) → reason."""
    no_protective_earth: str | None = None
    bleed_s: Mapping[str, float] = field(default_factory=dict)
    """Tester → reckoned discharge time with margin, where a declared bleeder is the evidence."""
    notices: tuple[str, ...] = ()
    runs_per_serial: int | None = None

    @property
    def steps(self) -> tuple[BoundStep, ...]:
        """All steps in order."""
        return tuple(step for batch in self.batches for step in batch.steps)

    @property
    def predicted_s(self) -> float:
        """Rise, dwell and fall of all steps (s)."""
        return sum(step.predicted_s for step in self.steps)

    @property
    def estimated_s(self) -> float:
        """The whole program (s), with what lies around its steps; an estimate."""
        return self.predicted_s + sum(step.around_s for step in self.steps)
