"""What was found of one test: its limits, why, and the budgets that it breaks."""

from __future__ import annotations

from dataclasses import dataclass, field

from orchestrator.model.schedule import LimitOrder
from orchestrator.planning.sums import Between

SLACK = 1e-9
"""Relative: what only rounding of floats makes too much is not too much."""


@dataclass(frozen=True, slots=True)
class Breach:
    """A budget that a test breaks: found against expected, and whether fewer nets would help."""

    what: str
    found: str
    expected: str


@dataclass
class Settled:
    """Limits of a test, why they are what they are, and the budgets that it breaks."""

    capacitance: Between
    conductance: Between
    limits: list[LimitOrder] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    breaches: list[Breach] = field(default_factory=list)
