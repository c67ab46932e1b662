"""Tests within budgets: few cuts of the units so that each demanded pair is cut at least once.

Few units, or few allowed cuts: a search for the fewest of them that cover. Many units that are all
demanded against each other: code words with few ones, spread evenly over the tests. Else:
one cut after another, each grown as long as it gains pairs and stays within its budgets. What was
not searched to the end is improved by moving units (`fewer`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from orchestrator.planning.fewer import fewer
from orchestrator.planning.least_cut import Weights, least_cut
from orchestrator.planning.sorts import Bools, Ints

EXACT_UNITS = 13
"""Units up to which all cuts are looked at: 4,096 at most."""
COVER_NODES = 60_000
"""Nodes of the search for the fewest cuts."""
COVER_LOOKS = 8_000_000
"""Of these nodes at cuts: fewer nodes where there are many cuts."""
MANY = 300
"""Units beyond which words that fit are not compared with grown cuts."""
REFUSALS = 64
"""A cut is done growing after so many units that didn't fit."""
TRIED_UNITS = 64
"""Up to so many units each cut is the best of several."""
STARTS = 8
TOLD = 20
"""After so many pairs that nothing parts no further cut is looked for: there is no plan."""
CHUNKS = 48
"""Large cuts grow by this share of the units at a time."""

Allows = Callable[[Bools], bool]
"""Whether a test with these units on one side is within its budgets."""


@dataclass(frozen=True)
class Narrowed:
    """Cuts: units on one side. ``uncovered``: demanded pairs of units that no allowed cut parts.

    ``exact``: no fewer allowed cuts cover all (searched to the end).
    """

    cuts: tuple[Bools, ...]
    uncovered: tuple[tuple[int, int], ...]
    exact: bool
    proof: str = ""


def narrow(
    need: Bools,
    allows: Allows,
    least: int,
    weights: Sequence[Weights] = (),
    among: Ints | None = None,
) -> Narrowed:
    """Few allowed cuts that part all demanded pairs.

    Args:
        need: pairs of units to part, symmetric, without diagonal.
        least: a proved lower bound, where searching ends.
        weights: of pairs of units, of which an allowed cut may hold so much: where neither unit of
            a pair may stand alone, the least cut between them is tried.
        among: codes of sides (the last unit on none) among which all allowed ones are, where they
            are few enough to look at each.
    """
    if len(need) <= EXACT_UNITS:
        return _searched(need, allows, least, None)
    found = _many(need, allows, least, weights)
    if among is None or (found.exact and not found.uncovered):
        return found
    searched = _searched(need, allows, least, among)
    return min(searched, found, key=lambda one: (len(one.uncovered), len(one.cuts)))


def _many(need: Bools, allows: Allows, least: int, weights: Sequence[Weights]) -> Narrowed:
    busy = np.flatnonzero(need.any(axis=1))
    complete = bool(need.sum() == len(busy) * (len(busy) - 1))
    words = _spread(len(need), busy, allows, least) if complete else None
    if words is not None and (len(words) <= least or len(busy) > MANY):
        return Narrowed(words, (), exact=len(words) <= least)
    best = _grown(need, allows, weights)
    if words is not None and (best.uncovered or len(words) < len(best.cuts)):
        best = Narrowed(words, (), exact=False)
    cuts = fewer(need, _without_idle(need, best.cuts), allows, least)
    return Narrowed(cuts, best.uncovered, exact=len(cuts) <= least)


def _searched(need: Bools, allows: Allows, least: int, among: Ints | None) -> Narrowed:
    found = _exactly(need, allows, least, among)
    if found.exact:
        return found
    cuts = fewer(need, found.cuts, allows, least)
    return replace(found, cuts=cuts, exact=len(cuts) <= least)


# ---- few units ----------------------------------------------------------------------------------


def _exactly(need: Bools, allows: Allows, least: int, among: Ints | None) -> Narrowed:
    units = len(need)
    codes = range(1, 1 << max(units - 1, 0)) if among is None else among.tolist()
    pairs = [(a, b) for a, b in combinations(range(units), 2) if need[a, b]]
    covers: dict[int, int] = {}
    for code in codes:
        sides = np.array([code >> unit & 1 for unit in range(units)], dtype=np.bool_)
        parted = sum(1 << i for i, (a, b) in enumerate(pairs) if sides[a] != sides[b])
        if parted and parted not in covers and allows(sides):
            covers[parted] = code
    best = _undominated(list(covers))
    reach = 0
    for parted in best:
        reach |= parted
    uncovered = tuple(pair for i, pair in enumerate(pairs) if not reach >> i & 1)
    chosen, exact = _fewest(best, reach, least)
    cuts = tuple(
        np.array([covers[parted] >> unit & 1 for unit in range(units)], dtype=np.bool_)
        for parted in chosen
    )
    proof = f"all {len(covers)} allowed tests searched to the end" if exact else ""
    return Narrowed(cuts, uncovered, exact, proof)


