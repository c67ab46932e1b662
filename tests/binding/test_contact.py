"""Contact proof: insulation and withstand pass by an open lead, so contact must be shown."""

from __future__ import annotations

from typing import Any

import pytest

from tests.binding.helpers import BOND, CONTACT, HIPOT, INSULATE, Bench, Data, changed

TO_NEUTRAL = changed(CONTACT, name="contact n", apply_to=["neutral"])
LOWER: Data = {"total_current": {"at_least": "0.1 mA", "at_most": "5 mA"}}
IN_PHASE: Data = {"in_phase_current": {"at_least": "0.1 mA", "at_most": "5 mA"}}
RESISTANCE: Data = {"resistance": {"at_least": "10 Mohm"}}
ALONE: dict[str, Any] = {"prove_contact": None}


def bench(*steps: Data) -> Bench:
    return Bench().steps(BOND, CONTACT, TO_NEUTRAL, *steps)


# Each row: issue part 3, 'Contact proof'.
HOLDS: dict[str, Data] = {
    "one step touches both": HIPOT,
    "two steps touch all between them": changed(
        HIPOT, apply_to=["live", "neutral"], prove_contact=["contact", "contact n"]
    ),
    "a bonding step counts": changed(HIPOT, apply_to=["cover"], prove_contact=["bond cover"]),
    "lower limit, one point a side": changed(HIPOT, accept=LOWER, **ALONE),
    "in-phase lower limit": changed(HIPOT, accept=IN_PHASE, **ALONE),
    "a reason": changed(HIPOT, unproved_contact="probe is watched by eye", **ALONE),
}


@pytest.mark.parametrize("case", HOLDS)
def test_contact_counts_as_proved_by(case: str) -> None:
    """By earlier steps that touch every point, by a lower limit on current, or by a reason."""
    assert bench(HOLDS[case]).bind().steps


REFUSED: dict[str, tuple[Data, str]] = {
    "nothing": (changed(HIPOT, **ALONE), "contact proof, found none"),
    "a point left out": (
        changed(HIPOT, apply_to=["live", "neutral"]),
        "'neutral' touched by none of them",
    ),
    "others left out": (
        changed(HIPOT, others="against"),
        "'cover', 'neutral', 'aux' touched by none",
    ),
    "several points behind a lower limit": (
        changed(HIPOT, apply_to=["live", "neutral"], accept=LOWER, **ALONE),
        "only a lower limit that one open lead wouldn't break",
    ),
    "several points on the return side": (
        changed(HIPOT, against=["earth", "neutral"], accept=LOWER, **ALONE),
        "only a lower limit",
    ),
    "others behind a lower limit": (
        changed(HIPOT, others="against", accept=LOWER, **ALONE),
        "only a lower limit",
    ),
    "a lower limit on resistance": (changed(INSULATE, **ALONE), "only a lower limit"),
    "an upper limit": (changed(HIPOT, **ALONE), "contact proof, found none"),
    "an unknown step": (changed(HIPOT, prove_contact=["contatc"]), "no step named 'contatc'"),
    "itself": (changed(HIPOT, prove_contact=["mains to earth"]), "the step itself"),
    "a withstand step": (
        changed(HIPOT, name="second", prove_contact=["first", "contact"]),
        "a step of kind withstand_ac",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_contact_is_not_proved_by(case: str) -> None:
    """What an open lead would pass unseen proves nothing."""
    step, part = REFUSED[case]
    found = bench(changed(HIPOT, name="first"), step).faults()
    assert part in "\n".join(map(str, found))


def test_a_step_that_comes_later_proves_nothing() -> None:
    """It must have passed before."""
    late = changed(CONTACT, name="late")
    faults = Bench().steps(BOND, changed(HIPOT, prove_contact=["late"]), late).faults()
    assert "'late', which comes later" in "\n".join(map(str, faults))


def test_the_fixtures_own_current_must_not_reach_the_lower_limit() -> None:
    """An empty fixture that draws the limit shows no open lead."""
    step = changed(HIPOT, accept=LOWER, **ALONE)
    for current, holds in (("0.09 mA", True), ("0.1 mA", False), ("0.2 mA", False)):
        tried = bench(step)
        offset = {"between": ["earth", "live"], "current": current, "measured": "2026-01-05"}
        tried.fixture["offsets"] = [offset]
        if holds:
            assert tried.bind().steps
        else:
            assert "only a lower limit" in str(tried.only_fault())


def test_the_reason_goes_into_the_schedule() -> None:
    """The record carries why contact is unproved."""
    step = bench(HOLDS["a reason"]).bind().steps[-1]
    assert step.unproved_contact == "probe is watched by eye"


def test_proof_through_points_side_by_side_is_noticed() -> None:
    """It touches every point, yet one open lead among them wouldn't show."""
    both = changed(CONTACT, name="both", apply_to=["live", "neutral"])
    step = changed(HIPOT, prove_contact=["both"])
    notices = bench(both, step).bind().notices
    assert any("'both' has 2 points side by side" in notice for notice in notices)


def test_proof_through_another_lead_is_noticed() -> None:
    """Bonding runs through the high-current lead; the high-voltage lead may still be open."""
    notices = bench(HOLDS["a bonding step counts"]).bind().notices
    assert any("contact of 'cover', 'earth' is proved through another lead" in n for n in notices)
