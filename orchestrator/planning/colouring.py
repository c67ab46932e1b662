"""Colouring the blocks of a demand graph, with a lower bound that is proved.

Only powers of two matter: tests are as many as the bits that number the colours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from orchestrator.planning.graphs import (
    GaveUp,
    colouring_with,
    largest_clique,
    mycielski_growth,
    partition_with,
)
from orchestrator.planning.sorts import Bools, Ints

SMALL = 200
"""Nodes up to which a graph is searched exactly."""
SEARCH_NODES = 30_000
"""Nodes of one exact search: about a second."""
CLIQUE_STARTS = 12


@dataclass(frozen=True)
class Colouring:
    """Colours of the blocks.

    Attributes:
        of_block: block → its colours: one, or one for each unit of a block whose units are
            demanded against each other.
        count: colours used. least: no colouring has fewer (proved). proof: how it is proved.
    """

    of_block: tuple[tuple[int, ...], ...]
    count: int
    least: int
    proof: str

    @property
    def tests(self) -> int:
        """Tests that the colours take."""
        return bits_of(self.count)

    @property
    def least_tests(self) -> int:
        """Fewest tests that two-sided tests can take."""
        return bits_of(self.least)


def bits_of(colours: int) -> int:
    """⌈log2 n⌉, the fewest two-sided tests that tell n colours apart: F. Harary, D. Hsu and
    Z. Miller, The biparticity of a graph, J. Graph Theory 1 (1977) 131-133."""
    return max(colours - 1, 0).bit_length()


def colour(table: Bools, sizes: Ints) -> Colouring:
    """Colour a table of blocks; the diagonal says whether units of one block are adjacent."""
    weights = np.where(np.diagonal(table), sizes, 1)
    edges = table.copy()
    edges[np.diag_indices(len(table))] = False
    busy = np.flatnonzero(edges.any(axis=1) | (weights > 1))
    of_block: list[tuple[int, ...]] = [(0,)] * len(table)
    if len(busy) == 0:
        return Colouring(tuple(of_block), min(len(table), 1), min(len(table), 1), "no pair")
    edges, weights = edges[np.ix_(busy, busy)], weights[busy]
    small = int(weights.sum()) <= SMALL
    colours = _saturate(edges, weights)
    count = 1 + max(max(some) for some in colours)
    least, proof = _clique_bound(edges, weights, bits_of(count))
    if small and bits_of(least) < bits_of(count):
        start = Colouring(tuple(colours), count, least, proof)
        closed = _exactly(edges, weights, start)
        colours, count = list(closed.of_block), closed.count
        least, proof = closed.least, closed.proof
    for block, some in zip(busy, colours, strict=True):
        of_block[int(block)] = some
    return Colouring(tuple(of_block), count, least, proof)


def _saturate(edges: Bools, weights: Ints) -> list[tuple[int, ...]]:
    """Greedy: next is the block with the most colours about it (Brelaz 1979), wide ones first."""
    blocks = len(edges)
    seen = np.zeros((blocks, 64), dtype=np.bool_)
    about = np.zeros(blocks, dtype=np.int64)
    degree = edges @ weights
    rank = degree + (weights - 1) * (int(degree.max()) + 1)
    scale = int(rank.max()) + 1
    waiting = np.ones(blocks, dtype=np.bool_)
    chosen: list[tuple[int, ...]] = [()] * blocks
    for _ in range(blocks):
        score = np.where(waiting, about * scale + rank, -1)
        block = int(score.argmax())
        weight = int(weights[block])
        free = np.flatnonzero(~seen[block])[:weight]
        if len(free) < weight:
            grown = np.zeros((blocks, 2 * seen.shape[1] + weight), dtype=np.bool_)
            grown[:, : seen.shape[1]] = seen
            seen = grown
            free = np.flatnonzero(~seen[block])[:weight]
        chosen[block] = tuple(int(one) for one in free)
        waiting[block] = False
        near = np.flatnonzero(edges[block] & waiting)
        if weight == 1:
            about[near] += ~seen[near, free[0]]
            seen[near, free[0]] = True
        else:
            seen[np.ix_(near, free)] = True
            about[near] = seen[near].sum(axis=1)
    return chosen


def _clique_bound(edges: Bools, weights: Ints, wanted: int) -> tuple[int, str]:
    """A heavy clique, greedily from several starts; stops once it proves ``wanted`` tests."""
    degree = edges @ weights
    rank = degree + weights * (int(degree.max()) + 1)
    best = 0
    for start in np.argsort(-rank, kind="stable")[:CLIQUE_STARTS]:
        candidates = edges[start].copy()
        weight = int(weights[start])
        while candidates.any():
            node = int(np.where(candidates, rank, -1).argmax())
            weight += int(weights[node])
            candidates &= edges[node]
        best = max(best, weight)
        if bits_of(best) >= wanted:
            break
    return best, _clique_words(best)


def _clique_words(clique: int) -> str:
    if clique == 1:
        return "no pair"
    told = f"{clique} groups of nets, every two demanded against each other"
    return f"{told}: {bits_of(clique)} by ⌈log2 {clique}⌉"


def _exactly(edges: Bools, weights: Ints, start: Colouring) -> Colouring:
    """Close the gap between colouring and bound on a small graph, as far as the search goes."""
    colours, count = start.of_block, start.count
    least, proof = start.least, start.proof
    owner = np.repeat(np.arange(len(weights)), weights)
    full = edges[np.ix_(owner, owner)] | (owner[:, None] == owner[None, :])
    full[np.diag_indices(len(owner))] = False
    masks = [sum(1 << int(n) for n in np.flatnonzero(row)) for row in full]
    clique, _ = largest_clique(masks, SEARCH_NODES)
    if len(clique) > least:
        least, proof = len(clique), _clique_words(len(clique))
    grown = mycielski_growth(masks, clique)
    if grown > least:
        least, proof = grown, f"Mycielski growth of a clique: at least {grown} colours"
    while bits_of(least) < bits_of(count):
        allowed = 1 << bits_of(least)
        ways: tuple[Callable[[], tuple[int, ...] | None], ...] = (
            lambda n=allowed: colouring_with(masks, n, SEARCH_NODES, clique),  # type: ignore[misc]
            lambda n=allowed: partition_with(masks, n, 4 * SEARCH_NODES),  # type: ignore[misc]
        )
        for way in ways:
            try:
                found = way()
            except GaveUp:
                continue
            if found is None:
                least, proof = allowed + 1, f"searched to the end: {allowed} colours don't do"
            else:
                count = 1 + max(found)
                colours = tuple(
                    tuple(found[int(n)] for n in np.flatnonzero(owner == block))
                    for block in range(len(weights))
                )
            break
        else:
            proof = f"{proof}; whether {allowed} colours do is not known"
            break
    return Colouring(colours, count, least, proof)
