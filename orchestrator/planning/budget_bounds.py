"""Proved lower bounds of the number of tests within budgets, for any number of units.

Each is a count: what all tests together must do, over the most that one test can do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from orchestrator.planning.budget_loads import Load, Within
from orchestrator.planning.covers import cover_bound
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.sums import Floats
from orchestrator.planning.word_counts import (
    ROUNDING,
    Alike,
    least_for_classes,
    least_for_units,
)
from orchestrator.planning.words import farads, siemens

SPECTRUM_BLOCKS = 400
"""Eigenvalues of larger tables would take too long."""
CLIQUES = 12


@dataclass(frozen=True)
class Bound:
    """No fewer tests do, and how it is proved."""

    tests: int
    proof: str


def least_within(within: Within) -> Bound:
    """The largest of the bounds of one problem."""
    found = [bound for load in within.loads for bound in _of_load(within, load)]
    found += cover_bounds(within)
    return max(found, key=lambda bound: bound.tests, default=Bound(0, ""))


def cover_bounds(within: Within) -> list[Bound]:
    """The bound by looking at all sides, where the units are few enough."""
    tests, proof = cover_bound(within)
    return [Bound(tests, proof)] if tests else []


def _of_load(within: Within, load: Load) -> Iterator[Bound]:
    pairs = within.pairs * np.triu(within.need)
    total = float((pairs * load.table).sum())
    tests = _rounded_up(total / load.cap)
    yield Bound(
        tests,
        f"the demanded pairs have {_told(load, total)} of {load.told}, "
        f"a test within its budgets {_told(load, load.cap)} at most: at least {tests}",
    )
    wanted = float(pairs.sum())
    most = _most_pairs(pairs, load)
    if 1 <= most < wanted:
        tests = _rounded_up(wanted / most)
        yield Bound(
            tests,
            f"a test within its budgets parts at most {most:.0f} of {wanted:.0f} demanded pairs: "
            f"at least {tests}",
        )
    yield from _by_words(within, load)


def _most_pairs(pairs: Floats, load: Load) -> float:
    """Most demanded pairs that a test holds: those that add least, as many as fit."""
    rows, columns = np.nonzero(pairs)
    count, each = pairs[rows, columns], load.table[rows, columns]
    order = np.argsort(each, kind="stable")
    count, each = count[order], each[order]
    used = np.cumsum(count * each)
    cap = load.cap * (1 + ROUNDING)
    place = int(np.searchsorted(used, cap, side="right"))
    if place == len(used):
        return float(count.sum())
    left = cap - (float(used[place - 1]) if place else 0.0)
    part = left / float(each[place]) if each[place] > 0 else float(count[place])
    return float(count[:place].sum()) + math.floor(part * (1 + ROUNDING))


def _rounded_up(value: float) -> int:
    return math.ceil(value * (1 - ROUNDING) - ROUNDING)


def _told(load: Load, value: float) -> str:
    return farads(value) if load.unit == "F" else siemens(value)


# ---- how little the smaller side of a test holds ------------------------------------------------


def _by_words(within: Within, load: Load) -> Iterator[Bound]:
    """Bounds by the words of units, separately for units that the load joins in any way."""
    for part in _joined(load.table):
        if len(part) > SPECTRUM_BLOCKS:
            continue
        table, sizes = load.table[np.ix_(part, part)], within.sizes[part]
        need = within.need[np.ix_(part, part)]
        degree = table @ sizes - np.diagonal(table)
        for weight in (np.ones(len(part)), degree):
            if not need.any() or (weight <= 0).any():
                continue
            most = _smaller_side(table, sizes, weight, load.cap)
            if most is None:
                continue
            if weight is not degree:
                most = float(math.floor(most * (1 + ROUNDING) + ROUNDING))
            yield from _words(need, sizes, weight, most, counted=weight is not degree)


def _words(
    need: Bools, sizes: Ints, weight: Floats, most: float, *, counted: bool
) -> Iterator[Bound]:
    total = float(sizes @ weight)
    small = f"{most:.0f} of {total:.0f} units" if counted else f"{most / total:.1%} of all loads"
    within = f"within its budgets a test has at most {small} on its smaller side"
    tests, count = 0, 0
    for clique in _cliques(need, sizes * weight):
        classes = _classes(need, sizes, weight, clique)
        found = least_for_classes(classes, most)
        if found > tests:
            tests, count = found, len(classes)
    if tests:
        told = f"{within}, and {count} groups need words of their own: at least {tests}"
        yield Bound(tests, told)
    apart = _largest_apart(need, sizes, weight)
    tests = least_for_units(total, apart, most)
    if tests:
        told = f"{within}, and not all may stay on the larger one: at least {tests}"
        yield Bound(tests, told)


def _smaller_side(table: Floats, sizes: Ints, weight: Floats, cap: float) -> float | None:
    """Most weight that the side of less weight can have in a test with a load of at most ``cap``.

    A side of weight s of Y has a load of at least μ·s·(Y − s)/Y, with the second smallest
    eigenvalue μ of the loads' Laplacian, units weighted (M. Fiedler, Algebraic connectivity of
    graphs, Czechoslovak Math. J. 23 (1973) 298-305; B. Mohar's inequality, both from memory).
    """
    gap = _spectral_gap(table, sizes, weight)
    total = float(sizes @ weight)
    if gap <= 0 or 4 * cap >= gap * total:
        return None
    most = total / 2 * (1 - math.sqrt(1 - 4 * cap * (1 + ROUNDING) / (gap * total)))
    return most if most > 0 else None


def _spectral_gap(table: Floats, sizes: Ints, weight: Floats) -> float:
    """The second smallest eigenvalue: vectors alike within each block by a table of blocks, those
    that differ within a block one by one."""
    off = table * (1 - np.eye(len(table)))
    across = off @ sizes
    own = np.diagonal(table)
    scale = np.sqrt(sizes / weight)
    matrix = -off * scale[:, None] * scale[None, :]
    matrix[np.diag_indices(len(table))] = across / weight
    values = np.linalg.eigvalsh(matrix)
    several = sizes > 1
    inside = (across + sizes * own)[several] / weight[several]
    found = [float(values[1])] if len(values) > 1 else []
    found += [float(value) for value in inside]
    slack = 1e-10 * float(np.abs(values).max(initial=0.0))
    return min(found, default=0.0) * (1 - 1e-8) - slack


def _joined(table: Floats) -> Iterator[Ints]:
    """Blocks that hang together by loads, each set with two units at least."""
    near = table > 0
    waiting = np.ones(len(table), dtype=np.bool_)
    while waiting.any():
        start = int(waiting.argmax())
        reached = np.zeros(len(table), dtype=np.bool_)
        reached[start] = True
        fresh = reached
        while fresh.any():
            fresh = near[fresh].any(axis=0) & ~reached
            reached = reached | fresh
        waiting &= ~reached
        if near[np.ix_(reached, reached)].any():
            yield np.flatnonzero(reached).astype(np.int64)


# ---- which units must differ --------------------------------------------------------------------


def _cliques(need: Bools, weight: Floats) -> Iterator[list[int]]:
    """Sets of blocks of which every two are demanded: greedy from several starts."""
    edges = need & ~np.eye(len(need), dtype=np.bool_)
    seen = set()
    for rank in (edges @ weight, weight):
        for start in np.argsort(-rank, kind="stable")[:CLIQUES]:
            clique, open_ = [int(start)], edges[start].copy()
            while open_.any():
                node = int(np.where(open_, rank, -1.0).argmax())
                clique.append(node)
                open_ &= edges[node]
            key = tuple(sorted(clique))
            if key not in seen:
                seen.add(key)
                yield clique


def _classes(need: Bools, sizes: Ints, weight: Floats, clique: list[int]) -> list[Alike]:
    found: list[Alike] = []
    for block in clique:
        count, each = int(sizes[block]), float(weight[block])
        found += [Alike(1, each)] * count if need[block, block] else [Alike(count, each)]
    return found


def _largest_apart(need: Bools, sizes: Ints, weight: Floats) -> float:
    """No set of units without a demanded pair weighs more: blocks are put into cliques greedily,
    and each clique gives at most its heaviest block."""
    heavy = np.where(np.diagonal(need), 1, sizes) * weight
    waiting = np.ones(len(need), dtype=np.bool_)
    total = 0.0
    for block in np.argsort(-heavy, kind="stable"):
        if not waiting[block]:
            continue
        total += float(heavy[block])
        open_ = waiting & need[block]
        waiting[block] = False
        while open_.any():
            near = int(np.where(open_, heavy, -1.0).argmax())
            waiting[near] = False
            open_ &= need[near]
            open_[near] = False
    return total
