"""Which nets may stand on opposite sides at a level, and which must therefore stay together.

In a test of two sides every net is on one of them. So nets that mustn't be opposed are on one side,
and so are all that hang together through such pairs: they are merged into one unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

import numpy as np

from orchestrator.formulas.currents import ROOT_TWO
from orchestrator.model.demands import Demands
from orchestrator.model.words import Waveform
from orchestrator.planning.sorts import Bools, Ints, Sorts


def allowed_pairs(demands: Demands, sorts: Sorts, waveform: Waveform, wire_v: Decimal) -> Bools:
    """Which pairs of sorts may see ``wire_v``: `Demands.highest` for all pairs at once."""
    ac = waveform is Waveform.AC
    shape = (sorts.count, sorts.count)
    held = np.zeros(shape, dtype=np.bool_)
    for ceiling in demands.ceilings:
        sorts.mark(held, ceiling.pairs)
    low = declared_below(demands, sorts, waveform, wire_v)
    allowed = demands.allowed
    undeclared = (allowed.undeclared_ac_v if ac else allowed.undeclared_dc_v) or Decimal(0)
    asked = np.full(shape, undeclared >= wire_v, dtype=np.bool_)
    for demand in demands.pair_demands:
        its_v = demand.ceiling_v
        if demand.waveform is not waveform:
            its_v = its_v / ROOT_TWO if ac else its_v * ROOT_TWO
        if its_v >= wire_v:
            sorts.mark(asked, demand.pairs)
    may = np.where(held, ~low, asked)
    may &= ~sorts.joined()
    return may


def declared_below(demands: Demands, sorts: Sorts, waveform: Waveform, wire_v: Decimal) -> Bools:
    """Which pairs of sorts a `never_above` keeps from ``wire_v``, an open net among them too."""
    ac = waveform is Waveform.AC
    low = np.zeros((sorts.count, sorts.count), dtype=np.bool_)
    for ceiling in demands.ceilings:
        if (ceiling.ac_v if ac else ceiling.dc_v) < wire_v:
            sorts.mark(low, ceiling.pairs)
    low &= ~sorts.joined()
    return low


@dataclass(frozen=True)
class Units:
    """What is moved as a whole at a level: merged nets, or single ones.

    Rows of tables are *blocks*: a merged unit, or a sort whose nets are units of their own.

    Attributes:
        block_of: sort → block, -1: left open.
        blocks: block → its sorts.
        free: block → whether each net of it is a unit of its own.
        forbidden: pairs of sorts that mustn't be opposed.
    """

    sorts: Sorts
    block_of: Ints
    blocks: tuple[tuple[int, ...], ...]
    free: Bools
    forbidden: Bools

    @cached_property
    def sizes(self) -> Ints:
        """Block → number of units."""
        return np.array(
            [
                int(self.sorts.sizes[b[0]]) if f else 1
                for b, f in zip(self.blocks, self.free, strict=True)
            ],
            dtype=np.int64,
        )

    def table(self, pairs: Bools) -> Bools:
        """A table of sorts as one of blocks; the diagonal is kept for free blocks only."""
        if not self.blocks:  # every net may be left open, so none has to stand on a side
            return np.zeros((0, 0), dtype=np.bool_)
        if len(self.blocks) == self.sorts.count:
            order = np.array([block[0] for block in self.blocks], dtype=np.int64)
            found = pairs[np.ix_(order, order)]
        else:
            order = np.array([sort for block in self.blocks for sort in block], dtype=np.int64)
            begin = np.cumsum([0, *(len(block) for block in self.blocks[:-1])])
            some = np.logical_or.reduceat(pairs[np.ix_(order, order)], begin, axis=0)
            found = np.logical_or.reduceat(some, begin, axis=1)
        found = found.copy()
        diagonal = np.diag_indices(len(self.blocks))
        found[diagonal] &= self.free
        return found

    def trapped(self, pairs: Bools) -> Bools:
        """Which of these pairs of sorts lie within one unit and can't be opposed."""
        mine, theirs = self.block_of[:, None], self.block_of[None, :]
        same: Bools = (mine == theirs) & (mine >= 0)
        free = np.flatnonzero(self.free)
        sorts = [self.blocks[int(block)][0] for block in free]
        same[sorts, sorts] = False
        same &= pairs
        return same

    def chain(self, one: int, other: int) -> tuple[int, ...]:
        """Nets from one net to another, each two in a row mustn't be opposed; shortest."""
        first, last = int(self.sorts.of_net[one]), int(self.sorts.of_net[other])
        before: dict[int, int] = {}
        layer = [first]
        while layer and last not in before:
            following = []
            for sort in layer:
                for near in np.flatnonzero(self.forbidden[sort]):
                    if int(near) not in before and self.block_of[near] >= 0:
                        before[int(near)] = sort
                        following.append(int(near))
            layer = following
        if last not in before:
            return ()
        path = [last]
        while True:
            path.append(before[path[-1]])
            if path[-1] == first:
                break
        between = [int(self.sorts.first[sort]) for sort in reversed(path[1:-1])]
        return (one, *between, other)


def units_of(sorts: Sorts, allowed: Bools, *, leaving_open: Iterable[int] = ()) -> Units:
    """Merge what mustn't be opposed. ``leaving_open``: sorts that take no part."""
    forbidden = ~allowed
    diagonal = np.diag_indices(sorts.count)
    forbidden[diagonal] &= sorts.sizes > 1
    part = np.ones(sorts.count, dtype=np.bool_)
    part[list(leaving_open)] = False
    component = np.full(sorts.count, -1, dtype=np.int64)
    blocks: list[tuple[int, ...]] = []
    free: list[bool] = []
    for sort in range(sorts.count):
        if not part[sort] or component[sort] >= 0:
            continue
        reached = _reach(forbidden, sort, part)
        component[reached] = len(blocks)
        blocks.append(tuple(int(one) for one in reached))
        free.append(len(reached) == 1 and not forbidden[sort, sort])
    return Units(sorts, component, tuple(blocks), np.array(free, dtype=np.bool_), forbidden)


def _reach(forbidden: Bools, start: int, part: Bools) -> Ints:
    seen = np.zeros(len(part), dtype=np.bool_)
    seen[start] = True
    waiting = [start]
    while waiting:
        fresh = forbidden[waiting.pop()] & part & ~seen
        seen |= fresh
        waiting.extend(int(one) for one in np.flatnonzero(fresh))
    return np.flatnonzero(seen).astype(np.int64)


def wire_levels(
    demands: Demands, waveform: Waveform, level_v: Decimal, ceiling_v: Decimal
) -> Iterator[Decimal]:
    """What the wire may be let carry in a test at a level, the most first.

    A lower one lets more pairs be opposed; only values at which that changes are worth trying.
    """
    ac = waveform is Waveform.AC
    values = {ceiling_v, level_v}
    for ceiling in demands.ceilings:
        values.add(ceiling.ac_v if ac else ceiling.dc_v)
    for demand in demands.pair_demands:
        its_v = demand.ceiling_v
        if demand.waveform is not waveform:
            its_v = its_v / ROOT_TWO if ac else its_v * ROOT_TWO
        values.add(its_v)
    yield from sorted((v for v in values if level_v <= v <= ceiling_v), reverse=True)
