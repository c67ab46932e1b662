"""Fewest two-sided tests, against brute force and published graphs."""

from __future__ import annotations

import random
from itertools import combinations

import networkx as nx
import pytest

from orchestrator.errors import Refused
from orchestrator.planning.colouring import bits_of
from orchestrator.planning.plan import Plan
from orchestrator.planning.planner import plan
from tests.planning.products import all_pairs, never, of_edges

Edges = list[tuple[int, int]]


def opposed(made: Plan) -> set[tuple[int, int]]:
    return {
        (min(a, b), max(a, b))
        for step in made.steps
        for a in step.apply_nets
        for b in step.against_nets
    }


def every_net_stands(made: Plan, nets: int) -> bool:
    return all(
        sorted((*step.apply_nets, *step.against_nets)) == list(range(nets)) for step in made.steps
    )


def least_cuts(nets: int, edges: Edges, forbidden: Edges = []) -> int | None:  # noqa: B006
    """By brute force: all cuts, then all sets of cuts, smallest first. None: impossible."""
    covers = set()
    for code in range(1 << max(nets - 1, 0)):
        sides = [code >> n & 1 for n in range(nets)]
        if all(sides[a] == sides[b] for a, b in forbidden):
            covers.add(sum(1 << i for i, (a, b) in enumerate(edges) if sides[a] != sides[b]))
    everything, reach, tests = (1 << len(edges)) - 1, {0}, 0
    while everything not in reach:
        further = {have | cover for have in reach for cover in covers}
        if further == reach:
            return None
        reach, tests = further, tests + 1
    return tests


@pytest.mark.slow
def test_every_graph_up_to_seven_nodes_takes_as_few_tests_as_brute_force_finds() -> None:
    """All 1252 graphs of the networkx atlas without the empty one; the bound is met each time."""
    graphs = [g for g in nx.graph_atlas_g() if len(g)]
    assert len(graphs) == 1252
    seen: dict[int, int] = {}
    for graph in graphs:
        edges = list(graph.edges)
        if not edges:
            seen[0] = seen.get(0, 0) + 1
            continue
        made = plan(of_edges(len(graph), edges))
        (count,) = made.counts
        assert count.tests == count.least == _by_masks(len(graph), edges)
        assert {(min(e), max(e)) for e in edges} <= opposed(made)
        assert every_net_stands(made, len(graph))
        seen[count.tests] = seen.get(count.tests, 0) + 1
    # Computed apart with a SAT solver: how many graphs take 0, 1, 2 and 3 tests.
    assert seen == {0: 7, 1: 142, 2: 1037, 3: 66}


def _by_masks(nets: int, edges: Edges) -> int:
    """Brute force over sets of cuts without naming colours."""
    covers = {
        sum(1 << i for i, (a, b) in enumerate(edges) if (code >> a ^ code >> b) & 1)
        for code in range(1 << (nets - 1))
    }
    everything = (1 << len(edges)) - 1
    if everything in covers:
        return 1
    widest = [c for c in covers if not any(c != d and c & ~d == 0 for d in covers)]
    if any(a | b == everything for a, b in combinations(widest, 2)):
        return 2
    return 3  # eight words tell seven nets apart


@pytest.mark.parametrize(
    ("nets", "tests"),
    [(2, 1), (3, 2), (4, 2), (5, 3), (8, 3), (9, 4), (16, 4), (17, 5), (33, 6), (64, 6), (100, 7),
     (128, 7), (256, 8), (1000, 10)],
)  # fmt: skip
def test_all_pairs_of_n_nets_take_the_bits_of_n(nets: int, tests: int) -> None:
    """⌈log2 n⌉ (Harary, Hsu, Miller 1977); each pair is opposed at least once."""
    made = plan(all_pairs(nets))
    (count,) = made.counts
    assert (count.tests, count.least, count.one_by_one) == (tests, tests, nets - 1)
    words = {net: [] for net in range(nets)}  # type: dict[int, list[bool]]
    for step in made.steps:
        applied = set(step.apply_nets)
        for net in range(nets):
            words[net].append(net in applied)
    assert len({tuple(word) for word in words.values()}) == nets
    assert every_net_stands(made, nets)


@pytest.mark.slow
def test_forbidden_pairs_take_as_few_tests_as_exhaustive_search_or_are_refused() -> None:
    """400 random cases of 6 nets: the number, no forbidden pair opposed, the impossible refused."""
    rng = random.Random(20260407)
    refused = 0
    for _ in range(400):
        pairs = list(combinations(range(6), 2))
        edges = [p for p in pairs if rng.random() < 0.4]
        forbidden = [p for p in pairs if p not in edges and rng.random() < 0.25]
        if not edges:
            continue
        best = least_cuts(6, edges, forbidden)
        demands = of_edges(6, edges, ceilings=never(*forbidden))
        if best is None:
            refused += 1
            with pytest.raises(Refused, match="must stand on one side"):
                plan(demands)
            continue
        made = plan(demands)
        assert (made.counts[0].tests, made.counts[0].least) == (best, best)
        assert not opposed(made) & set(forbidden)
        assert set(edges) <= opposed(made)
    assert 50 < refused < 350


def test_only_powers_of_two_matter() -> None:
    """Five to eight colours take three tests."""
    assert [bits_of(n) for n in (1, 2, 3, 4, 5, 8, 9)] == [0, 1, 2, 2, 3, 3, 4]