def _undominated(covers: list[int]) -> list[int]:
    kept: list[int] = []
    for one in sorted(covers, key=lambda c: -c.bit_count()):
        if not any(one & ~other == 0 for other in kept):
            kept.append(one)
    return kept


def _fewest(covers: Sequence[int], everything: int, least: int) -> tuple[tuple[int, ...], bool]:
    """Fewest of these sets that cover everything: branch on the pair with the fewest sets."""
    best = _greedy_cover(covers, everything)
    left = min(COVER_NODES, COVER_LOOKS // (len(covers) + 40))
    holding = {
        bit: [one for one in covers if one >> bit & 1]
        for bit in range(everything.bit_length())
        if everything >> bit & 1
    }

    def search(rest: int, chosen: list[int]) -> None:
        nonlocal best, left
        left -= 1
        if left < 0 or len(best) <= least:
            return
        if not rest:
            if len(chosen) < len(best):
                best = tuple(chosen)
            return
        widest = max((one & rest).bit_count() for one in covers)
        if len(chosen) + -(-rest.bit_count() // widest) >= len(best):
            return
        bit = min((b for b in holding if rest >> b & 1), key=lambda b: len(holding[b]))
        for one in sorted(holding[bit], key=lambda c: -(c & rest).bit_count()):
            chosen.append(one)
            search(rest & ~one, chosen)
            chosen.pop()

    search(everything, [])
    return best, left >= 0 or len(best) <= least


def _greedy_cover(covers: Sequence[int], everything: int) -> tuple[int, ...]:
    chosen: list[int] = []
    rest = everything
    while rest:
        one = max(covers, key=lambda c: (c & rest).bit_count())
        chosen.append(one)
        rest &= ~one
    return tuple(chosen)


# ---- all pairs of many units --------------------------------------------------------------------


def _spread(units: int, busy: Ints, allows: Allows, least: int) -> tuple[Bools, ...] | None:
    """Words for the units that are demanded; the others stay on the return side."""

    def placed(column: Bools) -> Bools:
        sides = np.zeros(units, dtype=np.bool_)
        sides[busy] = column
        return sides

    found = _few_ones(len(busy), lambda column: allows(placed(column)), least, len(busy))
    return None if found is None else tuple(placed(column) for column in found)


def _few_ones(units: int, allows: Allows, least: int, below: int) -> tuple[Bools, ...] | None:
    """Words with few ones, evenly over the tests, for the smallest number of tests that does."""
    for tests in range(max(least, (units - 1).bit_length(), 1), below):
        table = _even_words(units, tests)
        if all(allows(column) for column in table.T):
            return tuple(table.T)
    return None


def _even_words(units: int, tests: int) -> Bools:
    """So many different words, the shortest first, with about as many ones in each test.

    A word with all its turns fills all tests alike; of the last word those turns are taken that
    fill the emptiest ones.
    """
    words = np.zeros((units, tests), dtype=np.bool_)
    row, filled = 1, np.zeros(tests, dtype=np.int64)
    for weight in range(1, tests + 1):
        for turns in _turning(tests, weight):
            if row >= units:
                return words
            if len(turns) <= units - row:
                chosen = turns
            else:
                chosen = _evenly(turns, units - row, filled)
            words[row : row + len(chosen)] = chosen
            filled += chosen.sum(axis=0)
            row += len(chosen)
    return words


def _turning(tests: int, weight: int) -> Iterator[Bools]:
    """All words of so many ones, each with its turns."""
    for rest in combinations(range(1, tests), weight - 1):
        places = (0, *rest)
        turns = {tuple(sorted((p + shift) % tests for p in places)) for shift in range(tests)}
        if min(turns) != places:
            continue
        table = np.zeros((len(turns), tests), dtype=np.bool_)
        table[np.arange(len(turns))[:, None], np.array(sorted(turns))] = True
        yield table


def _evenly(turns: Bools, wanted: int, filled: Ints) -> Bools:
    load, open_ = filled.copy(), np.ones(len(turns), dtype=np.bool_)
    for _ in range(wanted):
        cost = np.where(open_, (turns * load**2).sum(axis=1), np.iinfo(np.int64).max)
        pick = int(cost.argmin())
        open_[pick] = False
        load += turns[pick]
    return turns[~open_]


# ---- anything else ------------------------------------------------------------------------------


def _grown(need: Bools, allows: Allows, weights: Sequence[Weights]) -> Narrowed:
    left = need.copy()
    cuts: list[Bools] = []
    uncovered: list[tuple[int, int]] = []
    while left.any():
        cut = _best_cut(left, allows)
        if cut is None:
            one, other = (int(i) for i in np.argwhere(left)[0])
            cut = _parting(left, allows, (one, other), weights)
            if cut is None:
                uncovered.append((one, other))
                left[one, other] = left[other, one] = False
                if len(uncovered) < TOLD:
                    continue
                uncovered += [(int(a), int(b)) for a, b in np.argwhere(np.triu(left))]
                break
        cuts.append(cut)
        left &= ~(cut[:, None] ^ cut[None, :])
    return Narrowed(tuple(cuts), tuple(uncovered), exact=False)


def _best_cut(left: Bools, allows: Allows) -> Bools | None:
    """The cut that parts most of several grown from different units; one where units are many."""
    units = len(left)
    starts: list[int | None] = [None]
    if units <= TRIED_UNITS:
        starts += [int(n) for n in np.argsort(-left.sum(axis=1), kind="stable")[:STARTS]]
    best, gained = None, 0
    for start in starts:
        sides = np.zeros(units, dtype=np.bool_)
        if start is not None:
            sides[start] = True
            if not left[start].any() or not allows(sides):
                continue
        sides = _grow(left, allows, sides)
        if units <= TRIED_UNITS:
            sides = _polished(left, allows, sides)
        gain = int(left[sides][:, ~sides].sum())
        if gain > gained:
            best, gained = sides, gain
    return best


def _parting(
    left: Bools, allows: Allows, pair: tuple[int, int], weights: Sequence[Weights]
) -> Bools | None:
    """A cut that parts two units where neither may stand alone: the least of each weight."""
    for table in weights:
        _, sides = least_cut(table, *pair)
        if allows(sides):
            return _polished(left, allows, _grow(left, allows, sides))
    for start in pair:
        sides = np.zeros(len(left), dtype=np.bool_)
        sides[start] = True
        if allows(sides):
            return sides
    return None


def _grow(left: Bools, allows: Allows, sides: Bools) -> Bools:
    """Grow one side, always by the units that gain most; large ones in chunks."""
    units = len(left)
    chunk = max(1, units // CHUNKS)
    gain = (left[:, ~sides].sum(axis=1) - left[:, sides].sum(axis=1)).astype(np.int64)
    blocked = np.zeros(units, dtype=np.bool_)
    while True:
        rank = np.where(sides | blocked, 0, gain)
        order = np.argsort(-rank, kind="stable")[:chunk]
        order = order[rank[order] > 0]
        if len(order) == 0:
            return sides
        inside = int(left[np.ix_(order, order)].sum())
        if 5 * inside > int(gain[order].sum()):  # they would gain little together
            chunk = max(1, len(order) // 2)
            continue
        trial = sides.copy()
        trial[order] = True
        if allows(trial):
            sides = trial
            gain -= 2 * left[:, order].sum(axis=1)
        elif len(order) == 1:
            blocked[order] = True
        else:
            chunk = max(1, len(order) // 2)
        if int(blocked.sum()) >= REFUSALS:
            return sides


def _polished(left: Bools, allows: Allows, sides: Bools) -> Bools:
    """Move single units across as long as that parts more."""
    better = True
    while better:
        better = False
        gain = left[:, ~sides].sum(axis=1) - left[:, sides].sum(axis=1)
        gain = np.where(sides, -gain, gain)
        for unit in np.argsort(-gain, kind="stable"):
            if gain[unit] <= 0:
                break
            trial = sides.copy()
            trial[unit] = not trial[unit]
            if allows(trial):
                sides, better = trial, True
                break
    return sides


def _without_idle(need: Bools, cuts: tuple[Bools, ...]) -> tuple[Bools, ...]:
    """Drop cuts that the others make needless, the latest first."""
    kept = list(cuts)
    if len(kept) * need.size > 50_000_000:
        return cuts
    times = np.zeros(need.shape, dtype=np.int32)
    for cut in kept:
        times += cut[:, None] ^ cut[None, :]
    for cut in reversed(cuts):
        parts = cut[:, None] ^ cut[None, :]
        if not (need & parts & (times == 1)).any():
            times -= parts
            kept = [other for other in kept if other is not cut]
    return tuple(kept)
