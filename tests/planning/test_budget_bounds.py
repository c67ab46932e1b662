"""Bounds with budgets are never above what exhaustive search finds, and close where it matters."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal
from itertools import combinations
from itertools import product as choices

import numpy as np
import pytest

from orchestrator.model.demands import Declared, Demands, Floating
from orchestrator.model.words import StepKind
from orchestrator.planning.budget_bounds import _cliques, _smaller_side, least_within
from orchestrator.planning.budget_loads import Load, Within, problems
from orchestrator.planning.covers import cover_bound, sides_within
from orchestrator.planning.fewer import fewer
from orchestrator.planning.levels import Cut, plan_kind
from orchestrator.planning.limits import Budgets, TesterLimits
from orchestrator.planning.moving import opposed
from orchestrator.planning.planner import plan
from orchestrator.planning.sorts import Bools
from orchestrator.planning.sums import Floats
from orchestrator.planning.word_counts import Alike, least_for_classes
from tests.planning.products import AT, amps_total, demand, each, grouping, never, ohms, product

AC, DC, IR = StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC, StepKind.INSULATION


def fewest(covers: set[int], everything: int) -> int | None:
    """Fewest of these sets that cover everything, by breadth."""
    reach, tests = {0}, 0
    while everything not in reach:
        further = {have | cover for have in reach for cover in covers}
        if further <= reach:
            return None
        reach, tests = further, tests + 1
    return tests


def optimum(need: Bools, table: Floats, cap: float) -> int | None:
    """Fewest two-sided tests of single units, by looking at all sides."""
    units = len(need)
    edges = [pair for pair in combinations(range(units), 2) if need[pair]]
    covers = set()
    for code in range(1, 1 << (units - 1)):
        side = np.array([code >> unit & 1 for unit in range(units)], dtype=np.bool_)
        if table[side][:, ~side].sum() <= cap * (1 + 1e-9):
            covers.add(sum(1 << i for i, (a, b) in enumerate(edges) if side[a] != side[b]))
    return fewest(covers, (1 << len(edges)) - 1)


def random_within(rng: random.Random) -> Within:
    """Some blocks of up to three units, with loads of 0 to 3 and a cap."""
    sizes = [rng.choice([1, 1, 2, 3]) for _ in range(rng.randint(2, 4))]
    while sum(sizes) > 6:
        sizes.pop()
    blocks = len(sizes)
    table, need = np.zeros((blocks, blocks)), np.zeros((blocks, blocks), dtype=np.bool_)
    for a in range(blocks):
        for b in range(a, blocks):
            if a == b and sizes[a] == 1:
                continue
            table[a, b] = table[b, a] = rng.choice([0.0, 1.0, 1.0, 2.0, 3.0])
            need[a, b] = need[b, a] = rng.random() < 0.7
    cap = float(rng.randint(3, 9))
    return Within(need, np.array(sizes), (Load("capacitance", "F", table, cap),))


def test_no_bound_is_above_the_optimum() -> None:
    """400 random problems of up to 6 units in blocks, against all sides and all their covers."""
    rng, solved, reached = random.Random(7), 0, 0
    for _ in range(400):
        within = random_within(rng)
        if not within.need.any():
            continue
        owner = np.repeat(np.arange(len(within.sizes)), within.sizes)
        both = np.ix_(owner, owner)
        need, table = within.need[both].copy(), within.loads[0].table[both].copy()
        np.fill_diagonal(need, val=False)
        np.fill_diagonal(table, 0.0)
        best = optimum(need, table, within.loads[0].cap)
        if best is None:
            continue
        bound = least_within(within)
        assert bound.tests <= best, bound.proof
        solved, reached = solved + 1, reached + (bound.tests == best)
    assert solved > 200
    assert reached > 0.7 * solved


def test_the_smaller_side_is_never_larger_than_the_spectrum_says() -> None:
    """60 random loads of 7 units, each side looked at; weighed by units and by loads."""
    rng = np.random.default_rng(3)
    bounded = 0
    for _ in range(60):
        table = np.triu(rng.integers(0, 4, (7, 7)).astype(np.float64), 1)
        table += table.T
        for weight in (np.ones(7), table.sum(axis=1)):
            cap = float(rng.integers(4, 12))
            if (weight <= 0).any():
                continue
            most = _smaller_side(table, np.ones(7, dtype=np.int64), weight, cap)
            if most is None:
                continue
            bounded += 1
            for code in range(1, 1 << 6):
                side = np.array([code >> unit & 1 for unit in range(7)], dtype=np.bool_)
                if table[side][:, ~side].sum() <= cap:
                    assert min(weight[side].sum(), weight[~side].sum()) <= most * (1 + 1e-9)
    assert bounded > 30


def test_blocks_of_like_units_have_the_spectrum_of_their_units() -> None:
    """The same bound from a table of blocks as from one of single units."""
    table = np.array([[2.0, 1.0, 3.0], [1.0, 0.0, 1.0], [3.0, 1.0, 1.0]])
    sizes = np.array([4, 1, 3])
    owner = np.repeat(np.arange(3), sizes)
    full = table[np.ix_(owner, owner)].copy()
    np.fill_diagonal(full, 0.0)
    one = _smaller_side(table, sizes, np.ones(3), 8.0)
    many = _smaller_side(full, np.ones(8, dtype=np.int64), np.ones(8), 8.0)
    assert one == pytest.approx(many)


@pytest.mark.parametrize(
    ("classes", "most", "least"),
    [
        ([1] * 8, 2, 5),  # 0, then 5 words with one 1 and 2 with two: 9 ones in 5 tests of 2
        ([1] * 4, 2, 2),
        ([20] * 5, 14, 7),  # of 6 words with one 1 two classes get two: 80 + 12 ones, 84 fit
        ([2, 2], 1, 2),
        ([5, 1], 1, 1),
    ],
)
def test_classes_need_words_of_their_own(classes: list[int], most: int, least: int) -> None:
    """Counted by hand."""
    assert least_for_classes([Alike(n, 1.0) for n in classes], float(most)) == least


@pytest.mark.parametrize("most", [1, 2, 3])
@pytest.mark.parametrize("units", range(2, 12))
def test_single_units_need_as_many_words_as_counting_them_out_says(units: int, most: int) -> None:
    """The lightest words written out, and their ones counted."""
    tests = 1
    while True:
        ones = sorted(sum(word) for word in choices((0, 1), repeat=tests))[:units]
        if len(ones) == units and sum(ones) <= tests * most:
            break
        tests += 1
    assert least_for_classes([Alike(1, 1.0)] * units, float(most)) == tests


def mixed_product(rng: random.Random, kind: StepKind) -> tuple[Demands, TesterLimits]:
    """Capacitances, insulations and limits of all sorts, of each pair and of pairs together."""
    nets, limit = rng.randint(4, 6), {AC: "0.004", DC: "0.00002", IR: "0"}[kind]
    halves = [list(range(nets // 2)), list(range(nets // 2, nets))]
    wanted = []
    for name, groups in (("a", [[n] for n in range(nets)]), ("b", halves)):
        own = Decimal(limit) * rng.randint(1, 3)
        limits = ohms(str(rng.choice([2, 5, 10]) * 10**7)) if kind is IR else amps_total(str(own))
        wanted.append(demand(grouping(*groups), 1000, kind, limits, name=name))

    def declared(value: float) -> Declared:
        groups = rng.choice([[[n] for n in range(nets)], halves, [[0], [1, 2], [3]]])
        made = each(value * rng.randint(1, 4), *groups, tolerance=rng.choice([0.1, 0.3, 0.6]))
        return replace(made, each_pair=rng.random() < 0.6)

    return product(
        nets,
        wanted,
        capacitances=[declared(1e-9) for _ in range(2)],
        insulations=[declared(2e8) for _ in range(2)],
        energy_j=rng.choice(["0.35", "0.02"]),
    ), TesterLimits(total_current_a=rng.choice([None, Decimal("0.006")]))


@pytest.mark.parametrize("kind", [AC, DC, IR])
def test_every_test_within_its_budgets_keeps_the_loads_that_bounds_reckon_with(
    kind: StepKind,
) -> None:
    """30 random products: a side that the budgets allow is among those looked at, for each
    limit of the demands that it parts."""
    rng, allowed, refused = random.Random(kind.value), 0, 0
    for _ in range(30):
        demands, tester = mixed_product(rng, kind)
        budgets = Budgets(demands, tester)
        hertz = Decimal(50) if kind is AC else None
        (level,) = plan_kind(demands, kind, hertz, demands.pair_demands).levels
        assert level.units is not None
        some = problems(demands, level.demands, level.units, Decimal(1000), budgets)
        found = [(within, set(sides_within(within).tolist())) for within in some]
        order = np.concatenate(
            [level.units.sorts.members[block[0]] for block in level.units.blocks]
        )
        for code in range(1, 1 << (len(order) - 1)):
            sides = np.zeros(len(order), dtype=np.int64)
            sides[order] = [code >> place & 1 for place in range(len(order))]
            cut = Cut(Decimal(1000), Decimal(1000), sides)
            if not budgets.allows(cut, opposed(level.demands, cut)):
                refused += 1
                continue
            allowed += 1
            for within, codes in found:
                if opposes(within, code):
                    assert code in codes
    assert allowed > 30
    assert refused > 30


def opposes(within: Within, code: int) -> bool:
    """Whether a side parts any pair that is demanded."""
    owner = np.repeat(np.arange(len(within.sizes)), within.sizes)
    side = np.array([code >> unit & 1 for unit in range(len(owner))], dtype=np.bool_)
    return bool(within.need[np.ix_(owner[side], owner[~side])].any())


def test_where_values_are_of_pairs_together_whole_circuits_are_parted() -> None:
    """40 random products of three or four circuits: as few tests as all sides of nets allow."""
    rng, more = random.Random(3), 0
    for _ in range(40):
        count = rng.choice([3, 4])
        circuits = [list(range(2 * place, 2 * place + 2)) for place in range(count)]
        joints = list(combinations(range(count), 2))
        farad = {pair: rng.choice([1e-9, 2e-9, 3e-9]) for pair in joints}
        together = [
            replace(each(value, circuits[a], circuits[b]), each_pair=False)
            for (a, b), value in farad.items()
        ]
        reach_f = rng.choice([5e-9, 7e-9, 9e-9])
        tester = TesterLimits(total_current_a=Decimal(repr(reach_f * 500 * 2 * np.pi * 50)))
        one = demand(grouping(*circuits), 500, AC, amps_total("0.1"))
        made = plan(product(2 * count, [one], capacitances=together), tester, keep_gaps=True)
        best = together_optimum(circuits, farad, reach_f)
        if best is None:
            assert made.gaps
            continue
        assert (made.counts[0].tests, made.counts[0].least) == (best, best)
        more += best > (count - 1).bit_length()
    assert more > 5


def together_optimum(
    circuits: list[list[int]], farad: dict[tuple[int, int], float], reach_f: float
) -> int | None:
    nets = 2 * len(circuits)
    pairs = [(a, b) for one, two in farad for a in circuits[one] for b in circuits[two]]
    covers = set()
    for code in range(1, 1 << (nets - 1)):
        crossing = [p for p in pairs if (code >> p[0] ^ code >> p[1]) & 1]
        touched = {(a // 2, b // 2) for a, b in crossing}
        if sum(farad[pair] for pair in touched) <= reach_f * (1 + 1e-9):
            covers.add(sum(1 << i for i, pair in enumerate(pairs) if pair in crossing))
    return fewest(covers, (1 << len(pairs)) - 1)


def test_nets_that_may_be_left_open_take_no_part_in_a_bound() -> None:
    """Net 3 has all the capacitance; left open it loads no test, so nothing is proved with it."""
    one = demand(grouping([0], [1], [2], [3]), 500, AC, amps_total("0.1"))
    heavy = [each(5e-9, [3], [net]) for net in range(3)]
    may = {3: Floating(None, None, "built for it", AT)}
    found = {}
    for name, floating in (("fixed", {}), ("open", may)):
        demands = product(4, [one], capacitances=heavy, floating=floating)
        (level,) = plan_kind(demands, AC, Decimal(50), demands.pair_demands).levels
        assert level.units is not None
        some = problems(demands, level.demands, level.units, Decimal(500), Budgets(demands, None))
        found[name] = [int(within.sizes.sum()) for within in some]
    assert found == {"fixed": [4], "open": []}


def test_a_search_for_fewer_tests_keeps_what_they_part() -> None:
    """From one against the rest, 16 units with up to 4 on a side: every pair stays parted."""
    units = 16
    need = ~np.eye(units, dtype=np.bool_)

    def small(side: Bools) -> bool:
        return bool(min(side.sum(), units - side.sum()) <= 4)

    start = tuple(np.arange(units) == unit for unit in range(units - 1))
    found = fewer(need, start, small, 1)
    assert len(found) < len(start) - 4
    assert all(small(side) for side in found)
    words = {tuple(bool(side[unit]) for side in found) for unit in range(units)}
    assert len(words) == units


def test_all_sides_of_few_units_prove_more_than_counting() -> None:
    """Nine units of which one at a time may stand alone: a test for each but one."""
    table = np.ones((1, 1))
    within = Within(np.ones((1, 1), dtype=np.bool_), np.array([9]),
                    (Load("capacitance", "F", table, 8.0),))  # fmt: skip
    assert cover_bound(within)[0] == 8
    assert least_within(within).tests == 8


def test_cliques_are_cliques() -> None:
    """Every two blocks of one are demanded."""
    rng = np.random.default_rng(2)
    need = np.triu(rng.random((12, 12)) < 0.6, 1)
    need |= need.T
    for clique in _cliques(need, np.ones(12)):
        assert all(need[a, b] for a, b in combinations(clique, 2))


@pytest.mark.parametrize("groups", ["single nets", "classes"])
def test_the_bound_is_reached_where_all_pairs_are_alike(groups: str) -> None:
    """A hundred nets, capacitance between every two: the number found is proved."""
    nets = 100
    singles = [[net] for net in range(nets)]
    parted = singles if groups == "single nets" else [range(p, p + 20) for p in range(0, 100, 20)]
    one = demand(grouping(*parted), 500, AC, amps_total("0.005"))
    stray = [each(2.9e-11, *singles, tolerance=0.2)]
    (count,) = plan(product(nets, [one], capacitances=stray)).counts
    assert count.tests == count.least
    assert count.unsplit is not None
    assert count.tests > count.unsplit
    assert "within its budgets a test has at most" in count.proof


# ---- contacts -----------------------------------------------------------------------------------

MAY = Floating(None, None, "built for it", AT)


@pytest.mark.parametrize(
    ("nets", "most", "fixed"), [(6, 4, 0), (10, 4, 1), (40, 12, 0), (40, 16, 3)]
)
def test_with_few_contacts_nets_that_may_float_are_left_open(
    nets: int, most: int, fixed: int
) -> None:
    """Every pair is opposed, no test closes more, and what may not float never does."""
    one = demand(grouping(*([net] for net in range(nets))))
    may = dict.fromkeys(range(fixed, nets), MAY)
    made = plan(product(nets, [one], floating=may, relays=most))
    opposed_pairs = set()
    for step in made.steps:
        closed = {*step.apply_nets, *step.against_nets}
        assert len(closed) <= most
        assert closed >= set(range(fixed))
        opposed_pairs |= {frozenset(p) for p in choices(step.apply_nets, step.against_nets)}
    assert len(opposed_pairs) == nets * (nets - 1) // 2
    (count,) = made.counts
    assert count.least <= count.tests
    assert f"{most} contacts part at most" in count.proof


def test_few_contacts_need_no_fewer_tests_than_all_ways_of_leaving_nets_open() -> None:
    """Random demands on 5 nets with 3 or 4 contacts: the bound is not above the optimum of all
    tests with nets open, and the plan is at most one test above it."""
    rng = random.Random(1)
    for _ in range(25):
        most = rng.choice([3, 4])
        edges = [pair for pair in combinations(range(5), 2) if rng.random() < 0.6] or [(0, 1)]
        covers = set()
        for sides in choices((-1, 0, 1), repeat=5):
            if sum(side >= 0 for side in sides) <= most:
                covers.add(sum(1 << i for i, (a, b) in enumerate(edges)
                               if {sides[a], sides[b]} == {0, 1}))  # fmt: skip
        wanted = [demand(grouping([a], [b]), name=f"{a}-{b}") for a, b in edges]
        may = dict.fromkeys(range(5), MAY)
        (count,) = plan(product(5, wanted, floating=may, relays=most)).counts
        best = fewest(covers, (1 << len(edges)) - 1)
        assert best is not None
        assert count.least <= best <= count.tests <= best + 1


# ---- shapes that leave little to choose ---------------------------------------------------------


def test_many_nets_that_are_all_demanded_are_planned_one_by_one() -> None:
    """700 nets of one sort, which no pieces can stand for: the bound is reached."""
    singles = [[net] for net in range(700)]
    one = demand(grouping(*singles), 500, AC, amps_total("0.005"))
    stray = [each(5.9e-13, *singles, tolerance=0.2)]
    (count,) = plan(product(700, [one], capacitances=stray)).counts
    assert count.unsplit is not None
    assert count.unsplit < count.tests == count.least


def test_a_level_that_no_test_can_have_doesnt_keep_the_bound_from_the_others() -> None:
    """Nets 0 and 1 mustn't be opposed, which is told; the tests below break a budget."""
    wanted = [
        demand(grouping([0], [1]), 1000, AC, amps_total("0.001"), name="never"),
        demand(grouping([2], [3], [4]), 500, AC, amps_total("0.001"), name="below"),
    ]
    strays = [each(4e-9, [2], [3], [4], tolerance=0.5)]
    demands = product(5, wanted, ceilings=never((0, 1)), capacitances=strays)
    made = plan(demands, keep_gaps=True)
    assert any("mustn't be parted" in str(gap) or "0 V" in str(gap) for gap in made.gaps)
