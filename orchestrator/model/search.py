"""A search step as an ordinary step of a program: what binding is given, before a run and in it."""

from __future__ import annotations

from orchestrator.model.program import (
    Accept,
    DecisionRule,
    InsulationStep,
    Locate,
    ResistanceLimit,
)
from orchestrator.model.words import StepKind


def search_step(
    locate: Locate,
    *,
    name: str,
    searched: str,
    apply_to: tuple[str, ...],
    against: tuple[str, ...],
    decision_rule: DecisionRule = "simple",
) -> InsulationStep:
    """An insulation step at the search's settings. ``searched``: the step that failed, in words."""
    return InsulationStep(
        kind=StepKind.INSULATION,
        name=name,
        apply_to=apply_to,
        against=against,
        accept=Accept(resistance=ResistanceLimit(at_least=locate.accept.resistance.at_least)),
        level=locate.level,
        rise=locate.rise,
        dwell=locate.dwell,
        capacitance=locate.capacitance,
        decision_rule=decision_rule,
        unproved_contact=f"a search step: contact is as proved as in {searched}, which it searches",
    )
