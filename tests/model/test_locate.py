"""``on_failure: locate`` in a program file: needed together, within bounds, refused elsewhere."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.documents import build
from orchestrator.errors import Refused
from orchestrator.model.program import InsulationStep, Program, WithstandAcStep
from orchestrator.model.search import search_step

PAIR = {"resistance": {"at_least": "2 Mohm"}}
LOCATE = {"level": "500 V", "dwell": "1 s", "accept": PAIR}
STEP = {
    "name": "mains",
    "kind": "withstand_ac",
    "apply_to": ["line"],
    "against": ["earth"],
    "level": "1500 V",
    "frequency": "50 Hz",
    "dwell": "1 s",
    "accept": {"total_current": {"at_most": "5 mA"}},
    "unproved_contact": "not the subject here",
    "on_failure": "locate",
    "locate": LOCATE,
}


def step(**changes: Any) -> dict[str, Any]:
    return {key: value for key, value in {**STEP, **changes}.items() if value is not None}


def told(wrong: dict[str, Any]) -> str:
    with pytest.raises(Refused) as refused:
        build(WithstandAcStep, wrong)
    return str(refused.value)


def test_a_search_has_defaults_for_what_is_not_said() -> None:
    """12 exposures, 40 steps, nothing left open."""
    locate = build(WithstandAcStep, STEP).locate
    assert locate is not None
    assert (locate.exposures_at_most, locate.steps_at_most, locate.floating) == (12, 40, None)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"locate": None}, "on_failure: locate without the key locate"),
        ({"on_failure": None}, "the key locate without on_failure: locate"),
        ({"on_failure": "continue"}, "the key locate without on_failure: locate"),
        ({"locate": {**LOCATE, "level": "1501 V"}}, "above the step's 1.5 kV"),
        ({"locate": {**LOCATE, "exposures_at_most": "0"}}, "exposures_at_most"),
        ({"locate": {**LOCATE, "steps_at_most": "1001"}}, "steps_at_most"),
        ({"locate": {**LOCATE, "accept": {"total_current": {"at_most": "1 mA"}}}}, "accept"),
        ({"locate": {**LOCATE, "accept": {"resistance": {"at_most": "1 Mohm"}}}}, "at_least"),
        ({"locate": {**LOCATE, "floating": "no"}}, "floating"),
        ({"locate": {**LOCATE, "kind": "withstand_ac"}}, "kind"),
    ],
)
def test_what_cannot_be_searched_so_is_refused(changes: dict[str, Any], words: str) -> None:
    """With the key that is wrong."""
    assert words in told(step(**changes))


@pytest.mark.parametrize("kind", ["bonding", "continuity"])
def test_a_contact_step_cannot_be_searched(kind: str) -> None:
    """Its fault is an open or poor joint of its own points."""
    wrong = {
        "name": "bond",
        "kind": kind,
        "apply_to": ["a"],
        "against": ["b"],
        "level": "1 A",
        "dwell": "1 s",
        "accept": {"resistance": {"at_most": "1 ohm"}},
        "on_failure": "locate",
    }
    with pytest.raises(Refused, match="on_failure"):
        build(Program, {"name": "p", "revision": "1", "steps": [wrong]})


def test_a_search_step_is_insulation_at_the_settings_of_the_search() -> None:
    """Whatever kind of step failed."""
    locate = build(WithstandAcStep, STEP).locate
    assert locate is not None
    made = search_step(
        locate, name="search 1 of step 2", searched="step 2", apply_to=("a",), against=("b", "c")
    )
    assert isinstance(made, InsulationStep)
    assert (str(made.level), str(made.dwell), made.others) == ("500 V", "1 s", "open")
    assert made.accept.resistance is not None
    assert str(made.accept.resistance.at_least) == "2 Mohm"
    assert "step 2" in str(made.unproved_contact)
