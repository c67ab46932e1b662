"""Guard bands against JCGM 106:2012 (from memory, recomputed; reference G)."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.guard import (
    Rule,
    acceptance_limit,
    accepted,
    conformance_probability,
    global_risks,
    guard_for_risk,
    standard_uncertainty,
)
from orchestrator.model.words import Edge

D = Decimal


def test_the_example_of_jcgm_106() -> None:
    """JCGM 106:2012, 7.4 (memory + computed): −5.47 V, u 0.05 V, limit −5.40 V: Φ(1.40)."""
    assert conformance_probability(-5.47, 0.05, upper=-5.40) == pytest.approx(0.91924, abs=5e-6)


@pytest.mark.parametrize(
    ("probability", "z"),
    # JCGM 106:2012, 7.3, table 1 (memory + computed)
    [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)],
)
def test_table_1(probability: float, z: float) -> None:
    """Both ways: z for the risk, probability at that z."""
    assert guard_for_risk(1, 1 - probability) == pytest.approx(z, abs=0.006)
    assert conformance_probability(0, 1, upper=guard_for_risk(1, 1 - probability)) == (
        pytest.approx(probability)
    )


def test_lower_limit_of_100_megohm() -> None:
    """Reference G (computed): u 1.5 Mohm; 102.467 Mohm for 5 %, 103.0 Mohm with k = 2."""
    five = acceptance_limit(100.0, guard_for_risk(1.5, 0.05), Edge.AT_LEAST)
    assert five == pytest.approx(102.467, abs=5e-4)
    assert acceptance_limit(100.0, 2 * 1.5, Edge.AT_LEAST) == 103.0
    assert acceptance_limit(100.0, 3.0, Edge.AT_MOST) == 97.0


@pytest.mark.parametrize(
    ("factor", "risk"),
    # Reference G (computed; JCGM 106, 8.3): at the acceptance limit
    [(2.0, 0.02275), (1.645, 0.05), (0.0, 0.5)],
)
def test_risk_at_the_acceptance_limit(factor: float, risk: float) -> None:
    """What a guard band of so many u leaves."""
    at = acceptance_limit(100.0, factor * 1.5, Edge.AT_LEAST)
    assert 1 - conformance_probability(at, 1.5, lower=100.0) == pytest.approx(risk, abs=2e-5)


@pytest.mark.parametrize(
    ("guard", "customer", "maker"),
    # Reference G (computed; set-up like JCGM 106's resistors, from memory)
    [
        (0.00, 0.01894221, 0.03720780),
        (0.04, 0.00433407, 0.11465658),
        (0.08, 0.00046863, 0.24766964),
    ],
)
def test_global_risks(guard: float, customer: float, maker: float) -> None:
    """N(1500, 0.12²) ohm, ±0.2 ohm, u 0.04 ohm, to the digits of the reference."""
    risks = global_risks(1500, 0.12, 0.04, lower=1499.8, upper=1500.2, guard=guard)
    assert risks.nonconforming == pytest.approx(0.0955807, abs=5e-9)
    assert risks.wrong_pass == pytest.approx(customer, abs=6e-9)
    assert risks.wrong_fail == pytest.approx(maker, abs=6e-9)


@pytest.mark.parametrize(
    ("ratio", "wrong_pass", "wrong_fail"),
    # Reference G (computed): 95 % of units in tolerance, U = 2u a ratio below the tolerance
    [(2, 0.0133734, 0.0417753), (4, 0.00858266, 0.0155365), (10, 0.00406017, 0.00516246)],
)
def test_risks_by_test_uncertainty_ratio(
    ratio: float, wrong_pass: float, wrong_fail: float
) -> None:
    """No guard band."""
    risks = global_risks(0, 1 / 1.959964, 1 / ratio / 2, lower=-1, upper=1)
    assert risks.wrong_pass == pytest.approx(wrong_pass, rel=2e-6)
    assert risks.wrong_fail == pytest.approx(wrong_fail, rel=2e-6)


def test_simple_acceptance_leaves_the_limit() -> None:
    """And says that it does."""
    found = accepted(D(100), D(5), D(1), Edge.AT_LEAST, Rule.SIMPLE)
    assert (found.accepted, found.guard, found.rule) == (D(100), D(0), Rule.SIMPLE)


@given(
    limit=st.decimals("0.001", 1000, places=3),
    percent=st.decimals(0, 50, places=2),
    plus=st.decimals(0, "0.0005", places=5),
    edge=st.sampled_from(Edge),
)
def test_a_reading_at_the_acceptance_limit_conforms_whatever_its_stated_error(
    limit: Decimal, percent: Decimal, plus: Decimal, edge: Edge
) -> None:
    """At the acceptance limit A: A ± (percent of A + plus) just meets the specified limit."""
    found = accepted(limit, percent, plus, edge)
    error = found.accepted * percent / 100 + plus
    worst = found.accepted + error if edge is Edge.AT_MOST else found.accepted - error
    assert float(worst) == pytest.approx(float(limit))
    assert float(found.guard) == pytest.approx(float(error))


def test_what_the_tester_cannot_prove_is_refused() -> None:
    """An accuracy wider than the limit; an uncertainty that is none."""
    for wrong in (
        lambda: accepted(D(1), D(1), D(2), Edge.AT_MOST),
        lambda: accepted(D(1), D(100), D(0), Edge.AT_LEAST),
        lambda: accepted(D(1), D(-1), D(0), Edge.AT_LEAST),
        lambda: acceptance_limit(1, -1, Edge.AT_MOST),
        lambda: guard_for_risk(1, 0),
        lambda: guard_for_risk(1, 0.6),
        lambda: conformance_probability(0, 0, upper=1),
        lambda: conformance_probability(0, 1, lower=2, upper=1),
        lambda: global_risks(0, 1, 0, lower=-1, upper=1),
        lambda: global_risks(0, 1, 1, lower=-1, upper=1, guard=2),
        lambda: standard_uncertainty(1, -1, 0),
    ):
        with pytest.raises(ValueError, match=r".+"):
            wrong()


def test_stated_bounds_become_a_standard_uncertainty() -> None:
    """a/√3 (JCGM 100:2008, 4.3.7, from memory): 2 % of 100 + 1 are ±3, u = 1.7320508."""
    assert standard_uncertainty(100, 2, 1) == pytest.approx(3**0.5)
