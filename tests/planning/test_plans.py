"""Levels, floating nets, contact proof, order, and the program that a plan becomes."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest

from orchestrator.coverage.cover import cover
from orchestrator.coverage.picture import picture_of
from orchestrator.coverage.svg import draw
from orchestrator.documents import parse_document
from orchestrator.errors import Refused
from orchestrator.model.demands import Ceiling, Demands, Floating
from orchestrator.model.program import InsulationStep, Program
from orchestrator.model.resolve import read_demands
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.ordering import distances, shortest_order
from orchestrator.planning.plan import Plan
from orchestrator.planning.planner import plan
from orchestrator.planning.writing import program_of, program_text
from tests.planning.products import (
    AT,
    all_pairs,
    amps_total,
    demand,
    each,
    grouping,
    never,
    of_edges,
    origin,
    product,
)

PRODUCTS = Path(__file__).resolve().parents[2] / "examples" / "products"
AC = StepKind.WITHSTAND_AC


def sides(made: Plan) -> list[tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]]:
    return [(s.apply_nets, s.against_nets, s.open_nets) for s in made.steps]


def opposed_levels(made: Plan) -> dict[tuple[int, int], Decimal]:
    """Pair → the highest level on the wire that it sees."""
    found: dict[tuple[int, int], Decimal] = {}
    for step in made.steps:
        for a in step.apply_nets:
            for b in step.against_nets:
                pair = (min(a, b), max(a, b))
                found[pair] = max(found.get(pair, Decimal(0)), step.ceiling)
    return found


# ---- levels -------------------------------------------------------------------------------------


def test_a_test_at_a_higher_level_covers_lower_demands_where_all_pairs_may_see_it() -> None:
    """Two levels of one kind in one test; it is told that it counts for both."""
    wanted = [
        demand(grouping([0], [1]), 2000, AC, amps_total("0.005")),
        demand(grouping([0], [2]), 1000, AC, amps_total("0.002")),
    ]
    made = plan(product(3, wanted))
    (step,) = made.steps
    assert step.level == 2000
    assert [(c.demand, c.pairs) for c in step.covers] == [
        ("withstand_ac 2000", 1),
        ("withstand_ac 1000", 1),
    ]
    assert step.limits[0].value == Decimal("0.002")


def test_a_pair_that_may_not_see_the_higher_level_gets_a_test_of_its_own() -> None:
    """Never above 1.2 kV, so it isn't opposed at 2 kV; the bound says two."""
    wanted = [
        demand(grouping([0], [1]), 2000, AC, amps_total("0.005")),
        demand(grouping([0], [2]), 1000, AC, amps_total("0.005")),
    ]
    low = Ceiling(grouping([0], [2]), Decimal(1200), Decimal(1700), origin("never_above"))
    made = plan(product(3, wanted, ceilings=[low]))
    assert [s.level for s in made.steps] in ([2000, 1000], [1000, 2000])
    assert (made.counts[0].tests, made.counts[0].least) == (2, 2)
    assert opposed_levels(made)[0, 2] <= 1200


def test_no_pair_ever_sees_more_than_it_may() -> None:
    """60 random products with ceilings: each opposed pair against `Demands.highest`."""
    rng = random.Random(7)
    planned = 0
    for _ in range(60):
        nets = 8
        ceilings = [
            Ceiling(grouping([a], [b]), Decimal(v), Decimal(v), origin("never_above"))
            for a in range(nets)
            for b in range(a)
            if rng.random() < 0.1 and (v := rng.choice([0, 600, 1200, 1600])) >= 0
        ]
        groups = [[n] for n in range(nets)]
        rng.shuffle(groups)
        wanted = [
            demand(grouping(*groups[:3]), 500, ceiling=Decimal(515), name="a"),
            demand(grouping(*groups[3:6]), 1500, AC, amps_total("0.005"), name="b"),
            demand(grouping(groups[0], groups[6]), 1000, AC, amps_total("0.005"), name="c"),
        ]
        demands = product(nets, wanted, ceilings=ceilings)
        try:
            made = plan(demands)
        except Refused:
            continue
        planned += 1
        for step in made.steps:
            for a in step.apply_nets:
                for b in step.against_nets:
                    assert demands.highest(a, b).of(step.waveform) >= step.ceiling
    assert planned > 10


