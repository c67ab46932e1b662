"""What a search may do with the nets of a failed test, as tables over these nets."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from orchestrator.planning.sides_for_search import Sides
from orchestrator.planning.sorts import Bools, Ints

Pair = tuple[int, int]
"""Two nets, the lower number first."""

UNLIMITED = 1 << 30
"""Exposures where nothing limits them."""


@dataclass(frozen=True)
class Ground:
    """The nets in play and what may be done with them; tables are symmetric.

    Attributes:
        nets: row → number of the net; nets that the failed test left open are not in play.
        source: row → whether the failed test applied to it.
        may_oppose: whether two nets may stand on opposite sides at the search's level.
        left: how often they may still do so.
        cleared: pairs that passed tests have proved good at the search's kind and level.
        may_float: row → whether the net may be left open at the search's level.
        bodies: row → body; nets of one body are one conductor and move as one.
    """

    nets: tuple[int, ...]
    source: Bools
    may_oppose: Bools
    left: Ints
    cleared: Bools
    may_float: Bools
    bodies: Ints

    @classmethod
    def of(
        cls,
        apply_to: Sequence[int],
        against: Sequence[int],
        *,
        may_oppose: Callable[[int, int], bool],
        exposures: Callable[[int, int], int] = lambda one, other: UNLIMITED,
        cleared: Callable[[int, int], bool] = lambda one, other: False,
        may_float: Callable[[int], bool] = lambda net: False,
        body_of: Callable[[int], int] | None = None,
    ) -> Ground:
        """From questions about nets; asked once for each pair, the lower number first.

        For thousands of nets make the tables and the object directly: there are millions of pairs.

        Raises:
            ValueError: a side without nets, or a net on both.
        """
        nets = tuple(sorted({*apply_to, *against}))
        if not apply_to or not against or len(nets) != len(set(apply_to)) + len(set(against)):
            raise ValueError("each side needs nets, and none may be on both")
        size = len(nets)
        oppose, good = np.zeros((size, size), np.bool_), np.zeros((size, size), np.bool_)
        left = np.zeros((size, size), np.int64)
        for one, other in combinations(range(size), 2):
            pair = nets[one], nets[other]
            oppose[one, other] = oppose[other, one] = may_oppose(*pair)
            good[one, other] = good[other, one] = cleared(*pair)
            left[one, other] = left[other, one] = max(0, exposures(*pair))
        bodies = nets if body_of is None else [body_of(net) for net in nets]
        return cls(
            nets,
            np.isin(nets, list(apply_to)),
            oppose,
            left,
            good,
            np.array([may_float(net) for net in nets], dtype=np.bool_),
            np.array(bodies, dtype=np.int64),
        )

    def table(self, pairs: Iterable[Pair]) -> Bools:
        """Pairs of nets as a table.

        Raises:
            ValueError: a net that isn't in play, or one against itself.
        """
        row = {net: index for index, net in enumerate(self.nets)}
        found = np.zeros((len(self.nets), len(self.nets)), np.bool_)
        for one, other in pairs:
            if one == other or one not in row or other not in row:
                raise ValueError(f"nets {one} and {other} are no pair of the failed test")
            found[row[one], row[other]] = found[row[other], row[one]] = True
        return found

    def names(self, chosen: Bools) -> tuple[int, ...]:
        """The numbers of the chosen rows' nets."""
        return tuple(self.nets[int(row)] for row in np.flatnonzero(chosen))

    def oriented(self, sides: Sides) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Both sides; to the one that holds more of what the failed test applied to first."""
        here, there = sides == 1, sides == -1
        kept = int((self.source & here).sum()) + int((~self.source & there).sum())
        if 2 * kept < int(here.sum()) + int(there.sum()):
            here, there = there, here
        return self.names(here), self.names(there)


def in_play(sides: Sides) -> Bools:
    """The pairs that stand on opposite sides, as a table."""
    wide = sides.astype(np.int8)
    found: Bools = np.multiply.outer(wide, wide) < 0
    return found


def pairs_in(table: Bools, nets: Sequence[int]) -> tuple[Pair, ...]:
    """The pairs of a table; of thousands of nets there may be millions."""
    return tuple((nets[int(one)], nets[int(other)]) for one, other in np.argwhere(np.triu(table)))
