"""A plan: steps in order, each with what it covers and why its limits are what they are."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from orchestrator.errors import Fault
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import StepKind, Waveform


@dataclass(frozen=True, slots=True)
class Covered:
    """Pairs (or contacts) of one demand that a step covers, of how many it has in all.

    ``told``: 'demand harness insulation, product.yaml:30:5'.
    """

    demand: str
    pairs: int
    of: int
    told: str


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step; SI units.

    Attributes:
        apply_nets, against_nets, open_nets: numbers of nets; every net is on one of the sides or
            left open. Of bonding and continuity: the two nets of the contact.
        apply_to, against: the points that are contacted.
        level: V, or A for bonding and continuity. ceiling: the most that the wire may carry.
        capacitance_f: the most that is declared between the sides; None where nothing is.
        prove_contact: steps that prove contact of its points. unproved_contact: why some need none.
        reasons: the figures behind limits and times, a sentence each.
        predicted_s: rise, settle, dwell and fall. around_s: relays, discharge, messages (estimate).
    """

    name: str
    kind: StepKind
    waveform: Waveform
    apply_nets: tuple[int, ...]
    against_nets: tuple[int, ...]
    open_nets: tuple[int, ...]
    apply_to: tuple[str, ...]
    against: tuple[str, ...]
    level: Decimal
    ceiling: Decimal
    limits: tuple[LimitOrder, ...]
    dwell_s: Decimal
    rise_s: Decimal | None
    fall_s: Decimal | None
    settle_s: Decimal | None
    frequency_hz: Decimal | None
    limits_during_rise: bool
    flash_over_a: Decimal | None
    capacitance_f: Decimal | None
    covers: tuple[Covered, ...]
    reasons: tuple[str, ...]
    predicted_s: float
    around_s: float
    prove_contact: tuple[str, ...] = ()
    unproved_contact: str | None = None

    @property
    def estimated_s(self) -> float:
        """The step with what lies around it (s); an estimate."""
        return self.predicted_s + self.around_s


@dataclass(frozen=True, slots=True)
class Count:
    """How many tests one kind takes (apart by frequency).

    Attributes:
        tests: planned. least: proved lower bound; proof: how it is proved.
        one_by_one: tests that one unit against all others would take.
        unsplit: tests that it would take without budgets, where budgets cost more.
        levels: V, the highest first, with the tests at each.
    """

    kind: StepKind
    frequency_hz: Decimal | None
    tests: int
    least: int
    proof: str
    one_by_one: int
    unsplit: int | None
    levels: tuple[tuple[Decimal, int], ...]
    predicted_s: float

    @property
    def gap(self) -> int:
        """Tests above the proved bound."""
        return max(self.tests - self.least, 0)


@dataclass(frozen=True, slots=True)
class ContactProof:
    """How a lead that has come off a point would be noticed.

    ``how``: continuity, bonding, load, lower_limit, allowed (the user's reason) or unproved.
    ``step``: the step that shows it.
    """

    point: str
    net: int
    how: str
    step: str | None
    words: str

    @property
    def proved(self) -> bool:
        """Whether a step shows it."""
        return self.how not in ("allowed", "unproved")


@dataclass(frozen=True, slots=True)
class Tour:
    """Order of the tests of one kind: relay operations, and a lower bound of them.

    ``exact``: no order takes fewer.
    """

    kind: StepKind
    tests: int
    operations: int
    least: int
    exact: bool

    @property
    def gap(self) -> int:
        """Operations above the lower bound."""
        return self.operations - self.least


@dataclass(frozen=True, slots=True)
class Plan:
    """All steps of a product in order.

    ``gaps``: demands that could not be planned, and contacts that are neither proved nor allowed
    to be unproved; empty unless gaps were asked to be kept.
    """

    product: str
    revision: str
    file: str
    steps: tuple[PlannedStep, ...]
    counts: tuple[Count, ...]
    contacts: tuple[ContactProof, ...]
    tours: tuple[Tour, ...]
    gaps: tuple[Fault, ...]
    notices: tuple[str, ...]
    no_protective_earth: str | None

    @property
    def predicted_s(self) -> float:
        """Rise, settle, dwell and fall of all steps (s)."""
        return sum(step.predicted_s for step in self.steps)

    @property
    def estimated_s(self) -> float:
        """The whole program (s); an estimate."""
        return sum(step.estimated_s for step in self.steps)
