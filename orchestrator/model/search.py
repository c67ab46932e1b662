"""A search step as an ordinary step of a program: what binding is given, before a run and in it."""

from __future__ import annotations

from orchestrator.model.program import (
    Accept,
    DecisionRule,
    InsulationStep,
    Locate,
    ResistanceLimit,
)
from orchestrator.model.search_limits import search_limit
from orchestrator.model.words import StepKind
from orchestrator.quantities import Dimension, Quantity


def search_step(
    locate: Locate,
    *,
    name: str,
    searched: str,
    apply_to: tuple[str, ...],
    against: tuple[str, ...],
    decision_rule: DecisionRule = "simple",
) -> InsulationStep:
    """An insulation step at the search's settings, with the limit of its own two sides.

    ``searched``: the step that failed, in words.
    """
    limit = search_limit(locate, apply_to, against).at_least_ohm
    return InsulationStep(
        kind=StepKind.INSULATION,
        name=name,
        apply_to=apply_to,
        against=against,
        accept=Accept(resistance=ResistanceLimit(at_least=Quantity(limit, Dimension.RESISTANCE))),
        level=locate.level,
        level_ceiling=locate.level_ceiling,
        rise=locate.rise,
        dwell=locate.dwell,
        capacitance=locate.capacitance,
        decision_rule=decision_rule,
        unproved_contact=f"a search step: contact is as proved as in {searched}, which it searches",
    )
