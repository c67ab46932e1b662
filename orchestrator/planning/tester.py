"""What planning needs to know of a tester."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from orchestrator.model.abilities import Accuracy
from orchestrator.model.words import Measured, StepKind


@dataclass(frozen=True, slots=True)
class TesterLimits:
    """What a tester can do, as far as planning needs it; None: not stated, not checked.

    Attributes:
        total_current_a: most AC current that it drives and measures.
        dc_current_a: most DC current in withstand: it charges within the rise.
        insulation_current_a: the same in insulation.
        stored_energy_j: most that its discharge takes.
        relays_at_most: most contacts closed at once.
        relay_settle_s, discharge_s: for predicted times.
        accuracy: stated accuracy of its readings, for guard bands.
    """

    total_current_a: Decimal | None = None
    dc_current_a: Decimal | None = None
    insulation_current_a: Decimal | None = None
    stored_energy_j: Decimal | None = None
    relays_at_most: int | None = None
    relay_settle_s: float = 0.0
    discharge_s: float | None = None
    accuracy: Mapping[StepKind, Mapping[Measured, Accuracy]] = field(default_factory=dict)

    def charging_a(self, kind: StepKind) -> Decimal | None:
        """Most current (A) that charges an object in a DC kind of step."""
        return self.insulation_current_a if kind is StepKind.INSULATION else self.dc_current_a
