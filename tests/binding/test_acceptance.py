"""Acceptance limits at binding: guard bands from the tester's accuracy, the fixture taken out."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.binding.explain import describe
from orchestrator.errors import Refused
from orchestrator.model.abilities import Abilities, Accuracy
from orchestrator.model.schedule import BoundStep
from orchestrator.model.words import Edge, Measured
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    INSULATE,
    KINDS,
    TESTER,
    Bench,
    Data,
    PaperTester,
    changed,
)

D = Decimal
FINE = D("0.0000000001")


def accurate(percent: str, plus: str) -> Abilities:
    """The paper tester with one stated accuracy for all that it reads."""
    stated = Accuracy(D(percent), D(plus))
    kinds = {
        kind: replace(ability, accuracy=dict.fromkeys(Measured, stated))
        for kind, ability in KINDS.items()
    }
    return replace(TESTER, kinds=kinds)


def bench(*steps: Data, percent: str = "2", plus: str = "0.00005") -> Bench:
    made = Bench().steps(*steps)
    made.testers["t1"] = PaperTester(accurate(percent, plus), limit_step=FINE)
    return made


def named(made: Bench, name: str) -> BoundStep:
    return next(step for step in made.bind().steps if step.name == name)


def limit(step: BoundStep, quantity: Measured, edge: Edge) -> Decimal:
    value = step.order.limit(quantity, edge)
    assert value is not None
    return value


# ---- guard bands --------------------------------------------------------------------------------


def test_the_acceptance_limit_stands_beside_the_specified_one() -> None:
    """JCGM 106:2012, 8.3 (from memory): A = T - g; here g = U = 2 % of A + 50 uA, A = 4.853 mA."""
    step = named(bench(BOND, CONTACT, changed(HIPOT, decision_rule="guarded")), "mains to earth")
    assert step.asked.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST) == D("0.005")
    held = limit(step, Measured.TOTAL_CURRENT, Edge.AT_MOST)
    assert held == pytest.approx(D("0.00495") / D("1.02"), rel=D("1e-6"))
    told = "Total current at most 5 mA specified, at most 4.852941 mA accepted: guarded acceptance"
    assert any(reason.startswith(told) and "JCGM 106, 8.3" in reason for reason in step.reasons)
    line = describe(bench(BOND, CONTACT, changed(HIPOT, decision_rule="guarded")).bind())[2]
    assert "total current at most 4.852941 mA (specified at most 5 mA)" in line


def test_without_a_rule_limits_hold_as_specified() -> None:
    """Simple acceptance, JCGM 106, 8.2."""
    step = named(bench(BOND, CONTACT, HIPOT), "mains to earth")
    assert step.order.limits == step.asked.limits
    assert step.decision_rule == "simple"


@given(
    percent=st.decimals(0, 20, places=2),
    plus=st.decimals(0, D("0.0004"), places=6),
    specified=st.decimals(D("0.001"), D("0.02"), places=4),
    error=st.floats(-1, 1),
    beyond=st.floats(1e-6, 0.5),
)
def test_no_error_that_the_tester_states_passes_a_current_beyond_its_limit(
    percent: Decimal, plus: Decimal, specified: Decimal, error: float, beyond: float
) -> None:
    """For any reading y of a true value x: |y - x| is at most percent of y plus the rest."""
    asked = changed(
        HIPOT,
        decision_rule="guarded",
        accept={"total_current": {"at_most": f"{specified * 1000} mA"}},
    )
    try:
        step = named(
            bench(BOND, CONTACT, asked, percent=str(percent), plus=str(plus)), asked["name"]
        )
    except Refused:
        return  # nothing of the limit is left, or it leaves the tester's range
    true = float(specified) * (1 + beyond)
    reading = (true + error * float(plus)) / (1 - error * float(percent) / 100)
    assert reading > float(limit(step, Measured.TOTAL_CURRENT, Edge.AT_MOST)) * (1 - 1e-9)


def test_a_tester_that_states_no_accuracy_makes_no_guard_band() -> None:
    """Refused, not passed over."""
    made = Bench().steps(BOND, CONTACT, changed(HIPOT, decision_rule="guarded"))
    (fault,) = made.faults()
    assert fault.what == "step 'mains to earth', decision_rule on t1"
    assert "no stated accuracy of total_current" in fault.found


def test_an_accuracy_that_leaves_nothing_of_a_limit_is_refused() -> None:
    """50 uA of doubt about a limit of 40 uA."""
    asked = changed(HIPOT, decision_rule="guarded", accept={"total_current": {"at_most": "40 uA"}})
    faults = bench(BOND, CONTACT, asked).faults()
    assert "leaves nothing of the limit" in faults[0].found


def test_a_search_is_judged_by_the_rule_of_the_step_that_it_searches() -> None:
    """Else a pair within the guard band would fail in the group and pass in the search."""
    asked = changed(
        INSULATE,
        decision_rule="guarded",
        on_failure="locate",
        locate={
            "level": "500 V", "dwell": "1 s", "accept": {"resistance": {"at_least": "10 Mohm"}},
        },
    )  # fmt: skip
    assert named(bench(BOND, CONTACT, asked, plus="1"), "insulation").decision_rule == "guarded"


# ---- taking the fixture out ---------------------------------------------------------------------

OFFSET: Data = {"between": ["cover", "earth"], "resistance": "20 mohm", "measured": "2026-11-02"}


def with_offsets(made: Bench, *offsets: Data) -> Bench:
    made.fixture["offsets"] = list(offsets)
    return made


def test_two_leads_of_ten_milliohms_raise_the_limit_of_the_reading() -> None:
    """Reference E1 (computed): 70 mohm read with 2 x 10 mohm of leads are 50 mohm."""
    asked = changed(BOND, take_out="yes", accept={"resistance": {"at_most": "50 mohm"}})
    step = named(with_offsets(bench(asked, CONTACT, plus="0.001"), OFFSET), "bond cover")
    assert limit(step, Measured.RESISTANCE, Edge.AT_MOST) == D("0.07")
    assert step.asked.limit(Measured.RESISTANCE, Edge.AT_MOST) == D("0.05")
    assert any("The empty fixture has 20 mohm on cover – earth" in r for r in step.reasons)
    (least,) = step.plausible
    assert least.edge is Edge.AT_LEAST
    assert D("0.015") < least.value < D("0.02")


def test_guarded_the_offset_counts_as_the_least_that_it_may_be() -> None:
    """Doubt of the offset and of the reading, both: the limit is lower than with either alone."""
    asked = changed(
        BOND, take_out="yes", decision_rule="guarded", accept={"resistance": {"at_most": "50 mohm"}}
    )
    step = named(with_offsets(bench(asked, CONTACT, plus="0.001"), OFFSET), "bond cover")
    least = (D("0.02") - D("0.001")) / D("1.02")
    expected = (D("0.05") + least - D("0.001")) / D("1.02")
    held = limit(step, Measured.RESISTANCE, Edge.AT_MOST)
    assert held == pytest.approx(expected, rel=D("1e-6"))


def test_a_fixture_current_raises_an_upper_limit_by_the_right_angle() -> None:
    """Phases unknown: 5 mA and 1 mA make at least sqrt(26) mA (Pythagoras), at most 6 mA."""
    drawn = {"between": ["live", "earth"], "current": "1 mA", "level": "1500 V",
             "frequency": "50 Hz", "measured": "2026-11-02"}  # fmt: skip
    bounds = {"total_current": {"at_least": "2 mA", "at_most": "5 mA"}}
    asked = changed(HIPOT, take_out="yes", accept=bounds)
    step = named(with_offsets(bench(BOND, CONTACT, asked), drawn), "mains to earth")
    upper = limit(step, Measured.TOTAL_CURRENT, Edge.AT_MOST)
    assert upper == pytest.approx(D(26).sqrt() / 1000, rel=D("1e-6"))
    assert limit(step, Measured.TOTAL_CURRENT, Edge.AT_LEAST) == D("0.003")


def test_insulation_of_the_fixture_lies_in_parallel() -> None:
    """50 Mohm of fixture (10 uA at 500 V) and 10 Mohm specified: 8.333 Mohm of reading."""
    drawn = {"between": ["live", "earth"], "current": "10 uA", "level": "500 V",
             "measured": "2026-11-02"}  # fmt: skip
    asked = changed(INSULATE, take_out="yes")
    step = named(with_offsets(bench(BOND, CONTACT, asked, plus="0"), drawn), "insulation")
    held = limit(step, Measured.RESISTANCE, Edge.AT_LEAST)
    assert held == pytest.approx(D(50_000_000) / 6, rel=D("1e-6"))
    assert [x.edge for x in step.plausible] == [Edge.AT_MOST]


@pytest.mark.parametrize(
    ("step", "offset", "found"),
    [
        (BOND, None, "no offset with a resistance between 'cover' and 'earth'"),
        (BOND, {**OFFSET, "between": ["live", "earth"]}, "no offset with a resistance"),
        (HIPOT, {**OFFSET, "between": ["live", "earth"]}, "no offset with a current measured at"),
        (
            HIPOT,
            {"between": ["live", "earth"], "current": "1 mA", "level": "1500 V",
             "measured": "2026-11-02"},
            "at 1.5 kV AC 50 Hz",
        ),
    ],
)  # fmt: skip
def test_what_the_fixture_does_not_say_cannot_be_taken_out(
    step: Data, offset: Data | None, found: str
) -> None:
    """Nor an offset of another path, level or frequency."""
    steps = [changed(s, take_out="yes") if s is step else s for s in (BOND, CONTACT, HIPOT)]
    made = bench(*steps, plus="0.0001")
    faults = with_offsets(made, *([offset] if offset else [])).faults()
    assert len(faults) == 1
    assert found in faults[0].found


@pytest.mark.parametrize(
    ("offset", "found"),
    [
        ({"resistance": "8 mohm", "level": "500 V"}, "level without current"),
        ({"current": "1 mA", "frequency": "50 Hz"}, "frequency without level"),
    ],
)
def test_level_and_frequency_belong_to_a_current(offset: Data, found: str) -> None:
    """They say how it was measured."""
    made = with_offsets(bench(BOND, CONTACT, HIPOT), {**OFFSET, **offset})
    with pytest.raises(Refused, match=found):
        made.bind()


@given(
    true=st.decimals(0, D("0.2"), places=4),
    offset=st.decimals(0, D("0.05"), places=4),
    offset_error=st.floats(-1, 1),
    error=st.floats(-1, 1),
)
def test_guarded_no_stated_error_of_offset_or_reading_passes_a_bad_bond(
    true: Decimal, offset: Decimal, offset_error: float, error: float
) -> None:
    """Bond and fixture in series, both read with the worst that the tester states."""
    percent, plus = 0.02, 0.001

    def read(value: float, err: float) -> float:
        return max(0.0, (value + err * plus) / (1 - err * percent))

    written = f"{read(float(offset), offset_error):.9f}"
    asked = changed(BOND, take_out="yes", decision_rule="guarded")
    made = bench(asked, CONTACT, plus=str(plus))
    step = named(with_offsets(made, {**OFFSET, "resistance": f"{written} ohm"}), "bond cover")
    reading = read(float(true + offset), error)
    accepted = reading <= float(limit(step, Measured.RESISTANCE, Edge.AT_MOST))
    assert not (accepted and true > D("0.1") * (1 + D("1e-6")))
    plausible = all(reading >= float(x.value) * (1 - 1e-6) for x in step.plausible)
    assert plausible  # an offset that is true is never called untrue
