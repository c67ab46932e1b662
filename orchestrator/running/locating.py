"""The search for the pair behind a failed step: one search step after another, each bound anew.

`orchestrator.planning.locate` decides what to test; here its wishes become steps, bound like any
other and run by the same batch sequence, and its answer becomes what the record keeps.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial
from itertools import product
from typing import Any

import numpy as np

from orchestrator.errors import InstrumentRefused, Refused
from orchestrator.model import entries
from orchestrator.model.amounts import volts
from orchestrator.model.program import Locate
from orchestrator.model.record import FoundPair, Located, SearchStep, StepResult
from orchestrator.model.schedule import Batch, BoundStep, Schedule
from orchestrator.model.search_limits import search_limit
from orchestrator.model.words import Edge, Measured, Outcome, SearchEnding, StepKind
from orchestrator.planning.ground import Pair
from orchestrator.planning.guarding import Guard
from orchestrator.planning.locate import Search
from orchestrator.planning.search_answers import Answer, Ask, Found, NotReproduced
from orchestrator.planning.search_answers import Located as Proved
from orchestrator.planning.sorts import Bools
from orchestrator.running.batch import finish, note, run_batch, tell_located, unproved
from orchestrator.running.commands import Command
from orchestrator.running.rack import RunState
from orchestrator.running.sequence import exempt
from orchestrator.running.states import Phase
from orchestrator.running.suspects import (
    PointPair,
    Suspects,
    leak_shows,
    opened_at,
    suspects_of,
)
from orchestrator.running.thinking import think

MOST_CANDIDATES = 1000
"""So many are told and recorded; a grouped step may have millions."""


@dataclass(frozen=True, slots=True)
class SearchWish:
    """A search step to be bound: insulation at the settings of ``searched.locate``."""

    searched: BoundStep
    name: str
    apply_to: tuple[str, ...]
    against: tuple[str, ...]


BindMore = Callable[[SearchWish], Schedule]
"""Binds a search step as a program of one step. Raises Refused."""


@dataclass(frozen=True)
class Locator:
    """Searches after failed steps; satisfies `orchestrator.running.sequence.Searching`.

    ``exposures``: how often earlier search steps on this unit opposed two points. ``aside``: think
    and bind in a thread, as the scan must go on; see `think`.
    """

    bind_more: BindMore
    exposures: Mapping[PointPair, int] = field(default_factory=dict)
    aside: bool = False

    def after(
        self, run: RunState, schedule: Schedule, step: BoundStep, result: StepResult
    ) -> Generator[Command, Any, None]:
        """Search, tell and record what came of it. Raises what a batch raises."""
        if step.locate is None:
            raise ValueError(f"step {step.name!r} asks for no search")
        if not leak_shows(step, result):
            reason = "not searched: the step failed by a limit that an open lead breaks, not a leak"
            found = Located(step.index, step.name, SearchEnding.STUCK, reason, (), (), ())
        else:
            looked_at = (schedule, tuple(run.results), step, step.locate, self.exposures)
            start = yield from think(partial(suspects_of, *looked_at), aside=self.aside)
            guard = _guard(run, step)
            hunt = _Hunt(run, schedule, step, step.locate, start, self.bind_more, self.aside, guard)
            run.unended_search = hunt.broken_off
            found = yield from hunt.go()
        tell_located(run, found)


def _guard(run: RunState, step: BoundStep) -> Guard:
    """How the limits of search steps are held: as those of the failed step, by its tester."""
    if step.decision_rule != "guarded":
        return Guard(None)
    kinds = run.rack.testers[step.tester].adapter.abilities.kinds
    ability = kinds.get(StepKind.INSULATION)
    return Guard({} if ability is None else ability.accuracy)


@dataclass
class _Hunt:
    run: RunState
    schedule: Schedule
    step: BoundStep
    locate: Locate
    start: Suspects
    bind_more: BindMore
    aside: bool
    guard: Guard
    steps: list[SearchStep] = field(default_factory=list)
    proved: tuple[Proved, ...] = ()
    good: Bools = field(default_factory=lambda: np.zeros((0, 0), np.bool_))
    """Pairs proved good, by the run or by the search."""
    exempted: set[tuple[str, str]] = field(default_factory=set)
    opened: dict[Decimal, Bools] = field(default_factory=dict)
    """Level on the wire (V) → nets that may stand on opposite sides at it."""
    left: dict[Pair, None] = field(default_factory=dict)
    """Suspects that no search step has proved good or found so far, in order."""

    def go(self) -> Generator[Command, Any, Located]:
        """To the search's end."""
        self.exempted = set(self.schedule.exemptions)
        self.left = dict.fromkeys(self.start.pairs)
        self.good = self.start.ground.cleared.copy()
        if not self.left:
            reason = "every pair of the step had passed at the search's level in this run"
            return self._ended(SearchEnding.NOT_REPRODUCED, reason, self.start.opposed)
        search = Search(
            self.start.ground,
            self.start.pairs,
            reproduces=self.start.reproduces,
            judgeable=self._judgeable,
        )
        while True:
            answer = yield from think(search.next, aside=self.aside)
            if not isinstance(answer, Ask):
                break
            problem = yield from self._test(search, answer)
            if problem:
                return self.broken_off(problem)
        return self._concluded(answer)

    def broken_off(self, reason: str) -> Located:
        """What it comes to if it ends here."""
        return self._ended(SearchEnding.STUCK, reason, self.left)

    def _concluded(self, answer: Answer) -> Located:
        if isinstance(answer, Found):
            self.proved = answer.located
            return self._ended(SearchEnding.FOUND, "", ())
        if isinstance(answer, NotReproduced):
            limit, level = self.locate.accept.resistance.at_least, self.locate.level
            reason = (
                f"no pair fell below {limit} at the search's {level}: the fault shows only at "
                "more, in the group as a whole, or now and then"
            )
            return self._ended(SearchEnding.NOT_REPRODUCED, reason, answer.candidates)
        if isinstance(answer, Ask):
            raise TypeError("a search that asks for another test hasn't ended")
        self.proved = answer.located
        if answer.located and not answer.unresolved:
            # What was found explains every failure seen; only the others' proof is wanting.
            reason = f"it explains every failure; others couldn't be tested ({answer.reason})"
            return self._ended(SearchEnding.FOUND, reason, answer.untested)
        return self._ended(SearchEnding.STUCK, answer.reason, answer.candidates)

    def _judgeable(self, apply_to: tuple[int, ...], against: tuple[int, ...]) -> bool:
        """Whether a good group of these nets keeps the limit that one bad pair breaks."""
        if not self.locate.insulation:
            return True
        limit = search_limit(self.locate, self._points(apply_to), self._points(against))
        least = float(limit.at_least_ohm)
        return limit.writable and self.guard.passes(
            Measured.RESISTANCE, Edge.AT_LEAST, least, limit.good_ohm
        )

    def _test(self, search: Search, ask: Ask) -> Generator[Command, Any, str]:
        """Run what is asked for and tell the search. Returns what ends it, '' if nothing does."""
        most = self.locate.steps_at_most
        if len(self.steps) >= most:
            return f"all {most} search steps that steps_at_most allows were used"
        name = f"search {len(self.steps) + 1} of step {self.step.index + 1}"
        wish = SearchWish(self.step, name, self._points(ask.apply_to), self._points(ask.against))
        try:
            more = yield from think(partial(self.bind_more, wish), aside=self.aside)
        except Refused as refused:
            return f"{name} can't be bound: {refused}"
        if self._hides(more, wish):
            search.withdraw()
            return ""
        batch, problem = self._own_batch(more, wish, ask)
        if problem:
            return f"{name} isn't run: {problem}"
        self._take_over_figures(more)
        try:
            yield from run_batch(self.run, batch, exempt(more, batch))
        except InstrumentRefused as refused:
            if self.run.phase is not Phase.SETTING_UP:
                raise
            # Nothing was energised, and nothing follows: the run ends by its failed step.
            told = f"{refused}; {refused.remedy}" if refused.remedy else str(refused)
            finish(self.run, unproved(batch.steps[0], Outcome.NOT_RUN, told))
            return f"{name} wasn't started: {told}"
        result = self.run.search_results[-1]
        open_points = self._points(ask.left_open)
        self.steps.append(SearchStep(wish.apply_to, wish.against, open_points, result))
        if result.outcome not in (Outcome.PASS, Outcome.FAIL):
            return f"{name} has no verdict: {result.reason}"
        passed = result.outcome is Outcome.PASS
        search.told(passed)
        self._follow(search, ask, passed=passed)
        return ""

    def _follow(self, search: Search, ask: Ask, *, passed: bool) -> None:
        self.proved = search.certain
        gone: Iterable[Pair] = (one.pair for one in self.proved)
        if passed:
            self.good[np.ix_(ask.apply_to, ask.against)] = True
            self.good[np.ix_(ask.against, ask.apply_to)] = True
            opposed = product(ask.apply_to, ask.against)
            gone = [*gone, *((min(pair), max(pair)) for pair in opposed)]
        for pair in gone:
            self.left.pop(pair, None)

    def _hides(self, more: Schedule, wish: SearchWish) -> bool:
        """Whether a good group might break the limit as it came out on the wire."""
        limit = more.steps[0].order.limit(Measured.RESISTANCE, Edge.AT_LEAST)
        good_ohm = search_limit(self.locate, wish.apply_to, wish.against).good_ohm
        return limit is not None and float(limit) > good_ohm

    def _own_batch(self, more: Schedule, wish: SearchWish, ask: Ask) -> tuple[Batch, str]:
        """The batch under this run's numbering, and what speaks against running it."""
        (batch,) = more.batches
        (bound,) = batch.steps
        index = len(self.schedule.steps) + len(self.run.search_steps)
        own = replace(bound, index=index, search_of=self.step.index)
        sides = (own.apply_to, own.against, own.others)
        if own.kind is not StepKind.INSULATION or sides != (wish.apply_to, wish.against, ()):
            return batch, "what was bound isn't what was asked for"
        if not self._may_see(ask, own.order.level):
            return batch, (
                f"the wire would carry {volts(own.order.level)}, more than any DC step of the "
                "program puts on all of its pairs"
            )
        unsafe = own.hazardous and any(
            step.kind is StepKind.BONDING and step.index not in self._passed()
            for step in self.schedule.steps
            if step.index < self.step.index
        )
        if unsafe:
            return batch, "a bonding step before it hasn't passed"
        self.run.search_steps.append(own)
        return replace(batch, steps=(own,)), ""

    def _may_see(self, ask: Ask, level_v: Decimal) -> bool:
        """Whether each opposed pair may see what the wire carries; see `suspects`."""
        if level_v not in self.opened:
            at = (self.schedule, self.step, self.locate, self.start.nets, level_v)
            self.opened[level_v] = opened_at(*at)
        return bool(self.opened[level_v][np.ix_(ask.apply_to, ask.against)].all())

    def _passed(self) -> set[int]:
        return {r.index for r in self.run.results if r.outcome is Outcome.PASS}

    def _take_over_figures(self, more: Schedule) -> None:
        """A declared bleeder's time, and exemptions that the program itself didn't need."""
        for name, bleed_s in more.bleed_s.items():
            seat = self.run.rack.testers[name]
            seat.bleed_s = max(bleed_s, seat.bleed_s or 0.0)
        for (rule, instrument), reason in more.exemptions.items():
            if (rule, instrument) in self.exempted:
                continue
            self.exempted.add((rule, instrument))
            detail = {"rule": rule, "instrument": instrument, "reason": reason}
            at = entries.Stamp.now(self.run.rack.clock)
            note(self.run, entries.event(self.run.run_id, at, "exemption used in search", detail))

    def _ended(self, ending: SearchEnding, reason: str, candidates: Iterable[Pair]) -> Located:
        pairs = tuple(candidates)
        if len(pairs) > MOST_CANDIDATES:
            reason += f" ({len(pairs)} candidates, the first {MOST_CANDIDATES} listed)"
        nets = self.start.nets
        return Located(
            step=self.step.index,
            name=self.step.name,
            ending=ending,
            reason=reason,
            pairs=tuple(self._found(one) for one in self.proved),
            candidates=tuple((nets[a], nets[b]) for a, b in pairs[:MOST_CANDIDATES]),
            steps=tuple(self.steps),
        )

    def _found(self, proved: Proved) -> FoundPair:
        one, other = (self.start.nets[net] for net in proved.pair)
        ways = ways_between(proved.pair, proved.left_open, self.good)
        return FoundPair(one, other, proved.words, self._points(ways))

    def _points(self, nets: Iterable[int]) -> tuple[str, ...]:
        found: list[str] = []
        for net in nets:
            found.extend(self.start.nets[net])
        return tuple(found)


def ways_between(pair: Pair, left_open: Iterable[int], good: Bools) -> tuple[int, ...]:
    """Open nets by way of which the ends of a pair may conduct: over pairs not proved good."""
    nets = tuple(left_open)

    def reached(end: int) -> set[int]:
        found: set[int] = set()
        waiting = [end]
        while waiting:
            here = waiting.pop()
            new = {net for net in nets if net not in found and not good[here, net]}
            found |= new
            waiting.extend(new)
        return found

    both = reached(pair[0]) & reached(pair[1])
    return tuple(net for net in nets if net in both)
