"""Whether something is declared of every pair that could hide an open lead.

A pair of which nothing is declared may conduct anything, so it is never taken as nothing.
"""

from __future__ import annotations

import numpy as np

from orchestrator.model.demands import Demands
from orchestrator.planning.sorts import Bools, Ints, sorts_of


class DeclaredPairs:
    """Pairs of nets with both a capacitance and an insulation declared, by sorts of nets."""

    def __init__(self, demands: Demands) -> None:
        self._sorts = sorts_of(demands)
        capacitances = self._sorts.any_of(one.pairs for one in demands.capacitances)
        insulations = self._sorts.any_of(one.pairs for one in demands.insulations)
        self._silent: Bools = ~(capacitances & insulations) & ~self._sorts.joined()

    def sort_of(self, net: int) -> int:
        """Nets of one sort differ in nothing that is declared of them."""
        return int(self._sorts.of_net[net])

    def tells_without(self, net: int, sides: Ints) -> bool:
        """Whether with this net's lead off nothing unknown may conduct: neither between the sides
        (1, 0) without it, nor between it and any net on one of them."""
        sort, side = int(self._sorts.of_net[net]), int(sides[net])
        count = self._sorts.count
        one, other = (
            np.bincount(self._sorts.of_net[sides == k], minlength=count) for k in (side, 1 - side)
        )
        one[sort] -= 1
        beside = bool((self._silent[sort] * (one + other)).any())
        across = bool(one @ self._silent.astype(np.int64) @ other)
        return not beside and not across