def test_a_demand_that_forbidden_pairs_make_impossible_is_refused_with_the_chain() -> None:
    """a and b are demanded; c may be opposed to neither, so a, c, b stand together."""
    with pytest.raises(Refused) as caught:
        plan(of_edges(3, [(0, 1)], ceilings=never((0, 2), (2, 1))))
    told = str(caught.value)
    assert "between 'n0' and 'n1', which must stand on one side" in told
    assert "'n0' and 'n2'" in told
    assert "'n2' and 'n1'" in told
    assert "never_above at built.yaml:1:1" in told


def test_what_cannot_be_planned_can_be_kept_as_a_gap() -> None:
    """The rest is planned; a program of it is refused."""
    demands = of_edges(5, [(0, 1), (3, 4)], ceilings=never((0, 2), (2, 1)))
    made = plan(demands, keep_gaps=True)
    assert len(made.gaps) == 1
    assert len(made.steps) == 1
    with pytest.raises(Refused):
        program_of(made, demands)


# ---- floating -----------------------------------------------------------------------------------


def test_a_net_floats_only_where_the_product_allows_it_and_nothing_else_helps() -> None:
    """The same product: refused without, one test with the net left open when allowed."""
    may = Floating(None, None, "stands the level", AT)
    with pytest.raises(Refused, match="must stand on one side"):
        plan(of_edges(3, [(0, 1)], undeclared=None))
    made = plan(of_edges(3, [(0, 1)], undeclared=None, floating={2: may}))
    assert sides(made) in ([((0,), (1,), (2,))], [((1,), (0,), (2,))])
    assert any("left open" in reason for reason in made.steps[0].reasons)
    free = plan(of_edges(3, [(0, 1)], floating={2: may}))
    assert free.steps[0].open_nets == ()


def test_a_net_floats_only_up_to_its_level() -> None:
    """Allowed up to 250 V; the test is at 500 V."""
    may = Floating(None, Decimal(250), "stands this level", AT)
    with pytest.raises(Refused):
        plan(of_edges(3, [(0, 1)], undeclared=None, floating={2: may}))


def test_no_never_above_is_passed_by_an_open_net() -> None:
    """It may reach the level against either side: what must not see it keeps it on a side."""
    may = Floating(None, None, "nothing in it holds a charge", AT)
    with pytest.raises(Refused, match="a never_above of it must allow the level"):
        plan(of_edges(3, [(0, 1)], ceilings=never((0, 2), (2, 1)), floating={2: may}))


def test_no_budget_is_passed_by_a_test_that_leaves_a_net_open() -> None:
    """100 nF at 5 kV DC hold 1.25 J, 350 mJ are allowed: refused, open net or not."""
    held = (LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal("0.001")),)
    one = demand(grouping([0], [1]), 5000, StepKind.WITHSTAND_DC, held)
    may = Floating(None, None, "a loose screen", AT)
    with pytest.raises(
        Refused, match=r"stored energy of n. against n.: 100 nF at 5 kV store 1.25 J"
    ):
        plan(
            product(
                3, [one], capacitances=[each(1e-7, [0], [1])], undeclared=None, floating={2: may}
            )
        )


def test_joined_nets_are_driven_or_open_together() -> None:
    """n2 and n3 are one body and only n2 may float: n3 on a side would bring its level to n2."""
    may = Floating(None, None, "nothing in it holds a charge", AT)
    with pytest.raises(Refused, match="must stand on one side"):
        plan(of_edges(4, [(0, 1)], undeclared=None, floating={2: may}, bodies=[(2, 3)]))
    made = plan(of_edges(4, [(0, 1)], undeclared=None, floating={2: may, 3: may}, bodies=[(2, 3)]))
    assert made.steps[0].open_nets == (2, 3)


def test_what_is_judged_is_as_long_as_each_demand_wants_after_the_longest_settle() -> None:
    """60 s without settle and 10 s of which 5 s pass: 65 s, of which 60 s are judged."""
    most = amps_total("0.005")
    long = replace(demand(grouping([0], [1]), 1000, AC, most), dwell_s=Decimal(60))
    late = demand(grouping([0], [2]), 1000, AC, most)
    late = replace(late, dwell_s=Decimal(10), settle_s=Decimal(5))
    (step,) = plan(product(3, [long, late])).steps
    assert (step.dwell_s, step.settle_s) == (Decimal(65), Decimal(5))


# ---- contact ------------------------------------------------------------------------------------


