"""Finding the pair that made a grouped test fail: adaptive splitting as pure search.

The search is told what the group tests proved already and asks for one test after another; whoever
runs them tells it whether each passed. It never asks for a test that opposes a pair that mustn't be
opposed or whose exposures are used up, and never leaves a net open that may not be.

What it takes for granted: a test fails exactly if it opposes a faulty pair. So the caller sets each
test's limits for its own group, and says which tests can't be judged by any limit (`judgeable`).

A pair is named only if it failed with nothing beside it, or if it never passed and is all that the
failed tests have in common of what did pass since: then no single pair that comes and goes, beside
any number of steady ones, explains them instead. Where the splits don't show that, the pair is
tested once more in other company in the end. What can't be confirmed so, and what failed together
while each of it has passed, too, ends as candidates. Where nets are left open,
two faulty pairs in a row through an open net look like one between its ends; `Located.left_open`
names what was open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np

from orchestrator.planning.ground import Ground, Pair, in_play, pairs_in
from orchestrator.planning.group_sizes import hwang_group, information_bound, split_sizes
from orchestrator.planning.search_answers import (
    COMES_AND_GOES,
    JOINED,
    MASKED,
    UNCONFIRMED,
    Answer,
    Ask,
    Found,
    Located,
    NotReproduced,
    Stuck,
    Unresolved,
)
from orchestrator.planning.search_knowledge import FailedTest, Known
from orchestrator.planning.search_reasons import why_inseparable
from orchestrator.planning.sides_for_search import Arranger, Sides, Wish
from orchestrator.planning.singled_out import SingledOut
from orchestrator.planning.sorts import Bools

Judgeable = Callable[[tuple[int, ...], tuple[int, ...]], bool]
"""Of the nets of two sides: whether a good group passes such a test and one bad pair doesn't."""

MOST_SINGLES = 50
"""So many single pairs are tried where larger groups can't be judged."""


