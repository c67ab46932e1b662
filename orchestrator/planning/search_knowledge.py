"""What the tests of a search have told so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from orchestrator.planning.ground import Pair
from orchestrator.planning.sorts import Bools


@dataclass(frozen=True, eq=False)
class FailedTest:
    """What a failed test opposed, and the nets that it left open."""

    opposed: Bools
    left_open: tuple[int, ...] = ()


@dataclass
class Known:
    """What is known of the pairs: tables over the nets in play, symmetric.

    Attributes:
        cleared: proved good. rest: suspects of which nothing more is known.
        bad: not to be opposed any more: found, or given up as inseparable.
        guessed: what a single fault would have to be; to be proved by clearing everything else.
        failing: sets with a faulty pair each.
        failed_tests: all that each failed test opposed, what had passed before included.
        alone: pairs that failed with nothing beside them, and the nets that were open then.
        singled: pairs that failed when all beside them had passed.
    """

    cleared: Bools
    rest: Bools
    bad: Bools
    guessed: Bools
    failing: list[Bools] = field(default_factory=list)
    failed_tests: list[FailedTest] = field(default_factory=list)
    alone: dict[Pair, tuple[int, ...]] = field(default_factory=dict)
    singled: set[Pair] = field(default_factory=set)

    def passed(self, opposed: Bools) -> list[Bools]:
        """A test passed; returns failing sets of which nothing is left."""
        self.cleared |= opposed
        self.rest &= ~opposed
        self.guessed &= ~opposed
        left = [(one, one & ~opposed) for one in self.failing]
        self.failing = [now for _, now in left if now.any()]
        self._drop_guesses()
        return [before for before, now in left if not now.any()]

    def failed(self, opposed: Bools, left_open: tuple[int, ...] = ()) -> Bools:
        """A test failed; returns what it may have been."""
        doubtful: Bools = opposed & ~self.cleared
        self.rest |= doubtful
        self.failing.append(doubtful)
        self.failed_tests.append(FailedTest(opposed, left_open))
        return doubtful

    def explaining(self, failing: Bools) -> tuple[Bools, FailedTest | None]:
        """What one fault, even one that comes and goes, would have to be, if ``failing`` is the
        pair that is left over: opposed by every failed test that nothing else explains.

        And the smallest of these tests. Tests that opposed another pair which never passed are
        left out: that pair may have been what failed there.
        """
        held = [
            test
            for test in self.failed_tests
            if (test.opposed & failing).any()
            and not (test.opposed & ~self.cleared & ~failing).any()
        ]
        if not held:
            return self.cleared | failing, None
        shared: Bools = np.logical_and.reduce([test.opposed for test in held])
        return shared, min(held, key=lambda test: np.count_nonzero(test.opposed))

    def contradicted(self) -> Bools:
        """Failed tests of which every pair has passed, too: what they have in common, or, if that
        is nothing, all that they opposed."""
        gone = [
            test.opposed for test in self.failed_tests if not (test.opposed & ~self.cleared).any()
        ]
        none = np.zeros_like(self.rest)
        shared: Bools = np.logical_and.reduce(gone) if gone else none
        return shared if shared.any() else np.logical_or.reduce([none, *gone])

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