def test_every_point_without_proof_is_refused_unless_the_user_gives_a_reason() -> None:
    """With `unproved_contact` the reason stands in the table and in the step."""
    with pytest.raises(Refused, match=r"point 'p0', found no step that would show"):
        plan(all_pairs(2, unproved=False))
    made = plan(all_pairs(2))
    assert {proof.how for proof in made.contacts} == {"allowed"}
    assert "seen by the operator" in (made.steps[0].unproved_contact or "")


def _one_against(others: int, farad: float, tolerance: float) -> Demands:
    one = demand(grouping([0], list(range(1, others + 1))), 1000, AC, amps_total("0.005"))
    nets = range(1, others + 1)
    strays = [each(farad, [0], list(nets), tolerance=tolerance), each(1e-14, *([n] for n in nets))]
    good = [each(1e12, *([n] for n in range(others + 1)))]
    return product(others + 1, [one], capacitances=strays, insulations=good, unproved=False)


def test_a_lower_limit_proves_each_lead_where_the_smallest_share_exceeds_the_tolerance() -> None:
    """Three nets with 1 nF ± 5 % each: at least 2.85 nF with all on, at most 2.10 with one off."""
    made = plan(_one_against(3, 1e-9, 0.05))
    assert {proof.how for proof in made.contacts} == {"lower_limit"}
    (step,) = made.steps
    (low,) = (x.value for x in step.limits if x.edge is Edge.AT_LEAST)
    per_farad = 2 * 3.14159265 * 50 * 1000
    assert 2.1e-9 * per_farad < float(low) <= 2.85e-9 * per_farad


def test_a_grouped_lower_limit_that_the_others_can_reach_alone_proves_nothing() -> None:
    """Eight nets with 1 nF ± 20 %: seven of them may have 8.4 nF, all of them 6.4."""
    with pytest.raises(Refused, match="no step that would show that its lead is off") as caught:
        plan(_one_against(8, 1e-9, 0.2))
    # The lead of net 0 is shown: without it nothing flows.
    assert {fault.what for fault in caught.value.faults} == {f"point 'p{n}'" for n in range(1, 9)}


def test_a_way_round_a_lead_that_is_off_is_reckoned_with() -> None:
    """Net 1 hangs by 10 nF on net 2: with its lead off its 1 nF to net 0 still draws 0.91 nF."""
    one = demand(grouping([0], [1, 2]), 1000, AC, amps_total("0.005"))
    strays = [each(1e-9, [0], [1, 2], tolerance=0.05), each(10e-9, [1], [2])]
    with pytest.raises(Refused, match=r"point 'p1'"):
        plan(product(3, [one], capacitances=strays, unproved=False))


# ---- order --------------------------------------------------------------------------------------


def test_kinds_come_in_the_order_of_the_trade() -> None:
    """Continuity, bonding, insulation, withstand (common practice, no source)."""
    made = plan(read_demands(PRODUCTS / "larkfield.yaml"))
    kinds = list(dict.fromkeys(step.kind for step in made.steps))
    assert kinds == [StepKind.CONTINUITY, StepKind.BONDING, StepKind.INSULATION, AC,
                     StepKind.WITHSTAND_DC]  # fmt: skip


def test_few_tests_are_ordered_as_well_as_any_order_and_many_within_the_told_gap() -> None:
    """Against all orders of 6 tests; of 30 the bound by a spanning tree is not above the order."""
    rng = np.random.default_rng(3)
    for _ in range(5):
        table = distances(list(rng.integers(0, 2, (6, 20))), np.ones(20, dtype=np.int64), [1] * 6)
        order, length, _, exact = shortest_order(table)
        best = min(sum(table[a, b] for a, b in pairwise(p)) for p in permutations(range(6)))
        assert (length, exact, sorted(order)) == (best, True, list(range(6)))
    many = distances(list(rng.integers(0, 2, (30, 40))), np.ones(40, dtype=np.int64), [1] * 30)
    order, length, least, exact = shortest_order(many)
    assert least <= length <= 2 * least
    assert sorted(order) == list(range(30))
    assert exact == (least == length)


def test_moving_a_net_across_costs_two_operations_for_each_of_its_points() -> None:
    """Net 0 with three points changes sides, and the level changes: 6 + 1."""
    table = distances(
        [np.array([0, 1]), np.array([1, 1])], np.array([3, 1], dtype=np.int64), [500, 250]
    )
    assert table.tolist() == [[0, 7], [7, 0]]


