"""Numbers of tests against graphs, searches and bounds from outside, where no other file has them.

Theorem: the fewest two-sided tests that oppose every pair of a demand graph are ⌈log2 χ⌉, and a
planar graph needs two at most (F. Harary, D. Hsu, Z. Miller, "The biparticity of a graph", J. Graph
Theory 1 (1977) 131-133; both statements read in the abstract, volume and pages from memory).
Numbers in brackets are the ranks of the project's list of check values; 'computed' is what that
list reckons by itself, apart from this project.
"""

from __future__ import annotations

import math
import random
from itertools import combinations, product

import networkx as nx
import numpy as np
import pytest
import yaml
from scipy.spatial import Delaunay

from orchestrator.model.demands import Floating
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.graphs import largest_clique, mycielski_growth
from orchestrator.planning.ground import Ground, Pair
from orchestrator.planning.group_sizes import find_faulty, hwang_worst, information_bound
from orchestrator.planning.locate import Search
from orchestrator.planning.plan import Plan
from orchestrator.planning.planner import plan
from orchestrator.planning.search_answers import Ask, Found
from orchestrator.planning.writing import program_text
from tests.planning.products import (
    AT,
    all_pairs,
    demand,
    each,
    grouping,
    may_see,
    of_edges,
    ohms,
)
from tests.planning.products import product as product_of


def opposed(made: Plan) -> set[Pair]:
    return {
        (min(a, b), max(a, b))
        for step in made.steps
        for a in step.apply_nets
        for b in step.against_nets
    }


def numbered(graph: nx.Graph) -> nx.Graph:
    return nx.convert_node_labels_to_integers(graph)


# ---- graphs of section F (2, 4) ------------------------------------------------------------------


def queens(size: int) -> nx.Graph:
    """Fields of a board, joined where a queen may go from one to the other."""
    board = nx.Graph()
    for (a, b), (c, d) in combinations(product(range(size), repeat=2), 2):
        if a == c or b == d or a + b == c + d or a - b == c - d:
            board.add_edge((a, b), (c, d))
    return board


def wheel(rim: int) -> nx.Graph:
    """A circle of so many nodes and a hub."""
    return nx.wheel_graph(rim + 1)


