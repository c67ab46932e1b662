"""Small products against a nodal solver: random ones, and ones that are hard by construction."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from functools import cache
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.documents import parse_document
from orchestrator.errors import Refused
from orchestrator.model.demands import Declared, Demands, Floating, PairDemand
from orchestrator.model.product import Product
from orchestrator.model.resolve import resolve
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.plan import Plan
from orchestrator.planning.planner import plan
from tests.planning.nodal import admittance, hard_unit, passes
from tests.planning.products import (
    AT,
    amps_total,
    demand,
    each,
    grouping,
    never,
    ohms,
    product,
)
from tests.planning.test_detection import demanded, failing_though_sound, hidden, unnoticed

AC, DC, IR = StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC, StepKind.INSULATION
MAY = Floating(None, None, "stands the level", AT)
SEEDS = 160


def everywhere(nets: int) -> tuple[list[Declared], list[Declared]]:
    """Next to nothing, declared of every pair: of what isn't declared a lead can't be proved."""
    singles = [[net] for net in range(nets)]
    return [each(1e-14, *singles)], [each(1e12, *singles)]


class _Draw:
    """A random product of 3 to 7 nets: values of each pair or of pairs together, ± 5 to 50 %."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.nets = list(range(self.rng.randint(3, 7)))

    def groups(self) -> list[list[int]]:
        order = self.rng.sample(self.nets, self.rng.randint(2, len(self.nets)))
        count = self.rng.randint(2, len(order))
        return [order[place::count] for place in range(count)]

    def demand(self, name: str) -> PairDemand:
        rng, kind = self.rng, self.rng.choice([AC, DC, IR])
        level = rng.choice([500, 1000])
        if kind is IR:
            limits = ohms(str(rng.choice([1, 5, 10]) * 10**6))
        elif kind is DC:
            limits = amps_total(rng.choice(["0.0005", "0.001"]))
        else:
            limits = amps_total(rng.choice(["0.002", "0.005"]))
            if rng.random() < 0.4:
                active = LimitOrder(Measured.IN_PHASE_CURRENT, Edge.AT_MOST, Decimal("0.001"))
                limits = (*limits, active)
        ceiling = level * Decimal("1.03")
        return demand(grouping(*self.groups()), level, kind, limits, ceiling, name)

    def declared(self, values: Sequence[float]) -> list[Declared]:
        rng = self.rng
        return [
            replace(
                each(rng.choice(values), *self.groups(), tolerance=rng.choice([0.05, 0.2, 0.5])),
                each_pair=rng.random() < 0.6,
            )
            for _ in range(rng.randint(0, 3))
        ]

    def product(self) -> Demands:
        wanted = [self.demand(f"d{place}") for place in range(self.rng.randint(1, 3))]
        forbidden = [p for p in combinations(self.nets, 2) if self.rng.random() < 0.08]
        farad, ohm = everywhere(len(self.nets)) if self.rng.random() < 0.6 else ([], [])
        return product(
            len(self.nets),
            wanted,
            capacitances=[*self.declared([1e-10, 1e-9, 3e-9]), *farad],
            insulations=[*self.declared([2e7, 1e8, 1e9]), *ohm],
            ceilings=never(*forbidden),
        )


def plan_of(demands: Demands) -> Plan | None:
    """Its plan, or None where the planner says that there is none: that is honest."""
    try:
        return plan(demands)
    except Refused:
        return None


@cache
def drawn() -> tuple[tuple[int, Demands, Plan], ...]:
    """Random products that can be planned, with their seeds."""
    made = [(seed, one, plan_of(one)) for seed in range(SEEDS) for one in [_Draw(seed).product()]]
    return tuple((seed, one, found) for seed, one, found in made if found is not None)


# ---- random products ----------------------------------------------------------------------------


@pytest.mark.slow
def test_good_units_of_random_products_pass_at_all_ends_of_their_tolerances() -> None:
    """At the level and at the ceiling; at least a third of the products can be planned."""
    assert len(drawn()) > SEEDS / 3
    for seed, demands, made in drawn():
        assert failing_though_sound(demands, made.steps) == [], seed


@pytest.mark.slow
def test_every_pair_of_random_products_shows_beyond_its_limit() -> None:
    """Whatever else is declared, and wherever what pairs have together may lie."""
    count = 0
    for seed, demands, made in drawn():
        for one, pair in demanded(demands):
            count += 1
            assert not hidden(demands, made.steps, one, pair), (seed, one.name, pair)
    assert count > 300


@pytest.mark.slow
def test_leads_of_random_products_show_where_the_plan_says_so() -> None:
    """Lower limits on AC; some products have them."""
    assert any(proof.how == "lower_limit" for _, _, made in drawn() for proof in made.contacts)
    found = {seed: unnoticed(demands, made) for seed, demands, made in drawn()}
    assert {seed: points for seed, points in found.items() if points} == {}


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(SEEDS, 2**32))
def test_a_product_never_seen_before_hides_no_pair_and_fails_no_good_unit(seed: int) -> None:
    """The same for other seeds each time."""
    demands = _Draw(seed).product()
    made = plan_of(demands)
    if made is not None:
        assert failing_though_sound(demands, made.steps) == []
        assert not any(hidden(demands, made.steps, *one) for one in demanded(demands))


# ---- hard by construction -----------------------------------------------------------------------


