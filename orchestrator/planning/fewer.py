"""Fewer tests than were found at first: one test is given up, and units of the others are moved
until they part its pairs too (a tabu search: F. Glover, ORSA J. Computing 1 (1989) 190-206).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.sums import Floats

MOVES = 4000
"""Moves for each test that is to be saved, with up to 20 units; fewer with more."""
LOOKS = 4000
"""So many sides at most are judged by the budgets, likewise."""
MANY = 120
"""Units beyond which moves cost too much."""
HELD = 7
"""So many moves at least a unit stays where it was put."""


def fewer(
    need: Bools, cuts: Sequence[Bools], allows: Callable[[Bools], bool], least: int
) -> tuple[Bools, ...]:
    """At most as many allowed cuts that part all pairs that these part. The same for the same
    arguments, whatever the machine. ``least``: a proved bound, where searching ends."""
    best = tuple(cuts)
    units = len(need)
    if units > MANY:
        return best
    parted = np.zeros_like(need)
    for cut in best:
        parted |= cut[:, None] ^ cut[None, :]
    search = _Search(need & parted, allows)
    while len(best) > max(least, 1):
        found = search.without_one(best)
        if found is None:
            return best
        best = found
    return best


class _Search:
    def __init__(self, need: Bools, allows: Callable[[Bools], bool]) -> None:
        self._need, self._allows = need.astype(np.float64), allows
        self._known: dict[bytes, bool] = {}
        self._random = np.random.default_rng(1)
        self._moves = MOVES * 20 // max(len(need), 20)
        self._looks = LOOKS * 20 // max(len(need), 20)

    def without_one(self, cuts: Sequence[Bools]) -> tuple[Bools, ...] | None:
        """All but one of the cuts, changed so that they part everything; None: not found."""
        sides = np.where(np.array(cuts), 1.0, -1.0)
        alone = [self._lost(sides, place) for place in range(len(sides))]
        sides = np.delete(sides, int(np.argmin(alone)), axis=0)
        held = np.zeros(sides.shape, dtype=np.int64)
        for move in range(self._moves):
            times = self._times(sides)
            open_ = self._need * (times < 0.5)
            left = open_.sum() / 2
            if left < 0.5:
                return tuple(side > 0 for side in sides)
            gain = self._gains(sides, times, open_)
            if not self._move(sides, gain, held, move, float(left)):
                return None
        return None

    def _times(self, sides: Floats) -> Floats:
        """How many tests part each pair of units."""
        return (len(sides) - sides.T @ sides) / 2

    def _lost(self, sides: Floats, place: int) -> float:
        """Pairs that only this test parts."""
        only = self._need * (np.abs(self._times(sides) - 1) < 0.5)
        side = sides[place]
        return float((only.sum() - side @ only @ side) / 4)

    def _gains(self, sides: Floats, times: Floats, open_: Floats) -> Floats:
        """Test and unit → pairs that moving it across parts anew, less those that it joins."""
        once = self._need * (np.abs(times - 1) < 0.5)
        anew = (open_.sum(axis=0) + sides * (sides @ open_)) / 2
        joined = (once.sum(axis=0) - sides * (sides @ once)) / 2
        found: Floats = anew - joined
        return found

    def _move(self, sides: Floats, gain: Floats, held: Ints, move: int, left: float) -> bool:
        """The best move that budgets allow; a unit just moved only if that ends the search."""
        noise = self._random.random(gain.shape)
        rank = np.where((held > move) & (gain < left), -np.inf, gain + 0.5 * noise)
        for flat in np.argsort(-rank, axis=None):
            test, unit = divmod(int(flat), sides.shape[1])
            if rank[test, unit] == -np.inf or self._looks <= 0:
                return False
            sides[test, unit] *= -1
            if self._fits(sides[test]):
                held[test, unit] = move + HELD + int(self._random.integers(HELD))
                return True
            sides[test, unit] *= -1
        return False

    def _fits(self, side: Floats) -> bool:
        mine = side > 0
        key = np.packbits(mine ^ mine[0]).tobytes()
        if key not in self._known:
            self._looks -= 1
            self._known[key] = not (mine != mine[0]).any() or self._allows(mine)
        return self._known[key]
