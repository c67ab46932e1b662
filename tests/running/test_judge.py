"""The verdict on one step: a pass must be proved, and what can't be told is no verdict."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as Dec

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.model.abilities import Abilities, Accuracy, KindAbility, Span, TerminalUse
from orchestrator.model.record import Reading, TesterReading
from orchestrator.model.schedule import BoundStep, LimitOrder, Route, StepOrder
from orchestrator.model.words import (
    DischargeGrade,
    Edge,
    Evidence,
    Measured,
    Outcome,
    StepKind,
    Waveform,
)
from orchestrator.running.judge import Facts, judge, kept

KIND = KindAbility(
    kind=StepKind.WITHSTAND_AC,
    level=Span(Dec(100), Dec(5000), Dec(1)),
    waveforms=frozenset({Waveform.AC}),
    terminals=TerminalUse("output", "return"),
    dwell=Span(Dec("0.3"), Dec(999), Dec("0.1")),
    rise=Span(Dec("0.1"), Dec(999), Dec("0.1")),
    accuracy={Measured.VOLTAGE: Accuracy(Dec(1), Dec(5))},
)
ABILITIES = Abilities(
    name="test tester",
    kinds={StepKind.WITHSTAND_AC: KIND},
    terminals={},
    slots=1,
    routes_itself=False,
    freshness=frozenset({Evidence.COUNTER}),
    setup_check="both",
    discharge=DischargeGrade.VOLTAGE,
    off_proof="state",
    has_interlock_query=True,
    latches_interlock=False,
    needs_arming=False,
    reports_dwell=True,
)
LIMITS = (
    LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_LEAST, Dec("0.0001")),
    LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Dec("0.005")),
)
ORDER = StepOrder(
    StepKind.WITHSTAND_AC, Dec(1500), Waveform.AC, dwell=Dec(2), rise=Dec(1), limits=LIMITS
)
STEP = BoundStep(
    index=0, name="mains to frame", kind=StepKind.WITHSTAND_AC, tester="t1", asked=ORDER,
    order=ORDER, route=Route(), apply_to=("L",), against=("PE",), others=(), hazardous=True,
    on_failure="stop", leans_on=(), unproved_contact=None, predicted_s=3, deadline_s=6,
)  # fmt: skip
GOOD = TesterReading(
    "pass",
    {
        Measured.TOTAL_CURRENT: Reading(Dec("0.0007")),
        Measured.VOLTAGE: Reading(Dec(1499)),
        Measured.TIME: Reading(Dec(2)),
    },
    frozenset({Evidence.COUNTER}),
)
PROVED = Facts(
    setup_proved=True, route_proved=True, fresh=True, interlock_closed=True, complete=True,
    elapsed_s=3.05,
)  # fmt: skip


def reading(verdict: str | None = "pass", cause: str = "", **values: Reading) -> TesterReading:
    changed = {**GOOD.values, **{Measured(name): value for name, value in values.items()}}
    return replace(GOOD, verdict=verdict, values=changed, cause=cause)  # type: ignore[arg-type]


def outcome(result: TesterReading, facts: Facts = PROVED) -> Outcome:
    return judge(STEP, result, facts, ABILITIES).outcome


def test_a_step_with_every_proof_passes() -> None:
    """All of rule 4 of the design given: pass, without a reason."""
    assert judge(STEP, GOOD, PROVED, ABILITIES).outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("missing", "rule"),
    [
        ("setup_proved", "setup_check"),
        ("route_proved", "relay_position"),
        ("fresh", "freshness"),
        ("interlock_closed", None),
        ("complete", None),
    ],
)
def test_a_missing_proof_is_no_verdict_unless_its_named_exemption_stands(
    missing: str, rule: str | None
) -> None:
    """Each piece of proof counts by itself; interlock and completion can't be excused."""
    facts = replace(PROVED, **{missing: False})  # type: ignore[arg-type]
    assert outcome(GOOD, facts) is Outcome.NO_VERDICT
    excused = (
        frozenset({rule})
        if rule
        else frozenset(
            {"setup_check", "relay_position", "freshness", "elapsed_time", "level_reading"}
        )
    )
    wanted = Outcome.PASS if rule else Outcome.NO_VERDICT
    assert outcome(GOOD, replace(facts, exempt=excused)) is wanted


@pytest.mark.parametrize(
    "result",
    [
        reading(voltage=Reading(Dec(1400))),
        reading(voltage=Reading(None, "none")),
        reading(voltage=Reading(Dec(1500), "below")),
        reading(time=Reading(Dec("1.8"))),
        reading(time=Reading(None, "none")),
        reading(total_current=Reading(None, "none")),
        reading(total_current=Reading(None, "above")),
        reading(total_current=Reading(Dec("0.001"), "above")),
        reading(verdict=None, cause="stopped"),
    ],
    ids=[
        "level too low", "no level", "level only bounded", "dwell short", "no dwell",
        "no current", "over-range without a bound", "a bound inside the limit", "no tester verdict",
    ],
)  # fmt: skip
def test_what_the_figures_do_not_prove_is_no_verdict(result: TesterReading) -> None:
    """Level, dwell and limits must be shown by values; a bound or a gap shows nothing."""
    assert outcome(result) is Outcome.NO_VERDICT


