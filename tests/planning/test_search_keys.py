"""The keys of ``locate`` that a planned step gets."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.documents import parse_document
from orchestrator.model.program import InsulationStep, Program
from orchestrator.model.resolve import read_demands
from orchestrator.planning.planner import plan
from orchestrator.planning.writing import program_text

PRODUCTS = Path(__file__).resolve().parents[2] / "examples" / "products"


def planned(name: str) -> Program:
    demands = read_demands(PRODUCTS / f"{name}.yaml")
    return parse_document(program_text(plan(demands), demands), "planned.yaml", Program).model


@pytest.mark.parametrize("name", ["larkfield", "tansy", "bramley"])
def test_a_group_is_searched_at_insulation_level_by_the_limit_of_one_pair(name: str) -> None:
    """Never above the step's own level; no net is left open for it."""
    searched = [step for step in planned(name).steps if step.on_failure == "locate"]
    assert searched
    for step in searched:
        assert step.locate is not None
        assert step.locate.level.value <= step.level.value
        assert step.locate.floating is None


def test_the_search_takes_the_pair_s_limit_and_not_the_group_s() -> None:
    """Tansy's wires must have 100 Mohm each pair; a group of 32 against 32 reads far less."""
    steps = [s for s in planned("tansy").steps if isinstance(s, InsulationStep)]
    limits = {str(step.locate.accept.resistance.at_least) for step in steps if step.locate}
    assert len(limits) == 1


def test_bonding_and_continuity_are_never_searched() -> None:
    """They test one contact each."""
    kinds = {s.kind.value for s in planned("larkfield").steps if s.on_failure == "locate"}
    assert kinds <= {"insulation", "withstand_ac", "withstand_dc"}