# ---- program ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["larkfield", "quince", "tansy"])
def test_the_text_is_read_by_the_programs_own_reader_and_says_the_same(name: str) -> None:
    """Text, read again, equals the model that the plan gives."""
    demands = read_demands(PRODUCTS / f"{name}.yaml")
    made = plan(demands)
    text = program_text(made, demands)
    assert parse_document(text, "out.yaml", Program).model == program_of(made, demands)
    for step in made.steps:
        for covered in step.covers:
            assert covered.told.rpartition(", ")[0] in text.replace("\n  # ", " ")


def test_an_unchecked_rule_sheet_is_named_in_the_program() -> None:
    """At the top, in the notes that reach the record, and at each step."""
    demands = read_demands(PRODUCTS / "quince.yaml")
    made = plan(demands)
    text = program_text(made, demands)
    assert text.count("checked by nobody yet") >= 2 + len(made.steps)
    assert "nobody yet" in (program_of(made, demands).notes or "")


def test_a_harness_of_64_wires_takes_six_tests_and_every_contact_is_proved() -> None:
    """In place of 63; the steps lean on the continuity of their wires."""
    demands = read_demands(PRODUCTS / "tansy.yaml")
    made = plan(demands)
    assert (made.counts[0].tests, made.counts[0].one_by_one) == (6, 63)
    assert all(proof.how == "continuity" for proof in made.contacts)
    program = program_of(made, demands)
    high = [step for step in program.steps if isinstance(step, InsulationStep)]
    assert all(len(step.prove_contact) == 64 for step in high)
    assert program.no_protective_earth == "the product file declares no protective earth"


def test_names_that_mean_something_in_yaml_come_through() -> None:
    """'yes', '1', 'a: b' and quotes as points."""
    odd = {0: ("yes",), 1: ("1",), 2: ("a: b",), 3: ('say "x" \\',)}
    demands = all_pairs(4, points=odd)
    made = plan(demands)
    read = parse_document(program_text(made, demands), "out.yaml", Program).model
    assert read == program_of(made, demands)


def test_relays_closed_at_once_are_bounded_by_taking_one_point_of_each_net() -> None:
    """Two points each are 4 contacts; at most 3: one point of each net; at most 1: refused."""
    points = {0: ("a", "b"), 1: ("c", "d")}
    wide = plan(all_pairs(2, points=points))
    assert len((*wide.steps[0].apply_to, *wide.steps[0].against)) == 4
    tight = plan(all_pairs(2, points=points, relays=3))
    assert len((*tight.steps[0].apply_to, *tight.steps[0].against)) == 2
    with pytest.raises(Refused, match="closed"):
        plan(all_pairs(2, points=points, relays=1))


def test_earth_stands_on_the_return_side() -> None:
    """In every test at a voltage."""
    demands = read_demands(PRODUCTS / "bramley.yaml")
    made = plan(demands, keep_gaps=True)
    for step in made.steps:
        if step.kind not in (StepKind.CONTINUITY, StepKind.BONDING):
            assert demands.earth_net in step.against_nets


def test_limits_of_a_step_name_their_figures() -> None:
    """The largest that a good unit may have stands beside the limit."""
    made = plan(read_demands(PRODUCTS / "larkfield.yaml"))
    step = next(s for s in made.steps if s.kind is AC)
    assert any("total current at most 5 mA" in reason for reason in step.reasons)
    assert any(limit.quantity is Measured.TOTAL_CURRENT for limit in step.limits)


def test_an_unchecked_rule_sheet_is_named_on_every_page() -> None:
    """In the program's text and model, so in check, run and record; in coverage; on the picture."""
    demands = read_demands(PRODUCTS / "quince.yaml")
    text = program_text(plan(demands), demands)
    program = parse_document(text, "planned.yaml", Program)
    (caution,) = program.model.cautions
    assert "checked by nobody yet" in caution
    assert "licensed professional" in caution
    assert caution in " ".join(text.replace("#", " ").split())
    judged = cover(demands, program)
    assert caution in judged.notices
    drawn = draw(picture_of(demands, program, complete=judged.complete))
    texts = re.findall(r">([^<>]+)</text>", drawn)
    assert caution in " ".join(texts)  # on as many lines as it takes