def test_a_reading_below_what_the_empty_fixture_has_is_no_verdict() -> None:
    """Then what is taken out of it can't be true, and the limits moved by it hold for nothing."""
    least = LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_LEAST, Dec("0.001"))
    step = replace(STEP, taken_out=True, plausible=(least,))
    judged = judge(step, GOOD, PROVED, ABILITIES)
    assert judged.outcome is Outcome.NO_VERDICT
    assert "measure the empty fixture again" in judged.reason
    believed = replace(step, plausible=(replace(least, value=Dec("0.0006")),))
    assert judge(believed, GOOD, PROVED, ABILITIES).outcome is Outcome.PASS


def test_a_dwell_that_our_clock_did_not_see_is_no_verdict() -> None:
    """The tester says 2 s, but start and end lie 1 s apart here."""
    assert outcome(GOOD, replace(PROVED, elapsed_s=1.0)) is Outcome.NO_VERDICT


def test_a_broken_limit_that_both_see_is_a_fail() -> None:
    """A fail needs no full level or dwell."""
    result = reading("fail", "H", total_current=Reading(Dec("0.0062")), time=Reading(Dec("0.2")))
    facts = replace(PROVED, complete=False, elapsed_s=0.3)
    assert outcome(result, facts) is Outcome.FAIL


def test_a_breakdown_is_a_fail_whatever_the_reading_shows() -> None:
    """After a breakdown the reading may look fine."""
    assert outcome(reading("breakdown", "B")) is Outcome.FAIL


@pytest.mark.parametrize(
    "result",
    [
        reading("pass", total_current=Reading(Dec("0.0062"))),
        reading("fail", "H"),
    ],
    ids=["pass with a broken limit", "fail with all limits kept"],
)
def test_verdict_and_reading_that_disagree_are_no_verdict(result: TesterReading) -> None:
    """Neither the tester's word nor its figure alone is believed."""
    assert outcome(result) is Outcome.NO_VERDICT


def test_a_trip_whose_reading_only_reaches_the_limit_is_a_fail() -> None:
    """The level rose through the limit and the tester stopped there: it reads no more than that, to
    its resolution and accuracy. Far from the limit the two disagree."""
    kind = replace(
        KIND,
        accuracy={**KIND.accuracy, Measured.TOTAL_CURRENT: Accuracy(Dec(1), Dec("0.00001"))},
    )
    abilities = replace(ABILITIES, kinds={StepKind.WITHSTAND_AC: kind})
    at = replace(
        GOOD, verdict="fail", values={**GOOD.values, Measured.TOTAL_CURRENT: Reading(Dec("0.005"))}
    )
    assert judge(STEP, at, PROVED, abilities).outcome is Outcome.FAIL
    assert "limit reached" in judge(STEP, at, PROVED, abilities).reason
    far = replace(at, values={**GOOD.values, Measured.TOTAL_CURRENT: Reading(Dec("0.0045"))})
    assert judge(STEP, far, PROVED, abilities).outcome is Outcome.NO_VERDICT


def test_a_unit_that_takes_all_that_the_tester_gives_fails_if_its_reading_breaks_a_limit() -> None:
    """A short: the level isn't reached and the current is above its limit. Otherwise, or where the
    step didn't run to its end, nothing is proved."""
    much = {**GOOD.values, Measured.TOTAL_CURRENT: Reading(Dec("0.03"))}
    short = replace(GOOD, verdict="overloaded", values=much)
    judged = judge(STEP, short, PROVED, ABILITIES)
    assert judged.outcome is Outcome.FAIL
    assert "takes all that the tester gives" in judged.reason
    ended = replace(PROVED, complete=False)
    assert judge(STEP, short, ended, ABILITIES).outcome is Outcome.NO_VERDICT
    within = replace(GOOD, verdict="overloaded")
    assert judge(STEP, within, PROVED, ABILITIES).outcome is Outcome.NO_VERDICT


def test_a_fail_without_its_basis_is_no_verdict() -> None:
    """A stale failing result must not fail this unit."""
    result = reading("fail", "H", total_current=Reading(Dec("0.0062")))
    assert outcome(result, replace(PROVED, fresh=False)) is Outcome.NO_VERDICT


def test_an_over_range_bonding_reading_never_keeps_an_upper_limit() -> None:
    """An open lead reads 'above 2 ohm': broken where the limit is below, unknown elsewhere."""
    limit = LimitOrder(Measured.RESISTANCE, Edge.AT_MOST, Dec("0.1"))
    assert kept(limit, Reading(Dec(2), "above")) == "broken"
    assert kept(limit, Reading(None, "above")) == "unknown"


def test_an_insulation_limit_above_the_ranges_end_is_not_kept_by_over_range() -> None:
    """'Above 5 Gohm' does not prove 'at least 9 Gohm'."""
    low = LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, Dec("2e6"))
    high = LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, Dec("9e9"))
    assert kept(low, Reading(Dec("5e9"), "above")) == "kept"
    assert kept(high, Reading(Dec("5e9"), "above")) == "unknown"


@given(
    limit=st.decimals("0.001", "1000", places=3),
    bound_at=st.decimals("0.001", "1000", places=3),
    true_value=st.decimals("0.001", "1000", places=3),
    edge=st.sampled_from(list(Edge)),
    bound=st.sampled_from(["above", "below"]),
)
def test_a_bound_never_tells_more_than_every_value_it_allows(
    limit: Dec, bound_at: Dec, true_value: Dec, edge: Edge, bound: str
) -> None:
    """Whatever true value a bound allows, the exact judgement of it never contradicts."""
    allowed = true_value > bound_at if bound == "above" else true_value < bound_at
    order = LimitOrder(Measured.RESISTANCE, edge, limit)
    said = kept(order, Reading(bound_at, bound))  # type: ignore[arg-type]
    if allowed and said != "unknown":
        assert said == kept(order, Reading(true_value))
