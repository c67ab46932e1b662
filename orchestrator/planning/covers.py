"""A bound by covering, for few units: all sides within budgets are looked at.

Every demanded pair must be parted at least once, every three units that are all demanded against
each other in at least two tests, every larger such group in as many as its words need. Weights of
these, so that no test within budgets earns more than one in all, add up to a proved bound (the dual
of the covering linear program); they are found by multiplicative weights and then checked.
"""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np

from orchestrator.planning.budget_loads import Within
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.sums import Floats
from orchestrator.planning.word_counts import ROUNDING, Alike, least_for_classes

COVER_UNITS = 20
"""Units up to which all sides are looked at: half a million."""
ENTRIES = 2_000_000
"""Of sides by groups: beyond, the table is too large."""
GROUPS = 600
ROUNDS = 300


def cover_bound(within: Within) -> tuple[int, str]:
    """Fewest tests and how it is proved; 0 where units are too many."""
    owner = np.repeat(np.arange(len(within.sizes)), within.sizes)
    units = len(owner)
    if not 2 <= units <= COVER_UNITS:
        return 0, ""
    need = within.need[np.ix_(owner, owner)]
    need[np.diag_indices(units)] = False
    groups = _groups(need)
    codes = sides_within(within)
    if len(codes) == 0 or len(codes) * len(groups) > ENTRIES:
        return 0, ""
    sides = (codes[:, None] >> np.arange(units) & 1).astype(np.bool_)
    smaller = np.stack([np.minimum(k := sides[:, list(g)].sum(axis=1), len(g) - k) for g in groups])
    wanted = np.array([_wanted(len(g), int(k.max())) for g, k in zip(groups, smaller, strict=True)])
    if not (smaller > 0).any(axis=1).all():  # a pair that no test parts: there is no plan
        return 0, ""
    split = ((smaller > 0) / wanted[:, None]).astype(np.float64)
    value = _dual(split)
    tests = max(math.ceil(value * (1 - 1e-7) - ROUNDING), int(wanted.max()))
    told = (
        f"all sides of {units} units looked at, {len(sides)} within budgets: weighed, their parted "
        f"pairs and groups prove at least {value:.2f}"
    )
    return tests, told


def sides_within(within: Within) -> Ints:
    """Codes of the sides with each load within its cap, one of each two that mirror each other: the
    last unit is on none. All that budgets allow are among them.

    Raises:
        ValueError: too many units.
    """
    owner = np.repeat(np.arange(len(within.sizes)), within.sizes)
    units = len(owner)
    if units > COVER_UNITS:
        raise ValueError(f"{units} units have too many sides")
    fits = np.ones(1 << (units - 1), dtype=np.bool_)
    for load in within.loads:
        table = load.table[np.ix_(owner, owner)].copy()
        table[np.diag_indices(units)] = 0.0
        fits &= _sums(table) <= load.cap * (1 + 1e-6)
    fits[0] = False
    return np.flatnonzero(fits).astype(np.int64)


def _sums(table: Floats) -> Floats:
    """Code of a side (the last unit never on it) → what the pairs across have in all."""
    total = table.sum(axis=1)
    found = np.zeros(1)
    for unit in range(len(table) - 1):
        near = np.zeros(1)
        for before in range(unit):
            near = np.concatenate([near, near + table[unit, before]])
        found = np.concatenate([found, found + total[unit] - 2 * near])
    return found


def _groups(need: Bools) -> list[tuple[int, ...]]:
    """Demanded pairs, triples of them, and larger groups, each grown from a triple."""
    units = len(need)
    pairs = [p for p in combinations(range(units), 2) if need[p]]
    triples = [
        (a, b, c) for a, b in pairs for c in range(b + 1, units) if need[a, c] and need[b, c]
    ]
    large = set()
    for triple in triples:
        group, open_ = list(triple), need[list(triple)].all(axis=0)
        while open_.any():
            unit = int(np.where(open_, need[:, open_].sum(axis=1), -1).argmax())
            group.append(unit)
            open_ = open_ & need[unit]
        if len(group) > 3:
            large.add(tuple(sorted(group)))
    ranked = sorted(large, key=lambda g: (-len(g), g))
    return [*pairs, *ranked[:GROUPS], *triples[: max(0, GROUPS - len(ranked))]]


def _wanted(size: int, smaller: int) -> int:
    """Fewest tests that part a group of which at most so many stand on the smaller side."""
    return max(least_for_classes([Alike(1, 1.0)] * size, float(smaller)), 1) if smaller else 1


def _dual(split: Floats) -> float:
    """Largest sum of weights found so that no side earns more than one.

    ``split``: group by side → what a side gives of what the group needs. Groups that were given
    much become light; the mean of the weights is tried too.
    """
    given = np.zeros(len(split))
    best, mean = 0.0, np.zeros(len(split))
    for round_ in range(1, ROUNDS + 1):
        rate = math.sqrt(math.log(len(split) + 1) / round_)
        weight = np.exp(-rate * (given - given.min()))
        weight /= weight.sum()
        earned = weight @ split
        place = int(earned.argmax())
        best = max(best, 1 / float(earned[place]))
        given += split[:, place]
        mean += weight
        if round_ % 50 == 0:
            share = mean / mean.sum()
            best = max(best, 1 / float((share @ split).max()))
    return best
