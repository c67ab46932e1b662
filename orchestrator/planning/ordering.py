"""Order of tests so that few relays move: exact for few tests, else greedy with its gap told.

Moving a net from one side to the other opens and closes a contact of each of its points; a change
of level counts as one operation.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from orchestrator.planning.sorts import Ints

EXACT_TESTS = 12
IMPROVED_TESTS = 150

_Table = npt.NDArray[np.int64]


def distances(sides: Sequence[Ints], points: Ints, settings: Sequence[object]) -> _Table:
    """Operations from each test to each other. ``points``: net → how many contacts it has."""
    table = np.array(sides, dtype=np.int8)
    total = np.zeros((len(sides), len(sides)), dtype=np.int64)
    for side in (0, 1):
        here = (table == side).astype(np.float32)
        weighted = here * points.astype(np.float32)
        own = weighted.sum(axis=1)
        total += np.rint(own[:, None] + own[None, :] - 2 * (weighted @ here.T)).astype(np.int64)
    numbers = {setting: number for number, setting in enumerate(dict.fromkeys(settings))}
    levels = np.array([numbers[setting] for setting in settings])
    total += levels[:, None] != levels[None, :]
    return total


def shortest_order(table: _Table) -> tuple[list[int], int, int, bool]:
    """Order, its operations, a lower bound of them, and whether no order takes fewer."""
    if len(table) <= 2:
        order = list(range(len(table)))
        return order, _length(table, order), _length(table, order), True
    if len(table) <= EXACT_TESTS:
        order = _held_karp(table)
        return order, _length(table, order), _length(table, order), True
    order = _nearest(table)
    if len(table) <= IMPROVED_TESTS:
        order = _two_opt(table, order)
    length, least = _length(table, order), _tree(table)
    return order, length, least, length == least


def _length(table: _Table, order: Sequence[int]) -> int:
    return int(sum(table[a, b] for a, b in pairwise(order)))


def _held_karp(table: _Table) -> list[int]:
    """Shortest path through all (M. Held and R. M. Karp, J. SIAM 10 (1962) 196-210)."""
    count = len(table)
    best = np.full((1 << count, count), np.iinfo(np.int64).max // 4, dtype=np.int64)
    before = np.full((1 << count, count), -1, dtype=np.int64)
    for one in range(count):
        best[1 << one, one] = 0
    for mask in range(1, 1 << count):
        through = best[mask][:, None] + table
        nearest = through.argmin(axis=0)
        for one in range(count):
            if not mask >> one & 1:
                length = through[nearest[one], one]
                if length < best[mask | 1 << one, one]:
                    best[mask | 1 << one, one] = length
                    before[mask | 1 << one, one] = nearest[one]
    mask = (1 << count) - 1
    order = [int(best[mask].argmin())]
    while mask.bit_count() > 1:
        last = order[-1]
        order.append(int(before[mask, last]))
        mask ^= 1 << last
    return order[::-1]


def _nearest(table: _Table) -> list[int]:
    far = np.iinfo(np.int64).max
    order, open_ = [0], np.ones(len(table), dtype=np.bool_)
    open_[0] = False
    while open_.any():
        order.append(int(np.where(open_, table[order[-1]], far).argmin()))
        open_[order[-1]] = False
    return order


def _two_opt(table: _Table, order: list[int]) -> list[int]:
    """Turn parts round as long as that shortens the path."""
    path, better = order, True
    while better:
        better = False
        for i in range(len(path) - 1):
            for j in range(i + 1, len(path)):
                before = table[path[i - 1], path[i]] if i else 0
                after = table[path[j], path[j + 1]] if j + 1 < len(path) else 0
                new_before = table[path[i - 1], path[j]] if i else 0
                new_after = table[path[i], path[j + 1]] if j + 1 < len(path) else 0
                if new_before + new_after < before + after:
                    path = path[:i] + path[i : j + 1][::-1] + path[j + 1 :]
                    better = True
    return path


def _tree(table: _Table) -> int:
    """Length of a shortest spanning tree: no path through all is shorter (R. C. Prim 1957)."""
    far = np.iinfo(np.int64).max
    near, open_, total = table[0].copy(), np.ones(len(table), dtype=np.bool_), 0
    open_[0] = False
    while open_.any():
        one = int(np.where(open_, near, far).argmin())
        total += int(near[one])
        open_[one] = False
        near = np.minimum(near, table[one])
    return total