# Graph, nodes, edges, colours, fewest tests. Reference F (computed there, χ with a SAT solver);
# Mycielski graphs: J. Mycielski 1955, from memory, numbered as DIMACS does; queen graphs: DIMACS.
SECTION_F: dict[str, tuple[nx.Graph, int, int, int, int]] = {
    **{
        f"K{n}": (nx.complete_graph(n), n, n * (n - 1) // 2, n, tests)
        for n, tests in ((2, 1), (3, 2), (4, 2), (5, 3), (8, 3), (9, 4), (16, 4), (17, 5), (33, 6))
    },
    "C4": (nx.cycle_graph(4), 4, 4, 2, 1),
    "C6": (nx.cycle_graph(6), 6, 6, 2, 1),
    "C5": (nx.cycle_graph(5), 5, 5, 3, 2),
    "C7": (nx.cycle_graph(7), 7, 7, 3, 2),
    "C101": (nx.cycle_graph(101), 101, 101, 3, 2),
    "K3,3": (nx.complete_bipartite_graph(3, 3), 6, 9, 2, 1),
    "Petersen": (nx.petersen_graph(), 10, 15, 3, 2),
    "dodecahedron": (nx.dodecahedral_graph(), 20, 30, 3, 2),
    "octahedron": (nx.octahedral_graph(), 6, 12, 3, 2),
    "icosahedron": (nx.icosahedral_graph(), 12, 30, 4, 2),
    "wheel of 5": (wheel(5), 6, 10, 4, 2),
    "wheel of 6": (wheel(6), 7, 12, 3, 2),
    "Chvatal": (nx.chvatal_graph(), 12, 24, 4, 2),
    "Turan 13, 4": (nx.turan_graph(13, 4), 13, 63, 4, 2),
    "myciel3": (nx.mycielski_graph(4), 11, 20, 4, 2),
    "myciel4": (nx.mycielski_graph(5), 23, 71, 5, 3),
    "myciel5": (nx.mycielski_graph(6), 47, 236, 6, 3),
    "myciel6": (nx.mycielski_graph(7), 95, 755, 7, 3),
    # From memory: each step raises χ by one, no triangle appears.
    "myciel7": (nx.mycielski_graph(8), 191, 2360, 8, 3),
    "queen5": (queens(5), 25, 160, 5, 3),
    "queen6": (queens(6), 36, 290, 7, 3),
    "queen7": (queens(7), 49, 476, 7, 3),
    "queen8": (queens(8), 64, 728, 9, 4),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", SECTION_F)
def test_every_graph_of_the_reference_takes_its_tests_and_the_bound_meets_them(name: str) -> None:
    """⌈log2 χ⌉ tests, proved, every demanded pair opposed; nodes and edges show that it is the
    published graph."""
    graph, nodes, edges, colours, tests = SECTION_F[name]
    graph = numbered(graph)
    assert (len(graph), graph.number_of_edges()) == (nodes, edges)
    assert math.ceil(math.log2(colours)) == tests
    made = plan(of_edges(nodes, graph.edges))
    (count,) = made.counts
    assert (count.tests, count.least, len(made.steps)) == (tests, tests, tests), count.proof
    assert {(min(e), max(e)) for e in graph.edges} <= opposed(made)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["icosahedron", "Chvatal", "Turan 13, 4", "myciel3"])
def test_four_colours_take_two_tests_however_the_nets_are_numbered(name: str) -> None:
    """Reference F: a colouring that takes a fifth colour costs a third test; a greedy one does for
    some numberings, so 15 of them each."""
    graph, nodes, _, colours, _ = SECTION_F[name]
    assert colours == 4
    rng = random.Random(name)
    for _ in range(15):
        order = rng.sample(range(nodes), nodes)
        edges = [(order[a], order[b]) for a, b in numbered(graph).edges]
        (count,) = plan(of_edges(nodes, edges)).counts
        assert (count.tests, count.least) == (2, 2)


def _colourable(near: list[int], colours: int, chosen: tuple[int, ...] = ()) -> bool:
    """By plain backtracking, node after node."""
    node = len(chosen)
    if node == len(near):
        return True
    taken = {colour for other, colour in enumerate(chosen) if near[node] >> other & 1}
    fresh = min(colours, max(chosen, default=-1) + 2)
    return any(
        _colourable(near, colours, (*chosen, colour))
        for colour in range(fresh)
        if colour not in taken
    )


@pytest.mark.slow
def test_random_graphs_beyond_seven_nodes_take_the_number_that_backtracking_finds() -> None:
    """60 dense graphs of 10 to 12 nodes, about half of them on either side of four colours: tests
    and bound against ⌈log2 χ⌉ found apart."""
    rng = random.Random(1977)
    seen = {2: 0, 3: 0}
    for _ in range(60):
        nodes = rng.randint(10, 12)
        share = rng.uniform(0.45, 0.65)
        edges = [pair for pair in combinations(range(nodes), 2) if rng.random() < share]
        near = [sum(1 << (a + b - n) for a, b in edges if n in (a, b)) for n in range(nodes)]
        best = next(tests for tests in range(5) if _colourable(near, 1 << tests))
        (count,) = plan(of_edges(nodes, edges)).counts
        assert (count.tests, count.least) == (best, best)
        seen[best] += 1
    assert min(seen.values()) > 10


def _near(graph: nx.Graph) -> list[int]:
    return [sum(1 << other for other in graph[node]) for node in sorted(graph)]


@pytest.mark.parametrize(("order", "colours"), [(4, 4), (5, 5), (6, 6), (7, 7), (8, 8)])
def test_mycielski_growth_proves_what_cliques_say_nothing_of(order: int, colours: int) -> None:
    """Mycielski 1955 (from memory; reference F): myciel3 to 7 need 4 to 8 colours, their largest
    clique is two nodes. From two neighbours of the circle of five that all of them grow from, the
    bound takes every step; from any other two it must not take more."""
    near = _near(nx.mycielski_graph(order))
    clique, complete = largest_clique(near, 100_000)
    assert (len(clique), complete) == (2, True)
    assert mycielski_growth(near, (0, 1)) == colours
    assert 2 <= mycielski_growth(near, clique) <= colours


def test_mycielski_growth_is_never_above_the_number_of_colours() -> None:
    """All graphs of the atlas, colours counted by backtracking."""
    for graph in nx.graph_atlas_g()[1:]:
        near = _near(graph)
        clique, _ = largest_clique(near, 1000)
        grown = mycielski_growth(near, clique)
        assert len(clique) <= grown
        assert grown < 2 or not _colourable(near, grown - 1)


@pytest.mark.parametrize("nodes", [10, 40, 100])
def test_a_planar_graph_takes_two_tests(nodes: int) -> None:
    """Harary, Hsu, Miller 1977 (with the four-colour theorem): triangulations of random points."""
    for seed in range(3):
        triangles = Delaunay(np.random.default_rng(seed).random((nodes, 2))).simplices
        edges = {(min(e), max(e)) for t in triangles.tolist() for e in combinations(t, 2)}
        (count,) = plan(of_edges(nodes, sorted(edges))).counts
        assert (count.tests, count.least) == (2, 2)


# ---- all pairs, as written (3) -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("nets", "pairs", "tests"),
    # Reference F (computed): n, n(n − 1)/2, ⌈log2 n⌉
    [(8, 28, 3), (9, 36, 4), (16, 120, 4), (32, 496, 5), (100, 4950, 7), (128, 8128, 7)],
)
def test_the_program_that_is_written_opposes_every_pair(nets: int, pairs: int, tests: int) -> None:
    """Counted in the file's own text, read by another reader: 8 → 3, 9 → 4, 100 → 7."""
    demands = all_pairs(nets)
    written = yaml.safe_load(program_text(plan(demands), demands))
    steps = written["steps"]
    assert [step["kind"] for step in steps] == ["insulation"] * tests
    seen = {frozenset(pair) for s in steps for pair in product(s["apply_to"], s["against"])}
    assert all(len(pair) == 2 for pair in seen)
    assert len(seen) == pairs
    assert all(len(step["apply_to"]) + len(step["against"]) == nets for step in steps)