def test_a_lead_is_not_proved_by_a_current_that_finds_another_way() -> None:
    """Net 0 has 100 Mohm to net 2 and 2 nF to net 1. With its lead off, the current of the 100 Mohm
    goes on through the 2 nF (1.6 Mohm at 50 Hz): 8.332 uA in place of 8.333. The way round is a
    resistance in a row with a capacitance."""
    one = demand(grouping([0], [2]), 1000, AC, amps_total("0.002"), Decimal(1030))
    farad, ohm = everywhere(3)
    demands = product(
        3,
        [one],
        capacitances=[each(2e-9, [0], [1], tolerance=0.05), *farad],
        insulations=[each(1e8, [0], [2], tolerance=0.2), *ohm],
        unproved=False,
    )
    assert unnoticed(demands, plan(demands, keep_gaps=True)) == []


def _around(ohm_around: float) -> Demands:
    """0 against 1. Nothing is demanded of net 2, so it may be opposed to neither and is left open:
    a way round goes through it."""
    return product(
        3,
        [demand(grouping([0], [1]), 500, limits=ohms("10000000"))],
        undeclared=None,
        floating={2: MAY},
        insulations=[
            each(5e7, [0], [1], tolerance=0.1),
            each(ohm_around, [0, 1], [2], tolerance=0.1),
        ],
    )


def test_the_way_through_a_net_that_is_left_open_is_part_of_a_good_unit() -> None:
    """50 Mohm between 0 and 1, and 2 + 2 Mohm by way of net 2: some 3.7 Mohm, below the limit of
    10 Mohm. Either it is planned so that a good unit passes, or refused."""
    wide = plan_of(_around(1e9))
    assert wide is not None
    assert wide.steps[0].open_nets == (2,)
    assert failing_though_sound(_around(1e9), wide.steps) == []
    made = plan_of(_around(2e6))
    assert made is None or failing_though_sound(_around(2e6), made.steps) == []


def test_a_lead_is_not_proved_by_a_current_through_a_net_that_is_left_open() -> None:
    """Nothing is demanded of net 3, which is left open: with the lead of 0 off, what it draws
    against 2 comes from 1 by way of 3, through 20 nF twice."""
    one = demand(grouping([0, 1], [2]), 1000, AC, amps_total("0.005"))
    farad, ohm = everywhere(4)
    demands = product(
        4,
        [one],
        capacitances=[each(1e-9, [0, 1], [2], tolerance=0.05), each(2e-8, [0, 1], [3]), *farad],
        insulations=ohm,
        undeclared=None,
        floating={3: MAY},
        unproved=False,
    )
    made = plan(demands, keep_gaps=True)
    assert [step.open_nets for step in made.steps] == [(3,)]
    assert unnoticed(demands, made) == []


@pytest.mark.parametrize(
    ("what", "low"),
    [
        ("loads: [{name: h, between: [a, b], accept: {at_least: 5 ohm}}]", ""),
        ("", "kind: continuity, level: 1 A, dwell: 1 s, accept: {resistance: {at_least: 1 mohm}}"),
    ],
    ids=["load", "net"],
)  # fmt: skip
def test_a_continuity_without_an_upper_limit_proves_no_lead(what: str, low: str) -> None:
    """An open lead reads more than any lower limit."""
    text = f"""name: x
revision: "1"
nets: {{a: [a1, a2], b: [b1, b2], c: [c1, c2]}}
{what}
demands:
  - {{name: i, kind: insulation, between: [[a, b], c], level: 500 V, dwell: 1 s,
     accept: {{resistance: {{at_least: 2 Mohm}}}}}}
  {low and f"- {{name: t, {low}}}"}
"""
    demands = resolve(parse_document(text, "x.yaml", Product))
    assert unnoticed(demands, plan(demands, keep_gaps=True)) == []


@pytest.mark.parametrize("kind", [AC, IR])
def test_a_pair_below_its_own_lower_limit_is_not_hidden_by_pairs_that_no_demand_names(
    kind: StepKind,
) -> None:
    """Only 0–1 is demanded, and 0–2 or 1–2 is opposed with it and has as much or more. Refused, or
    the step fails with 0–1 at half of its lower limit."""
    omega_v = 2 * math.pi * 50 * 1000
    if kind is AC:
        low = LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_LEAST, Decimal("0.0003"))
        strays = [each(1.5e-9, [0], [1], tolerance=0.2), each(5e-9, [0, 1], [2], tolerance=0.2)]
        one = demand(grouping([0], [1]), 1000, AC, (low, *amps_total("0.005")))
        demands, fault = product(3, [one], capacitances=strays), (0.0, 0.00015 / omega_v)
    else:
        high = LimitOrder(Measured.RESISTANCE, Edge.AT_MOST, Decimal(20_000_000))
        strays = [each(1e7, [0], [1], tolerance=0.2), each(1e7, [0, 1], [2], tolerance=0.2)]
        one = demand(grouping([0], [1]), 500, IR, (high, *ohms()))
        demands, fault = product(3, [one], insulations=strays), (1 / 40e6, 0.0)
    made = plan_of(demands)
    if made is not None:
        (step,) = made.steps
        unit = hard_unit(demands, step, "most", spare=(0, 1)).with_fault((0, 1), *fault)
        assert not passes(step, admittance(unit, step), at_ceiling=False)


def test_rounding_a_group_s_limit_fails_no_good_unit() -> None:
    """Two pairs of 3.33345 Mohm ± 20 %: together 1.33338 Mohm at least, and 1.33334 Mohm would
    still reveal one pair at 2 Mohm. Four digits, rounded up, are 1.334 Mohm: too strict."""
    strays = [each(3_333_450.0, [0], [1, 2], tolerance=0.2)]
    one = demand(grouping([0], [1, 2]), 500, limits=ohms("2000000"))
    demands = product(3, [one], insulations=strays)
    made = plan_of(demands)
    assert made is None or failing_though_sound(demands, made.steps) == []
