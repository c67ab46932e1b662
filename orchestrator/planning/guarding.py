"""Guard bands while planning: whether a good unit passes a limit that is held more strictly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from orchestrator.formulas.guard import accepted, worst_reading
from orchestrator.model.abilities import Accuracy
from orchestrator.model.amounts import measured
from orchestrator.model.demands import Demands
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.settled import SLACK
from orchestrator.planning.tester import TesterLimits


@dataclass(frozen=True, slots=True)
class Guard:
    """The decision rule of one kind of step. ``stated``: None where limits hold as specified."""

    stated: Mapping[Measured, Accuracy] | None

    def passes(self, quantity: Measured, edge: Edge, specified: float, good: float) -> bool:
        """Whether a good unit of a true value is accepted, whatever the tester errs by.

        Simple acceptance: whether its true value keeps the limit.
        """
        at_most = edge is Edge.AT_MOST
        limit, reading = specified, good
        stated = None if self.stated is None else self.stated.get(quantity)
        if stated is not None:
            held = self._accepted(stated, edge, specified)
            if held is None:
                return False
            percent, plus = float(stated.percent), float(stated.plus)
            limit, reading = held, worst_reading(good, percent, plus, edge)
        return reading <= limit * (1 + SLACK) if at_most else reading >= limit * (1 - SLACK)

    @staticmethod
    def _accepted(stated: Accuracy, edge: Edge, specified: float) -> float | None:
        try:
            found = accepted(Decimal(repr(specified)), stated.percent, stated.plus, edge)
        except ValueError:
            return None
        return float(found.accepted)

    def told(self, quantity: Measured, edge: Edge, specified: Decimal) -> str:
        """'; accepted at most 4.853 mA (guarded, …)', '' where limits hold as specified."""
        stated = None if self.stated is None else self.stated.get(quantity)
        held = None if stated is None else self._accepted(stated, edge, float(specified))
        if stated is None or held is None:
            return ""
        word = "at most" if edge is Edge.AT_MOST else "at least"
        value = measured(quantity, Decimal(f"{held:.4g}"))
        of = f"±({stated.percent.normalize():f} % + {measured(quantity, stated.plus)})"
        return f"; accepted {word} {value}: guarded, g = U = {of} [JCGM 106, 8.3]"

    def loosest_lower(self, quantity: Measured, good: float) -> float:
        """The highest lower limit that a good unit of a true value keeps; not above 0: none."""
        stated = None if self.stated is None else self.stated.get(quantity)
        if stated is None:
            return good
        share, plus = float(stated.percent) / 100, float(stated.plus)
        reading = worst_reading(good, float(stated.percent), plus, Edge.AT_LEAST)
        return reading * (1 - share) - plus


def guard_of(demands: Demands, tester: TesterLimits, kind: StepKind) -> Guard:
    """The product's rule with a tester's accuracy; without a tester nothing is known of it."""
    return Guard(tester.accuracy.get(kind, {}) if demands.decision_rule == "guarded" else None)