# ---- forbidden pairs (5) -------------------------------------------------------------------------


def _fewest(nets: int, edges: list[Pair], forbidden: list[Pair], sides: int) -> int | None:
    """By exhaustion: every way of putting each net on one of so many places (0, 1, 2 = open)."""
    covers = set()
    for places in product(range(sides), repeat=nets):
        crossed = [{places[a], places[b]} == {0, 1} for a, b in edges]
        if not any({places[a], places[b]} == {0, 1} for a, b in forbidden):
            covers.add(sum(1 << i for i, cross in enumerate(crossed) if cross))
    reach, tests = {0}, 0
    while (1 << len(edges)) - 1 not in reach:
        further = {have | cover for have in reach for cover in covers}
        if further == reach:
            return None
        reach, tests = further, tests + 1
    return tests


@pytest.mark.slow
def test_where_nets_may_be_left_open_no_demand_is_refused_and_the_bound_is_never_too_high() -> None:
    """Reference F: leaving nets open, each demanded pair can be tested (a-b with a-c and b-c
    forbidden: one test, c open). 80 random cases of five nets against all 3^5 ways: no forbidden
    pair opposed, every demanded one is, never fewer tests than there can be, never a bound above
    the best; as few as the best where no net need be open."""
    rng = random.Random(11)
    may = Floating(None, None, "stands the level", AT)
    only_open = 0
    for _ in range(80):
        pairs = list(combinations(range(5), 2))
        edges = [pair for pair in pairs if rng.random() < 0.4] or pairs[:1]
        forbidden = [p for p in pairs if p not in edges and rng.random() < 0.5]
        best, two_sided = _fewest(5, edges, forbidden, 3), _fewest(5, edges, forbidden, 2)
        assert best is not None
        others = [pair for pair in pairs if pair not in edges and pair not in forbidden]
        demands = of_edges(
            5,
            edges,
            ceilings=may_see(*others),
            undeclared=None,
            floating=dict.fromkeys(range(5), may),
        )
        made = plan(demands)
        (count,) = made.counts
        assert not opposed(made) & set(forbidden)
        assert set(edges) <= opposed(made)
        assert count.least <= best <= count.tests
        if two_sided is None:
            only_open += 1
            assert any(step.open_nets for step in made.steps)
        else:
            assert count.tests == two_sided
    assert only_open > 20


