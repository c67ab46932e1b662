"""Pairs that a search has singled out, and whether its tests leave no other explanation."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from orchestrator.planning.ground import Ground, Pair
from orchestrator.planning.search_answers import Evidence, Located
from orchestrator.planning.search_knowledge import Known
from orchestrator.planning.sorts import Bools, Ints


@dataclass
class SingledOut:
    """``tables``: the pairs, each as a table over the nets in play."""

    ground: Ground
    known: Known
    tables: dict[Pair, Bools] = field(default_factory=dict)

    def is_certain(self, pair: Pair) -> bool:
        """Whether it failed with nothing beside it, or is all that its failed tests share."""
        if pair in self.known.alone:
            return True
        shared, smallest = self.known.explaining(self.tables[pair])
        return smallest is not None and int(shared.sum()) == 2

    def company(self, pair: Pair) -> Bools:
        """What else may have been what failed, if it comes and goes."""
        table = self.tables[pair]
        shared, _ = self.known.explaining(table)
        return shared & ~table

    def joined(self, pair: Pair) -> bool:
        """Whether all its company is the same pair of conductors, as the other pairs conduct."""
        bodies = self.bodies(but=pair)
        ends = [bodies == bodies[self.ground.nets.index(net)] for net in pair]
        same = np.logical_and.outer(*ends)
        return not bool((self.company(pair) & ~(same | same.T)).any())

    def located(self, *, certain: bool = False) -> tuple[Located, ...]:
        """The pairs with their evidence. ``certain``: only those that need no more test."""
        wanted = [pair for pair in self.tables if not certain or self.is_certain(pair)]
        return tuple(self._located(pair) for pair in wanted)

    def _located(self, pair: Pair) -> Located:
        alone = self.known.alone.get(pair)
        if alone is not None:
            return Located(pair, Evidence.FAILED_ALONE, alone)
        _, smallest = self.known.explaining(self.tables[pair])
        if smallest is None:
            return Located(pair, Evidence.OTHERS_PASSED)
        beside = int(smallest.opposed.sum()) // 2 - 1
        return Located(pair, Evidence.OTHERS_PASSED, smallest.left_open, beside)

    def bodies(self, but: Pair | None = None) -> Ints:
        """Net → body, the nets of each pair being one conductor, as it conducts; ``but`` of one."""
        bodies = self.ground.bodies
        for pair in self.tables:
            if pair != but:
                one, other = (self.ground.nets.index(net) for net in pair)
                bodies = np.where(bodies == bodies[other], bodies[one], bodies)
        return bodies
