"""Graphs on few nodes as bit masks: cliques, Mycielski growth, exact colouring within limits."""

from __future__ import annotations

from collections.abc import Sequence

Masks = Sequence[int]
"""Node → its neighbours as a whole number with one bit for each."""


def nodes_of(mask: int) -> list[int]:
    """The nodes of a mask, lowest first."""
    found = []
    while mask:
        low = mask & -mask
        found.append(low.bit_length() - 1)
        mask ^= low
    return found


class GaveUp(Exception):
    """The node limit of a search was reached."""


class _Count:
    def __init__(self, limit: int) -> None:
        self._left = limit

    def one(self) -> None:
        self._left -= 1
        if self._left < 0:
            raise GaveUp


def largest_clique(masks: Masks, limit: int) -> tuple[tuple[int, ...], bool]:
    """A largest clique, and whether it is known to be one; else the best found within the limit.

    Branch and bound; the bound is a greedy colouring of the candidates (Tomita and Seki 2003).
    """
    best: list[int] = []
    count = _Count(limit)

    def grow(chosen: list[int], candidates: int) -> None:
        nonlocal best
        count.one()
        order, colours = _coloured_order(masks, candidates)
        for place in range(len(order) - 1, -1, -1):
            if len(chosen) + colours[place] <= len(best):
                return
            node = order[place]
            chosen.append(node)
            if rest := candidates & masks[node]:
                grow(chosen, rest)
            elif len(chosen) > len(best):
                best = list(chosen)
            chosen.pop()
            candidates &= ~(1 << node)

    try:
        grow([], (1 << len(masks)) - 1)
    except GaveUp:
        return tuple(sorted(best)), False
    return tuple(sorted(best)), True


def _coloured_order(masks: Masks, candidates: int) -> tuple[list[int], list[int]]:
    order: list[int] = []
    colours: list[int] = []
    colour = 0
    while candidates:
        colour += 1
        rest = candidates
        while rest:
            low = rest & -rest
            node = low.bit_length() - 1
            rest &= ~(masks[node] | low)
            candidates ^= low
            order.append(node)
            colours.append(colour)
    return order, colours


def mycielski_growth(masks: Masks, clique: Sequence[int]) -> int:
    """A lower bound of the chromatic number that can exceed the clique.

    From a set H with chromatic number at least k: if each v of H has some node u that sees all
    neighbours of v within H, and one node sees all these u, then H with them needs k + 1 colours
    (J. Mycielski, Colloq. Math. 3 (1955) 161-162; used as bound by Hebrard and Katsirelos 2018;
    both from memory, and checked against brute force in the tests).
    """
    bound, inside = len(clique), list(clique)
    everyone = range(len(masks))
    while bound >= 2:
        within = sum(1 << node for node in inside)
        stand_ins: list[list[int]] = []
        hubs = (1 << len(masks)) - 1
        for node in inside:
            needed = masks[node] & within
            fitting = [other for other in everyone if needed & ~masks[other] == 0]
            stand_ins.append(fitting)
            seen = 0
            for other in fitting:
                seen |= masks[other]
            hubs &= seen
        if not hubs:
            return bound
        hub = (hubs & -hubs).bit_length() - 1
        grown = {hub, *inside}
        for fitting in stand_ins:
            grown.add(next(other for other in fitting if masks[other] >> hub & 1))
        inside = sorted(grown)
        bound += 1
    return bound


def colouring_with(
    masks: Masks, colours: int, limit: int, start: Sequence[int] = ()
) -> tuple[int, ...] | None:
    """A colouring with at most so many colours, or None: there is none.

    Backtracking on the node with the most colours about it (Brelaz 1979). ``start``: a clique that
    gets the first colours.

    Raises:
        GaveUp: neither was found within the limit of nodes.
    """
    if len(start) > colours:
        return None
    count = _Count(limit)
    chosen = [-1] * len(masks)
    about = [0] * len(masks)
    degree = [mask.bit_count() for mask in masks]

    def put(node: int, colour: int) -> list[int]:
        chosen[node] = colour
        touched = []
        for other in nodes_of(masks[node]):
            if chosen[other] < 0 and not about[other] >> colour & 1:
                about[other] |= 1 << colour
                touched.append(other)
        return touched

    def search(left: int, used: int) -> bool:
        if left == 0:
            return True
        count.one()
        node = max(
            (n for n in range(len(masks)) if chosen[n] < 0),
            key=lambda n: (about[n].bit_count(), degree[n]),
        )
        for colour in range(min(used + 1, colours)):
            if about[node] >> colour & 1:
                continue
            touched = put(node, colour)
            if all(about[other].bit_count() < colours for other in touched) and search(
                left - 1, max(used, colour + 1)
            ):
                return True
            chosen[node] = -1
            for other in touched:
                about[other] &= ~(1 << colour)
        return False

    for colour, node in enumerate(start):
        put(node, colour)
    found = search(len(masks) - len(start), len(start))
    return tuple(chosen) if found else None


def _independent(
    masks: Masks, others: Masks, count: _Count, wanted: tuple[int, int, int]
) -> list[int]:
    """Maximal independent sets that hold a node, within some nodes, of at least some size.

    ``wanted``: the node, the nodes, the size. Bron and Kerbosch with a pivot.
    """
    node, rest, least = wanted
    found: list[int] = []

    def grow(members: int, open_: int, closed: int) -> None:
        count.one()
        if members.bit_count() + _cover(masks, open_) < least:
            return
        if not open_:
            if not closed:
                found.append(members)
            return
        pivot = max(nodes_of(open_ | closed), key=lambda n: (open_ & others[n]).bit_count())
        for one in nodes_of(open_ & ~others[pivot]):
            grow(members | 1 << one, open_ & others[one], closed & others[one])
            open_ &= ~(1 << one)
            closed |= 1 << one

    grow(1 << node, rest & others[node], 0)
    return found


def partition_with(masks: Masks, colours: int, limit: int) -> tuple[int, ...] | None:
    """The same question answered by independent sets: each colour is one of them.

    Good where classes must be nearly as large as any independent set (a queen on each line).

    Raises:
        GaveUp: neither was found within the limit of nodes.
    """
    everyone = (1 << len(masks)) - 1
    others = [everyone & ~mask & ~(1 << node) for node, mask in enumerate(masks)]
    count = _Count(limit)
    widest, exact = largest_clique(others, limit)
    if not exact:
        raise GaveUp
    largest = len(widest)
    sets: list[int] = []

    def search(rest: int, left: int) -> bool:
        if not rest:
            return True
        if left == 0 or rest.bit_count() > left * largest:
            return False
        least = rest.bit_count() - (left - 1) * largest
        node = max(nodes_of(rest), key=lambda n: (masks[n] & rest).bit_count())
        for chosen in _independent(masks, others, count, (node, rest, least)):
            sets.append(chosen)
            if search(rest & ~chosen, left - 1):
                return True
            sets.pop()
        return False

    if not search(everyone, colours):
        return None
    found = [0] * len(masks)
    for colour, members in enumerate(sets):
        for node in nodes_of(members):
            found[node] = colour
    return tuple(found)


def _cover(masks: Masks, candidates: int) -> int:
    """How many cliques cover the candidates, greedily: no independent set is larger."""
    cliques = 0
    while candidates:
        cliques += 1
        rest = candidates
        while rest:
            low = rest & -rest
            node = low.bit_length() - 1
            rest &= masks[node]
            candidates ^= low
    return cliques