@dataclass
class _Result:
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
        judgeable: which tests can be judged; others are not asked for.

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
        judgeable: Judgeable = lambda apply_to, against: True,
    ) -> None:
        self._ground, self._faults, self._judgeable = ground, max(1, faults), judgeable
        rest = ground.table(suspects)
        if not rest.any():
            raise ValueError("there is no suspect")
        self._suspects = rest
        cleared = ground.cleared & ~rest
        none = np.zeros_like(rest)
        self._known = Known(cleared, rest.copy(), none, none.copy())
        if reproduces:
            self._known.failing.append(rest.copy())
            across: Bools = np.not_equal.outer(ground.source, ground.source)
            self._known.failed_tests.append(FailedTest(across))
        self._left = ground.left.copy()
        self._singled = SingledOut(ground, self._known)
        self._asked: tuple[Ask, Sides] | None = None
        self._masked = False
        self._withdrawn: set[bytes] = set()
        self._confirming: Pair | None = None
        self._result = _Result()

    @property
    def located(self) -> tuple[Located, ...]:
        """The pairs singled out so far; not all of them are confirmed yet, see `certain`."""
        return self._singled.located()

    @property
    def certain(self) -> tuple[Located, ...]:
        """Those of which no more test is needed: who wants one pair only may stop at the first."""
        return self._singled.located(certain=True)

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
        confirmed, self._confirming = self._confirming, None
        self._result.tests += 1
        opposed = in_play(sides)
        self._left[opposed] -= 1
        if passed:
            if self._known.passed(opposed) or confirmed is not None:
                self._contradicted()
            if confirmed is not None:
                self._singled.tables.pop(confirmed)
        elif passed is not None and confirmed is not None:
            self._known.failed_tests.append(FailedTest(opposed, ask.left_open))
        elif passed is not None:
            doubtful = self._known.failed(opposed, ask.left_open)
            if doubtful.sum() == 2:
                self._known.singled.add(self._pairs(doubtful)[0])
            if opposed.sum() == 2:
                self._known.alone[self._pairs(opposed)[0]] = ask.left_open

    def withdraw(self) -> None:
        """The test that was asked for can't be judged after all; it was not run.

        Raises:
            ValueError: no test is asked for.
        """
        if self._asked is None:
            raise ValueError("no test was asked for")
        (_, sides), self._asked, self._confirming = self._asked, None, None
        self._withdrawn.add(sides.tobytes())

    def next(self) -> Answer:
        """The next test, or how the search ended. The same again until the test was told."""
        while self._asked is None:
            known = self._known
            self._masked = False
            single = next((one for one in known.failing if one.sum() == 2), None)
            if single is not None:
                self._settle(single)
            elif (failing := known.smallest()) is not None:
                self._split(failing)
            elif not (self._look_for_more() or self._try_guesses() or self._confirm()):
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
        expected = self._faults - len(self._singled.tables)
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
        """One pair is left of a failing set: test it by itself, if it may be; then it counts as
        found until it is to be confirmed."""
        (pair,) = self._pairs(failing)
        if pair not in self._known.singled and self._left[failing].min() > 0:
            self._known.guessed &= ~failing
            shared, _ = self._known.explaining(failing)
            sides = self._sparest(failing, shared & ~failing)
            if sides is not None and self._ask(sides, failing):
                return
        self._singled.tables[pair] = failing
        self._known.close(failing)

    def _confirm(self) -> bool:
        """Test a pair that was found once more, in other company; what can't be is no proof."""
        for pair, table in tuple(self._singled.tables.items()):
            if self._singled.is_certain(pair):
                continue
            company = self._singled.company(pair)
            if self._left[table].min() > 0:
                self._known.bad &= ~table
                sides = self._sparest(table, company, but=pair)
                self._known.bad |= table
                tells = sides is not None and (company & ~in_play(sides)).any()
                if sides is not None and tells and self._ask(sides, table):
                    self._confirming = pair
                    return True
            reason = JOINED if self._singled.joined(pair) else UNCONFIRMED
            del self._singled.tables[pair]
            doubtful = dict.fromkeys((pair, *self._pairs(company)))
            self._result.unresolved.append(Unresolved(tuple(doubtful), reason))
        return False

    def _sparest(self, pair: Bools, company: Bools, but: Pair | None = None) -> Sides | None:
        """Sides that oppose one pair, and as few as possible of some others."""
        wish = self._wish(pair, 1, 1, unknown=company)
        return Arranger(self._singled.bodies(but), self._ground.may_float).sparest(wish)

    def _contradicted(self) -> None:
        """What failed together has all passed since; told once, with all that it may be."""
        result = self._result
        result.unresolved = [one for one in result.unresolved if one.reason != COMES_AND_GOES]
        suspects = self._pairs(self._known.contradicted())
        result.unresolved.append(Unresolved(suspects, COMES_AND_GOES))

    def _set_aside(self, failing: Bools) -> None:
        reason = MASKED if self._masked else self._reason(failing)
        self._result.unresolved.append(Unresolved(self._pairs(failing), reason))
        self._known.close(failing)

    # ---- sides -----------------------------------------------------------------------------------

    def _ask_for(
        self, wanted: Bools, low: int, high: int, *, beside: bool = False, all_too: bool = True
    ) -> bool:
        """Ask for a test of so many of the wanted pairs; whether there is one.

        ``beside``: other pairs that may be faulty may be opposed as well. ``all_too``: a test of
        all the wanted ones would tell something.
        """
        wish = self._wish(wanted, low, high, beside=beside, all_too=all_too)
        arranger = Arranger(self._singled.bodies(), self._ground.may_float)
        sides = arranger.arrange(wish)
        if sides is None:
            return False
        return self._ask(sides, wanted) or self._ask_less(arranger, wish)

    def _wish(
        self,
        wanted: Bools,
        low: int,
        high: int,
        *,
        beside: bool = False,
        all_too: bool = True,
        unknown: Bools | None = None,
    ) -> Wish:
        known, ground = self._known, self._ground
        doubtful = ~(known.cleared | wanted | known.bad | known.guessed)
        conflict = ~ground.may_oppose | (self._left < 1) | known.bad | known.guessed
        if not beside:
            conflict, doubtful = conflict | doubtful, np.zeros_like(doubtful)
        rather_not = doubtful if unknown is None else unknown
        return Wish(wanted, conflict, rather_not, low, high, not all_too)

    def _ask_less(self, arranger: Arranger, wish: Wish) -> bool:
        """Ask for a smaller test where one of the wished size can't be judged; the fewer pairs it
        opposes in all, the less do good ones hide a bad one."""
        wanted, others = wish.suspects, ~wish.suspects
        size = wish.high
        while size > 1:
            size //= 2
            smaller = replace(wish, unknown=others, low=1, high=size)
            sides = arranger.arrange(smaller)
            if sides is not None and self._ask(sides, wanted):
                return True
        few = islice(arranger.singles(wish), MOST_SINGLES)
        return any(self._ask(sides, wanted) for sides in few)

    def _reason(self, failing: Bools) -> str:
        found = bool(self._singled.tables)
        bodies = self._singled.bodies()
        return why_inseparable(self._ground, self._known, self._left, bodies, failing, found=found)

    def _ask(self, sides: Sides, wanted: Bools) -> bool:
        """Ask for a test; False: it can't be judged."""
        opposed = in_play(sides)
        if (opposed & (~self._ground.may_oppose | (self._left < 1))).any():
            raise RuntimeError("a search test would oppose a pair that it must not: not asked for")
        if ((sides == 0) & ~self._ground.may_float).any():
            raise RuntimeError("a search test would leave open what it must not: not asked for")
        others = opposed & ~self._known.cleared & ~wanted
        here, there = self._ground.oriented(sides)
        if sides.tobytes() in self._withdrawn or not self._judgeable(here, there):
            self._masked = True
            return False
        ask = Ask(
            here,
            there,
            self._ground.names(sides == 0),
            int((opposed & wanted).sum()) // 2,
            int(others.sum()) // 2,
        )
        self._asked = ask, sides
        return True

    def _pairs(self, table: Bools) -> tuple[Pair, ...]:
        return pairs_in(table, self._ground.nets)

    def _end(self) -> Answer:
        known, result = self._known, self._result
        located = self.located
        untested = self._pairs(known.rest)
        if not untested and not result.unresolved:
            if located:
                return Found(located, result.tests)
            return NotReproduced(self._pairs(self._suspects), result.tests)
        reasons = dict.fromkeys(one.reason for one in result.unresolved)
        if untested:
            reasons[MASKED if self._masked else self._reason(known.rest)] = None
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