# ---- Hwang (21) ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "faults", "mean"),
    # Reference F (simulated there): mean number of tests over all ways of so many faulty items
    [
        (8, 2, 5.3929),
        (12, 2, 6.6364),
        (16, 2, 7.3417),
        (20, 2, 8.1684),
        (64, 2, 11.2862),
        (100, 2, 12.7265),
        (12, 3, 8.5955),
        (16, 3, 9.8357),
        (20, 3, 10.8272),
    ],
)
def test_hwang_s_splitting_takes_the_mean_number_of_tests_of_the_reference(
    count: int, faults: int, mean: float
) -> None:
    """F. K. Hwang, JASA 67 (1972) 605-608, from memory; the means tell more than the worst case."""
    ways = combinations(range(count), faults)
    taken = [find_faulty(count, faults, frozenset(bad).isdisjoint)[1] for bad in ways]
    assert sum(taken) / len(taken) == pytest.approx(mean, abs=5e-5)


def _tests_to_find(items: int, bad: frozenset[Pair], faults: int) -> int:
    """Item i is the pair of nets 2i and 2i + 1; faults that share a net couldn't be told apart."""
    suspects = [(2 * item, 2 * item + 1) for item in range(items)]
    ground = Ground.of(
        range(0, 2 * items, 2),
        range(1, 2 * items, 2),
        may_oppose=lambda one, other: True,
        cleared=lambda one, other: (min(one, other), max(one, other)) not in suspects,
        may_float=lambda net: True,
    )
    search = Search(ground, suspects, faults=faults)
    while isinstance(answer := search.next(), Ask):
        asked = {(min(p), max(p)) for p in product(answer.apply_to, answer.against)}
        search.told(not asked & bad)
    assert isinstance(answer, Found), answer
    assert set(answer.pairs) == bad
    return answer.tests


@pytest.mark.slow
@pytest.mark.parametrize(("items", "faults"), [(4, 2), (8, 2), (12, 2), (4, 3), (6, 3), (8, 3)])
def test_the_search_itself_keeps_hwang_s_bound_but_for_what_it_proves_besides(
    items: int, faults: int
) -> None:
    """Pairs of nets of their own that may all be left open are group testing as Hwang has it. Every
    set of one to d faults: his worst case, d tests of found pairs alone, two that prove the rest
    good (Hwang takes for granted that there are no more than d)."""
    most = hwang_worst(items, faults) + faults + 2
    worst = 0
    for size in range(1, faults + 1):
        for chosen in combinations(range(items), size):
            bad = frozenset((2 * item, 2 * item + 1) for item in chosen)
            worst = max(worst, _tests_to_find(items, bad, faults))
    assert information_bound(items, faults) <= worst <= most


# ---- groups (22) ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pairs", "expected", "limit"),
    # Reference E1 (computed): 8 × 1 Gohm = 125 Mohm, 16 × 1 Gohm = 62.5 Mohm
    [(8, 125e6, 100e6), (16, 62.5e6, 40e6)],
)
def test_a_group_of_good_pairs_passes_and_one_bad_pair_still_shows(
    pairs: int, expected: float, limit: float
) -> None:
    """Each pair at least 100 Mohm, expected at 1 Gohm. Eight read 125 Mohm: the limit of one stays,
    and a pass proves each. Sixteen read 62.5 Mohm, so the limit must fall, yet not below what one
    pair of 100 Mohm and 15 good ones read: 1/(1/100 + 15/1000) = 40 Mohm (computed)."""
    nets = list(range(1, pairs + 1))
    one = demand(grouping([0], nets), 500, StepKind.INSULATION, ohms("100000000"))
    (step,) = plan(product_of(pairs + 1, [one], insulations=[each(1e9, [0], nets)])).steps
    assert (step.apply_nets, step.against_nets) in (((0,), tuple(nets)), (tuple(nets), (0,)))
    (found,) = step.limits
    assert (found.quantity, found.edge) == (Measured.RESISTANCE, Edge.AT_LEAST)
    assert float(found.value) == pytest.approx(limit)
    assert 1 / (1 / 100e6 + (pairs - 1) / 1e9) <= float(found.value) * (1 + 1e-12) < expected
