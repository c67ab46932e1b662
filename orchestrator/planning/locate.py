"""Finding the pair that made a grouped test fail: adaptive splitting as pure search.

The search is told what the group tests proved already and asks for one test after another; whoever
runs them tells it whether each passed. It never asks for a test that opposes a pair that mustn't be
opposed or whose exposures are used up, and never leaves a net open that may not be.

What it takes for granted: a test fails exactly if it opposes a faulty pair, and the same test would
end the same way twice. So the caller sets each test's limits for its own group, and a pair is named
only if it failed alone or, where exposures forbid that, with the evidence 'by elimination'. Where
nets are left open, two faulty pairs in a row through an open net look like one between its ends;
`Located.left_open` names what was open.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from orchestrator.planning.ground import Ground, Pair, in_play, pairs_in
from orchestrator.planning.group_sizes import hwang_group, information_bound, split_sizes
from orchestrator.planning.search_answers import (
    COMES_AND_GOES,
    EXPOSED,
    HELD,
    JOINED,
    UNPROVED,
    Answer,
    Ask,
    Evidence,
    Found,
    Located,
    NotReproduced,
    Stuck,
    Unresolved,
)
from orchestrator.planning.search_knowledge import Known
from orchestrator.planning.sides_for_search import Arranger, Sides, Wish
from orchestrator.planning.sorts import Bools


@dataclass
class _Result:
    located: list[Located] = field(default_factory=list)
    unresolved: list[Unresolved] = field(default_factory=list)
    tests: int = 0


class Search:
    """The search for the faulty pairs of one failed test.

    Usage: ``answer = search.next()``; while it is an `Ask`, run it and call `told`.

    Args:
        ground: nets in play and what may be done with them.
        suspects: pairs that the failed test opposed and that no passed test of the same kind, at
            the same level or above, has proved good.
        reproduces: whether the failed test counts as a failure at the level of the search (same
            kind and level); else the first test sees whether the fault shows there at all.
        faults: how many faulty pairs to reckon with; only the number of tests depends on it.
        confirm: test a pair that was found by elimination alone, too, if it may be.

    Raises:
        ValueError: no suspect, or one outside the nets in play.
    """

    def __init__(
        self,
        ground: Ground,
        suspects: Iterable[Pair],
        *,
        reproduces: bool = False,
        faults: int = 1,
        confirm: bool = True,
    ) -> None:
        self._ground, self._faults, self._confirm = ground, max(1, faults), confirm
        rest = ground.table(suspects)
        if not rest.any():
            raise ValueError("there is no suspect")
        self._suspects = rest
        cleared = ground.cleared & ~rest
        none = np.zeros_like(rest)
        self._known = Known(cleared, rest.copy(), none, none.copy())
        if reproduces:
            self._known.failing.append(rest.copy())
        self._left = ground.left.copy()
        self._bodies = ground.bodies.copy()
        self._asked: tuple[Ask, Sides] | None = None
        self._result = _Result()

    @property
    def located(self) -> tuple[Located, ...]:
        """What has been found so far; who wants one pair only may stop at the first."""
        return tuple(self._result.located)

    @property
    def exposures_left(self) -> dict[Pair, int]:
        """What is left of the suspects' exposures; every test that was told counts."""
        return {
            pair: int(self._left[one, other])
            for pair, (one, other) in zip(
                self._pairs(self._suspects), np.argwhere(np.triu(self._suspects)), strict=True
            )
        }

    def told(self, passed: bool | None) -> None:
        """How the test that was asked for ended; None: without a verdict, which proves nothing.

        Each pair that it opposed has been exposed once more in any case.

        Raises:
            ValueError: no test is asked for.
        """
        if self._asked is None:
            raise ValueError("no test was asked for")
        (ask, sides), self._asked = self._asked, None
        self._result.tests += 1
        opposed = in_play(sides)
        self._left[opposed] -= 1
        if passed:
            for before in self._known.passed(opposed):
                self._result.unresolved.append(Unresolved(self._pairs(before), COMES_AND_GOES))
        elif passed is not None:
            doubtful = self._known.failed(opposed)
            if doubtful.sum() == 2:
                self._known.alone[self._pairs(doubtful)[0]] = ask.left_open

    def next(self) -> Answer:
        """The next test, or how the search ended. The same again until the test was told."""
        while self._asked is None:
            known = self._known
            single = next((one for one in known.failing if one.sum() == 2), None)
            if single is not None:
                self._settle(single)
            elif (failing := known.smallest()) is not None:
                self._split(failing)
            elif not (self._look_for_more() or self._try_guesses()):
                return self._end()
        return self._asked[0]

    # ---- what there is to do ---------------------------------------------------------------------

    def _look_for_more(self) -> bool:
        """Test what is left of the suspects, all at once if nothing speaks against it."""
        rest = self._known.rest & ~self._known.guessed & (self._left > 0)
        if not rest.any():
            return False
        low, high = self._sizes_without_failure(rest)
        return self._ask_for(rest, low, high) or self._ask_for(rest, low, high, beside=True)

    def _try_guesses(self) -> bool:
        """Everything else is proved or out of reach: test each guess alone, or give it up."""
        known = self._known
        for one, other in np.argwhere(np.triu(known.guessed)):
            pair = np.zeros_like(known.guessed)
            pair[one, other] = pair[other, one] = True
            known.guessed &= ~pair
            if self._left[one, other] > 0 and self._ask_for(pair, 1, 1, all_too=True):
                return True
            known.guessed |= pair
        if not known.failing:
            return False
        self._set_aside(min(known.failing, key=np.count_nonzero))
        return True

    def _sizes_without_failure(self, rest: Bools) -> tuple[int, int]:
        count, exposures = int(rest.sum()) // 2, int(self._left[rest].min())
        expected = self._faults - len(self._result.located)
        if exposures <= information_bound(count):
            return split_sizes(count, exposures, failing=False)
        if expected >= 2:
            return (size := hwang_group(count, expected)), size
        return count, count

    def _split(self, failing: Bools) -> None:
        """Test about half of a set that is known to have a faulty pair."""
        if self._halve(failing, beside=False):
            return
        # Not possible with proved pairs beside it alone: then on what a single fault must be, which
        # the failing sets have in common. That is a guess until everything else has passed.
        common = self._known.common(failing)
        if common.sum() > 2 and self._halve(common, beside=True):
            return
        if common.sum() == 2:
            self._known.guessed |= common
            return
        self._set_aside(failing)

    def _halve(self, failing: Bools, *, beside: bool) -> bool:
        open_to_test = failing & (self._left > 0)
        if not open_to_test.any():
            return False
        exposures = int(self._left[open_to_test].min())
        low, high = split_sizes(int(failing.sum()) // 2, exposures, failing=True)
        return self._ask_for(failing, low, high, beside=beside, all_too=False)

    def _settle(self, failing: Bools) -> None:
        """One pair is left of a failing set: test it alone, or believe it."""
        (pair,) = self._pairs(failing)
        alone = pair in self._known.alone
        if not alone and self._confirm and self._left[failing].min() > 0:
            self._known.guessed &= ~failing
            if self._ask_for(failing, 1, 1):
                return
        evidence = Evidence.FAILED_ALONE if alone else Evidence.ELIMINATION
        self._result.located.append(Located(pair, evidence, self._known.alone.get(pair, ())))
        self._known.close(failing)
        # It conducts: its nets count as one conductor from here on.
        one, other = (int(net) for net in np.argwhere(failing)[0])
        self._bodies[self._bodies == self._bodies[other]] = self._bodies[one]

    def _set_aside(self, failing: Bools) -> None:
        self._result.unresolved.append(Unresolved(self._pairs(failing), self._reason(failing)))
        self._known.close(failing)

    # ---- sides -----------------------------------------------------------------------------------

    def _ask_for(
        self, wanted: Bools, low: int, high: int, *, beside: bool = False, all_too: bool = True
    ) -> bool:
        """Ask for a test of so many of the wanted pairs; whether there is one.

        ``beside``: other pairs that may be faulty may be opposed as well. ``all_too``: a test of
        all the wanted ones would tell something.
        """
        known, ground = self._known, self._ground
        unknown = ~(known.cleared | wanted | known.bad | known.guessed)
        conflict = ~ground.may_oppose | (self._left < 1) | known.bad | known.guessed
        if not beside:
            conflict, unknown = conflict | unknown, np.zeros_like(unknown)
        wish = Wish(wanted, conflict, unknown, low, high, not all_too)
        sides = Arranger(self._bodies, ground.may_float).arrange(wish)
        if sides is not None:
            self._ask(sides, wanted)
        return sides is not None

    def _reason(self, failing: Bools) -> str:
        """Which of the constraints keeps a group from being split."""
        ground, known = self._ground, self._known
        count = int(failing.sum()) // 2
        none = np.zeros_like(failing)
        unknown = ~(known.cleared | failing | known.bad)
        forbidden, spent, now = ~ground.may_oppose, self._left < 1, self._bodies
        for reason, conflict, bodies in (
            (UNPROVED, forbidden | known.bad | spent, now),
            (EXPOSED, forbidden | known.bad | unknown, now),
            (EXPOSED, forbidden | known.bad, now),
            (JOINED, forbidden, ground.bodies),
        ):
            wish = Wish(failing, conflict, none, 1, max(1, count - 1), count > 1)
            if Arranger(bodies, ground.may_float).arrange(wish) is not None:
                return reason
        return HELD

    def _ask(self, sides: Sides, wanted: Bools) -> None:
        opposed = in_play(sides)
        if (opposed & (~self._ground.may_oppose | (self._left < 1))).any():
            raise RuntimeError("a search test would oppose a pair that it must not: not asked for")
        if ((sides == 0) & ~self._ground.may_float).any():
            raise RuntimeError("a search test would leave open what it must not: not asked for")
        others = opposed & ~self._known.cleared & ~wanted
        here, there = self._ground.oriented(sides)
        ask = Ask(
            here,
            there,
            self._ground.names(sides == 0),
            int((opposed & wanted).sum()) // 2,
            int(others.sum()) // 2,
        )
        self._asked = ask, sides

    def _pairs(self, table: Bools) -> tuple[Pair, ...]:
        return pairs_in(table, self._ground.nets)

    def _end(self) -> Answer:
        known, result = self._known, self._result
        located = tuple(result.located)
        untested = self._pairs(known.rest)
        if not untested and not result.unresolved:
            if located:
                return Found(located, result.tests)
            return NotReproduced(self._pairs(self._suspects), result.tests)
        reasons = dict.fromkeys(one.reason for one in result.unresolved)
        if untested:
            reasons[self._reason(known.rest)] = None
        candidates = dict.fromkeys(pair for one in result.unresolved for pair in one.pairs)
        candidates |= dict.fromkeys(untested)
        return Stuck(
            "; ".join(reasons),
            tuple(candidates),
            located,
            tuple(result.unresolved),
            untested,
            result.tests,
        )
