"""Budgets: tests stay within them, are as few as brute force finds, and one bad pair shows."""

from __future__ import annotations

import math
import random
from decimal import Decimal
from itertools import combinations

import networkx as nx
import numpy as np
import pytest

from orchestrator.errors import Refused
from orchestrator.formulas.group_limits import (
    largest_total_a,
    revealing_sum,
    revealing_total_a,
)
from orchestrator.model.demands import Demands
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.least_cut import least_cut
from orchestrator.planning.limits import TesterLimits
from orchestrator.planning.narrow import narrow
from orchestrator.planning.plan import Plan, PlannedStep
from orchestrator.planning.planner import plan
from orchestrator.planning.word_counts import least_words
from tests.planning.products import amps_total, demand, each, grouping, never, ohms, product

AC, DC, IR = StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC, StepKind.INSULATION


def singles(nets: int) -> list[list[int]]:
    return [[net] for net in range(nets)]


def ac_product(nets: int, farad: float, limit: str = "0.005", tolerance: float = 0.0) -> Demands:
    one = demand(grouping(*singles(nets)), 500, AC, amps_total(limit))
    return product(nets, [one], capacitances=[each(farad, *singles(nets), tolerance=tolerance)])


def sizes(made: Plan) -> list[int]:
    return [min(len(step.apply_nets), len(step.against_nets)) for step in made.steps]


def limit_of(step: PlannedStep, quantity: Measured, edge: Edge) -> float:
    (found,) = (x.value for x in step.limits if (x.quantity, x.edge) == (quantity, edge))
    return float(found)


# ---- formulas -----------------------------------------------------------------------------------


def test_a_resistive_fault_adds_to_capacitive_currents_at_a_right_angle() -> None:
    """3 mA and 4 mA make 5 mA, not 7; DC currents add up."""
    assert revealing_total_a(3e-3, 4e-3) == pytest.approx(5e-3)
    assert revealing_sum(3e-3, 4e-3) == pytest.approx(7e-3)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_the_largest_group_is_where_the_limit_that_reveals_is_just_reached(share: float) -> None:
    """By putting it into the condition that it comes from."""
    total = largest_total_a(5e-3, share)
    assert revealing_total_a(5e-3, share * total) == pytest.approx(total)


# ---- fewest -------------------------------------------------------------------------------------


def test_a_tester_that_charges_little_gets_smaller_groups() -> None:
    """2πfCU of all opposed pairs stays within its reach: 663 pairs, so 13 nets against 51, and 64
    words with 124 ones need 10 tests (counted by hand)."""
    demands = ac_product(64, 40e-12, tolerance=0.2)
    reach = 0.005
    made = plan(demands, TesterLimits(total_current_a=amps_total(str(reach))[0].value))
    (count,) = made.counts
    assert (count.tests, count.least, count.unsplit) == (10, 10, 6)
    for step in made.steps:
        pairs = len(step.apply_nets) * len(step.against_nets)
        most_a = 2 * math.pi * 50 * pairs * 48e-12 * float(step.ceiling)
        assert most_a <= reach * 1.000001
    words = [tuple(net in step.apply_nets for step in made.steps) for net in range(64)]
    assert len(set(words)) == 64


@pytest.mark.slow
def test_with_budgets_tiny_products_take_as_few_tests_as_brute_force() -> None:
    """120 random products of up to 6 nets with weights of their own: number, or refusal."""
    rng = random.Random(41)
    refused = more = 0
    for _ in range(120):
        nets = rng.randint(3, 6)
        pairs = list(combinations(range(nets), 2))
        farad = {p: rng.choice([0.0, 1e-9, 3e-9, 5e-9]) for p in pairs}
        edges = [p for p in pairs if rng.random() < 0.7] or pairs[:1]
        reach_f = rng.choice([6e-9, 10e-9, 16e-9])
        reach_a = 2 * math.pi * 50 * 500 * reach_f
        one = [demand(grouping([a], [b]), 500, AC, amps_total("0.1"), name=f"{a}-{b}")
               for a, b in edges]  # fmt: skip
        strays = [each(value, [a], [b]) for (a, b), value in farad.items() if value]
        demands = product(nets, one, capacitances=strays)
        best = _brute(nets, edges, farad, reach_f * (1 + 1e-9))
        tester = TesterLimits(total_current_a=amps_total(repr(reach_a))[0].value)
        if best is None:
            refused += 1
            with pytest.raises(Refused, match="within the budgets"):
                plan(demands, tester)
            continue
        made = plan(demands, tester)
        (count,) = made.counts
        assert count.tests == best
        assert count.least <= best
        more += count.unsplit is not None and count.tests > count.unsplit
    assert refused > 10
    assert more > 10


