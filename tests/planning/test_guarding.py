"""Plans with guard bands: what a tester's accuracy leaves of a group's limit, and the program."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.coverage.cover import cover
from orchestrator.documents import parse_document
from orchestrator.errors import Refused
from orchestrator.formulas.guard import accepted, worst_reading
from orchestrator.model.abilities import Accuracy
from orchestrator.model.demands import Demands
from orchestrator.model.program import Program
from orchestrator.model.resolve import read_demands
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.plan import PlannedStep
from orchestrator.planning.planner import plan
from orchestrator.planning.tester import TesterLimits
from orchestrator.planning.writing import program_text

D = Decimal
PRODUCT = """\
name: two rails (invented)
revision: "1"
nets: {a: a, b: b, c: c}
capacitances: [{among: [a, b, c], value: 10 nF, tolerance_percent: 10, counts: each_pair}]
demands:
  - {name: withstand, kind: withstand_ac, among: [a, b, c], level: 1 kV, frequency: 50 Hz,
     dwell: 1 s, accept: {total_current: {at_most: LIMIT}}}
decision_rule: RULE
allow:
  unproved_contact: [{points: [a, b, c], reason: not what is shown here}]
"""


def demands_of(tmp_path: Path, limit: str, rule: str = "guarded") -> Demands:
    file = tmp_path / "product.yaml"
    file.write_text(PRODUCT.replace("LIMIT", limit).replace("RULE", rule), encoding="utf-8")
    return read_demands(file)


def accurate(percent: str, plus: str) -> TesterLimits:
    stated = {Measured.TOTAL_CURRENT: Accuracy(D(percent), D(plus))}
    return TesterLimits(accuracy={StepKind.WITHSTAND_AC: stated})


def upper(step: PlannedStep) -> Decimal:
    (limit,) = [x for x in step.limits if x.edge is Edge.AT_MOST]
    return limit.value


def test_a_good_group_passes_though_the_tester_errs_as_far_as_it_states(tmp_path: Path) -> None:
    """Two pairs of 11 nF at 1030 V, 50 Hz draw 7.119 mA (2πfCU): 8 mA leave room for 2 % + 50 uA
    both ways, and the figures say what is accepted beside what is specified."""
    demands = demands_of(tmp_path, "8 mA")
    made = plan(demands, accurate("2", "0.00005"))
    for step in made.steps:
        limit = upper(step)
        held = accepted(limit, D(2), D("0.00005"), Edge.AT_MOST).accepted
        most = 2 * 3.141592653589793 * 50 * 22e-9 * float(step.ceiling)
        assert worst_reading(most, 2, 0.00005, Edge.AT_MOST) <= float(held)
        assert any("accepted at most" in r and "JCGM 106, 8.3" in r for r in step.reasons)


def test_what_fits_as_specified_may_not_fit_with_the_guard_band(tmp_path: Path) -> None:
    """7.4 mA hold 7.119 mA of good unit as specified; held 2 % + 50 uA more strictly the group's
    limit rises to what still reveals one pair, and beyond that nothing fits."""
    as_specified = plan(demands_of(tmp_path, "7.4 mA", "simple"))
    assert {upper(step) for step in as_specified.steps} == {D("0.0074")}
    guarded = plan(demands_of(tmp_path, "7.4 mA"), accurate("2", "0.00005"))
    assert all(upper(step) > D("0.0074") for step in guarded.steps)
    with pytest.raises(Refused, match="a good unit may have"):
        plan(demands_of(tmp_path, "3.5 mA"), accurate("10", "0.0005"))


def test_the_program_says_by_which_rule_its_limits_are_held(tmp_path: Path) -> None:
    """And a program of simple acceptance doesn't cover what is demanded guarded."""
    demands = demands_of(tmp_path, "8 mA")
    text = program_text(plan(demands), demands)
    assert text.count("decision_rule: guarded") == 2
    assert cover(demands, parse_document(text, "p.yaml", Program)).complete
    looser = text.replace("decision_rule: guarded", "decision_rule: simple")
    loose = parse_document(looser, "p.yaml", Program)
    judged = cover(demands, loose)
    assert not judged.complete
    assert any("guarded is demanded" in near for pairs in judged.pairs for near in pairs.near)


def test_kinds_whose_fixture_is_taken_out_say_so(tmp_path: Path) -> None:
    """Only those."""
    demands = replace(demands_of(tmp_path, "8 mA"), take_out=frozenset({StepKind.WITHSTAND_AC}))
    assert program_text(plan(demands), demands).count("take_out: yes") == 2
    none = replace(demands, take_out=frozenset({StepKind.BONDING}))
    assert "take_out" not in program_text(plan(none), none)


@given(
    true=st.floats(0, 10),
    percent=st.floats(0, 30),
    plus=st.floats(0, 1),
    error=st.floats(-1, 1),
)
def test_no_reading_lies_beyond_the_worst_one(
    true: float, percent: float, plus: float, error: float
) -> None:
    """y = x + e(p·y + plus) for any e from -1 to 1."""
    reading = max(0.0, (true + error * plus) / (1 - error * percent / 100))
    low = worst_reading(true, percent, plus, Edge.AT_LEAST)
    high = worst_reading(true, percent, plus, Edge.AT_MOST)
    assert low * (1 - 1e-9) <= reading <= high * (1 + 1e-9) + 1e-12
