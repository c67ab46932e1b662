"""What the tests of a search have told so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from orchestrator.planning.ground import Pair
from orchestrator.planning.sorts import Bools


@dataclass
class Known:
    """What is known of the pairs: tables over the nets in play, symmetric.

    Attributes:
        cleared: proved good. rest: suspects of which nothing more is known.
        bad: not to be opposed any more: found, or given up as inseparable.
        guessed: what a single fault would have to be; to be proved by clearing everything else.
        failing: sets with a faulty pair each.
        alone: pairs that failed alone, and the nets that were open then.
    """

    cleared: Bools
    rest: Bools
    bad: Bools
    guessed: Bools
    failing: list[Bools] = field(default_factory=list)
    alone: dict[Pair, tuple[int, ...]] = field(default_factory=dict)

    def passed(self, opposed: Bools) -> list[Bools]:
        """A test passed; returns failing sets of which nothing is left."""
        self.cleared |= opposed
        self.rest &= ~opposed
        self.guessed &= ~opposed
        left = [(one, one & ~opposed) for one in self.failing]
        self.failing = [now for _, now in left if now.any()]
        self._drop_guesses()
        return [before for before, now in left if not now.any()]

    def failed(self, opposed: Bools) -> Bools:
        """A test failed; returns what it may have been."""
        doubtful: Bools = opposed & ~self.cleared
        self.rest |= doubtful
        self.failing.append(doubtful)
        return doubtful

    def close(self, pairs: Bools) -> None:
        """Don't oppose these any more: a test that did would fail whatever the others are like."""
        self.bad |= pairs
        self.rest &= ~pairs
        self.guessed &= ~pairs
        self.failing = [one for one in self.failing if not (one & pairs).any()]
        self._drop_guesses()

    def _drop_guesses(self) -> None:
        """A guess holds only as long as a failing set needs it."""
        self.guessed &= np.logical_or.reduce([np.zeros_like(self.rest), *self.failing])

    def smallest(self) -> Bools | None:
        """The smallest failing set without a guess."""
        free = [one for one in self.failing if not (one & self.guessed).any()]
        return min(free, key=np.count_nonzero, default=None)

    def common(self, failing: Bools) -> Bools:
        """What a single fault would have to be, by all failing sets that agree with this one."""
        held = failing
        for one in sorted(self.failing, key=np.count_nonzero):
            if (held & one).any() and not (one & self.guessed).any():
                held = held & one
        return held