def _brute(
    nets: int, edges: list[tuple[int, int]], farad: dict[tuple[int, int], float], reach_f: float
) -> int | None:
    covers = set()
    for code in range(1 << (nets - 1)):
        crossing = [p for p in farad if (code >> p[0] ^ code >> p[1]) & 1]
        if sum(farad[p] for p in crossing) <= reach_f:
            covers.add(sum(1 << i for i, e in enumerate(edges) if e in crossing))
    everything, reach, tests = (1 << len(edges)) - 1, {0}, 0
    while everything not in reach:
        further = {have | cover for have in reach for cover in covers}
        if further == reach:
            return None
        reach, tests = further, tests + 1
    return tests


@pytest.mark.parametrize(("units", "widest"), [(8, 2), (8, 3), (10, 2), (12, 3), (20, 4), (64, 16)])
def test_words_with_few_ones_reach_the_proved_bound(units: int, widest: int) -> None:
    """All pairs parted by sets of bounded size, in the number that counting ones proves."""
    need = ~np.eye(units, dtype=np.bool_)

    def small(sides: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> bool:
        return bool(min(sides.sum(), units - sides.sum()) <= widest)

    found = narrow(need, small, least_words(units, widest, 0))
    assert len(found.cuts) == least_words(units, widest, 0)
    words = {tuple(bool(cut[unit]) for cut in found.cuts) for unit in range(units)}
    assert len(words) == units


# ---- masking ------------------------------------------------------------------------------------


def test_one_pair_at_its_limit_reads_at_least_the_groups_limit() -> None:
    """Insulation: the bad pair's conductance with the least of all others reaches the limit, and
    a good unit with the most of all passes it."""
    nets = 40
    one = demand(grouping(*singles(nets)), 500, IR, ohms("10000000"))
    typical = each(1e9, *singles(nets), tolerance=0.2)
    made = plan(product(nets, [one], insulations=[typical]))
    for step in made.steps:
        pairs = len(step.apply_nets) * len(step.against_nets)
        limit = limit_of(step, Measured.RESISTANCE, Edge.AT_LEAST)
        bad = 1 / (1 / 10e6 + (pairs - 1) / 1.2e9)
        good = 1 / (pairs / 0.8e9)
        assert bad <= limit * (1 + 1e-9)
        assert good >= limit * (1 - 1e-9)


def test_where_tolerance_would_hide_a_bad_pair_the_group_is_made_smaller() -> None:
    """The same product with less certain insulation takes more tests."""
    nets = 40
    one = demand(grouping(*singles(nets)), 500, IR, ohms("10000000"))
    counts = []
    for tolerance in (0.05, 0.6):
        typical = each(1e9, *singles(nets), tolerance=tolerance)
        (count,) = plan(product(nets, [one], insulations=[typical])).counts
        counts.append(count.tests)
    assert counts[0] < counts[1]


def test_a_group_that_needs_no_room_keeps_the_limit_of_one_pair() -> None:
    """Pass means that every pair is at least that good."""
    made = plan(product(8, [demand(grouping(*singles(8)), 500, IR, ohms("2000000"))]))
    assert {limit_of(s, Measured.RESISTANCE, Edge.AT_LEAST) for s in made.steps} == {2e6}


def test_stored_energy_bounds_the_group() -> None:
    """½CU² at the ceiling of the wire."""
    nets = 16
    one = demand(grouping(*singles(nets)), 2000, DC, amps_total("0.001"))
    strays = [each(1e-9, *singles(nets))]
    free = plan(product(nets, [one], capacitances=strays))
    tight = plan(product(nets, [one], capacitances=strays, energy_j="0.08"))
    assert free.counts[0].tests == 4
    assert tight.counts[0].tests > 4
    for step in tight.steps:
        pairs = len(step.apply_nets) * len(step.against_nets)
        assert 0.5 * pairs * 1e-9 * float(step.ceiling) ** 2 <= 0.08 * 1.000001


def test_what_no_split_can_help_is_refused_with_the_pair() -> None:
    """One pair alone is above the tester's reach."""
    demands = ac_product(3, 1e-6, limit="1")
    with pytest.raises(Refused, match=r"no test of 'n0' against 'n1' within the budgets"):
        plan(demands, TesterLimits(total_current_a=amps_total("0.01")[0].value))


def test_a_short_rise_is_made_longer_so_that_charging_stays_within_the_tester() -> None:
    """C·U/t: 100 nF to 2 kV with 0.1 mA take 2 s."""
    one = demand(grouping([0], [1]), 2000, DC, amps_total("0.001"))
    demands = product(2, [one], capacitances=[each(100e-9, [0], [1])])
    made = plan(demands, TesterLimits(dc_current_a=amps_total("0.0001")[0].value))
    (step,) = made.steps
    assert step.rise_s == 2
    assert any("charging" in reason for reason in step.reasons)


def test_the_least_cut_is_that_of_an_independent_solver() -> None:
    """Random weights against networkx; the sides found have the weight that is told."""
    rng = np.random.default_rng(11)
    for _ in range(30):
        table = np.triu(rng.integers(0, 6, (8, 8)).astype(np.float64), 1)
        table += table.T
        value, sides = least_cut(table, 0, 7)
        graph = nx.Graph()
        graph.add_nodes_from(range(8))
        for a, b in combinations(range(8), 2):
            graph.add_edge(a, b, capacity=float(table[a, b]))
        assert value == pytest.approx(nx.minimum_cut_value(graph, 0, 7))
        assert table[sides][:, ~sides].sum() == pytest.approx(value)
        assert sides[0]
        assert not sides[7]


def test_a_unit_that_may_not_stand_alone_is_parted_together_with_another() -> None:
    """Twenty nets; nets 0 and 1 hold 100 nF between them: only together against the rest."""
    wanted = [demand(grouping([0], list(range(2, 20))), 500, AC, amps_total("0.1"))]
    strays = [each(100e-9, [0], [1]), each(1e-10, *singles(20))]
    tester = TesterLimits(total_current_a=amps_total("0.005")[0].value)
    made = plan(product(20, wanted, capacitances=strays), tester)
    for step in made.steps:
        assert (0 in step.apply_nets) == (1 in step.apply_nets)


def test_no_test_is_kept_whose_demands_tests_at_a_higher_level_cover() -> None:
    """Four mains nets with 2.5 nF ± 20 % to earth; 2 kV to control, 1.5 kV to earth, 4.5 mA each;
    earth and control stand together. All four would draw 7.8 mA (2πfCU at 2060 V), two at a time
    3.9 mA. So two tests at 2 kV, and none at 1.5 kV, though levels are planned apart where a budget
    breaks."""
    mains = range(4)
    limit = amps_total("0.0045")
    demands = product(
        6,
        [
            demand(grouping(mains, [5]), 2000, AC, limit, ceiling=Decimal(2060)),
            demand(grouping(mains, [4]), 1500, AC, limit, ceiling=Decimal(1545)),
        ],
        capacitances=[each(2.5e-9, mains, [4], tolerance=0.2)],
        ceilings=never((4, 5)),
    )
    made = plan(demands)
    (count,) = made.counts
    assert count.tests == 2
    assert {step.level for step in made.steps} == {Decimal(2000)}
