"""What a search may say of a pair: what its tests leave no other explanation for, and no more.

A fault that comes and goes is drawn test by test; which explanations are left is reckoned here once
more, from the list of tests alone.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.planning.ground import UNLIMITED, Ground, Pair
from orchestrator.planning.group_sizes import information_bound
from orchestrator.planning.locate import Search
from orchestrator.planning.search_answers import (
    COMES_AND_GOES,
    MASKED,
    UNCONFIRMED,
    Answer,
    Ask,
    Evidence,
    Found,
    Located,
    Stuck,
)


def crossing(ask: Ask) -> set[Pair]:
    return {(min(ends), max(ends)) for ends in product(ask.apply_to, ask.against)}


@dataclass
class Log:
    """Tests as they were run: what each opposed, and whether it passed."""

    tests: list[tuple[set[Pair], bool]] = field(default_factory=list)
    asks: list[Ask] = field(default_factory=list)

    def add(self, ask: Ask, passed: bool) -> None:
        self.asks.append(ask)
        self.tests.append((crossing(ask), passed))

    def explains_all(self, pair: Pair, steady: set[Pair]) -> bool:
        """Whether one pair that comes and goes, beside steady ones, explains every failure."""
        return all(pair in t or t & steady for t, passed in self.tests if not passed)


def start(
    a: int,
    b: int,
    *,
    floating: bool = False,
    exposures: int = UNLIMITED,
    reproduces: bool = True,
    faults: int = 1,
    most_pairs: int | None = None,
) -> tuple[Search, Log]:
    """All across are suspects and the others proved good; all may be opposed.

    ``most_pairs``: a test that opposes more can't be judged.
    """
    one, other = range(a), range(a, a + b)
    suspects = set(product(one, other))
    ground = Ground.of(
        one,
        other,
        may_oppose=lambda x, y: True,
        exposures=lambda x, y: exposures,
        cleared=lambda x, y: (x, y) not in suspects,
        may_float=lambda net: floating,
    )
    most = UNLIMITED if most_pairs is None else most_pairs
    search = Search(
        ground,
        suspects,
        reproduces=reproduces,
        faults=faults,
        judgeable=lambda here, there: len(here) * len(there) <= most,
    )
    log = Log()
    if reproduces:
        log.tests.append((suspects, False))
    return search, log


def run(
    search: Search, log: Log, fails: random.Random, bad: Pair, share: float, *steady: Pair
) -> Answer:
    """``bad`` shows in about that share of the tests; steady ones in all."""
    while isinstance(ask := search.next(), Ask):
        now = {*steady, bad} if fails.random() < share else {*steady}
        passed = not crossing(ask) & now
        search.told(passed)
        log.add(ask, passed)
        assert len(log.tests) < 500
    return ask


# ---- a fault that comes and goes


@settings(max_examples=200, deadline=None)
@given(
    seed=st.integers(0, 10**9),
    a=st.integers(1, 5),
    b=st.integers(2, 6),
    share=st.sampled_from([0.2, 0.5, 0.7, 0.9]),
    floating=st.booleans(),
    reproduces=st.booleans(),
    exposures=st.sampled_from([1, 2, 3, 12, UNLIMITED]),
    others=st.integers(0, 2),
)
def test_a_fault_that_comes_and_goes_never_gets_another_pair_named(
    seed: int,
    a: int,
    b: int,
    share: float,
    floating: bool,
    reproduces: bool,
    exposures: int,
    others: int,
) -> None:
    """However often it shows, and whatever steady faults there are beside it: what is named is
    faulty, in 'found' and in 'stuck' alike."""
    draw = random.Random(seed)
    pairs = list(product(range(a), range(a, a + b)))
    bad, *steady = draw.sample(pairs, min(1 + others, len(pairs)))
    search, log = start(a, b, floating=floating, exposures=exposures, reproduces=reproduces)
    answer = run(search, log, draw, bad, share, *steady)
    named = {one.pair for one in getattr(answer, "located", ())}
    assert named <= {bad, *steady}


def test_the_known_case_ends_with_the_true_pair_among_the_candidates() -> None:
    """Three against three, the pair 1–4 shows in seven of ten tests: never another one, and where
    something that failed has passed since, 1–4 stands among the candidates."""
    endings = set()
    for seed in range(400):
        search, log = start(3, 3)
        answer = run(search, log, random.Random(seed), (1, 4), 0.7)
        assert isinstance(answer, Found | Stuck)
        assert {one.pair for one in answer.located} <= {(1, 4)}
        if isinstance(answer, Stuck) and COMES_AND_GOES in answer.reason:
            assert (1, 4) in {*answer.candidates, *(one.pair for one in answer.located)}
            endings.add("comes and goes")
        elif isinstance(answer, Found):
            endings.add("found")
    assert endings == {"found", "comes and goes"}


def test_what_failed_stays_a_candidate_when_its_parts_pass() -> None:
    """The whole group fails, every part of it passes: all of the group, not only its last part."""
    search, _ = start(3, 3, reproduces=False)
    first = search.next()
    assert isinstance(first, Ask)
    failed = crossing(first)
    search.told(False)
    while isinstance(search.next(), Ask):
        search.told(True)
    answer = search.next()
    assert isinstance(answer, Stuck)
    assert answer.reason == COMES_AND_GOES
    assert set(answer.candidates) >= failed
    assert not answer.located


def test_a_pair_that_passes_its_confirming_test_comes_and_goes() -> None:
    """It was singled out, then passed in other company: it is a candidate, not found."""
    confirmed = 0
    for faulty in product(range(4), range(4, 8)):
        search, _ = start(4, 4)
        while isinstance(ask := search.next(), Ask):
            singled = {one.pair for one in search.located}
            again = singled <= crossing(ask) and bool(singled)
            confirmed += again
            search.told(faulty not in crossing(ask) or again)
            if again:
                assert not search.located
        assert isinstance(ask, Found | Stuck)
        if isinstance(ask, Stuck):
            assert COMES_AND_GOES in ask.reason
            assert faulty in ask.candidates
            assert not ask.located
    assert confirmed


# ---- evidence


@pytest.mark.parametrize("floating", [False, True])
@pytest.mark.parametrize(("a", "b"), [(1, 1), (1, 5), (2, 2), (3, 4), (5, 6)])
def test_failed_alone_is_said_of_a_test_of_that_pair_only(a: int, b: int, floating: bool) -> None:
    """Else how many pairs beside it have passed; and no other single pair explains the failures."""
    for faulty in product(range(a), range(a, a + b)):
        search, log = start(a, b, floating=floating)
        answer = run(search, log, random.Random(0), faulty, 1.0)
        assert isinstance(answer, Found)
        (found,) = answer.located
        alone = any(tested == {faulty} and not passed for tested, passed in log.tests)
        assert (found.evidence is Evidence.FAILED_ALONE) is alone
        assert alone or any(
            len(tested) == found.beside + 1 and faulty in tested and not passed
            for tested, passed in log.tests
        )
        if not alone:
            everything = {(x, y) for x in range(a + b) for y in range(x + 1, a + b)}
            assert {p for p in everything if log.explains_all(p, set())} == {faulty}


def test_the_evidence_in_words() -> None:
    """As the record has it."""
    assert Located((0, 1), Evidence.FAILED_ALONE).words == "failed alone"
    words = {n: Located((0, 1), Evidence.OTHERS_PASSED, beside=n).words for n in (1, 5)}
    assert words[5] == "failed, and all 5 pairs beside it have passed"
    assert words[1] == "failed, and the one pair beside it has passed"


@pytest.mark.slow
@pytest.mark.parametrize("reproduces", [False, True])
@pytest.mark.parametrize(("a", "b"), [(1, 8), (2, 7), (4, 4), (6, 6), (8, 8)])
def test_confirming_stays_within_the_bound(a: int, b: int, reproduces: bool) -> None:
    """Information bound plus 3 (rectangles, one pair by itself, no net left open), plus 1 where it
    must first be seen whether it fails at all, plus 2 that prove the others and confirm it."""
    for faulty in product(range(a), range(a, a + b)):
        search, log = start(a, b, reproduces=reproduces)
        answer = run(search, log, random.Random(0), faulty, 1.0)
        assert isinstance(answer, Found)
        assert answer.tests <= information_bound(a * b) + 5 + (not reproduces)


@pytest.mark.parametrize("exposures", [1, 2, 3, 4, 6])
def test_exposures_hold_for_the_confirming_test_too(exposures: int) -> None:
    """Where they don't suffice, the faulty pair is a candidate."""
    for faulty in product(range(4), range(4, 9)):
        search, log = start(4, 5, exposures=exposures)
        answer = run(search, log, random.Random(0), faulty, 1.0)
        seen = [pair for ask in log.asks for pair in crossing(ask)]
        assert max((seen.count(pair) for pair in set(seen)), default=0) <= exposures
        assert isinstance(answer, Found | Stuck)
        if isinstance(answer, Stuck):
            assert faulty in {*answer.candidates, *(one.pair for one in answer.located)}


def test_a_pair_that_cannot_be_confirmed_is_a_candidate_and_the_reason_says_so() -> None:
    """Few exposures, and no net may be left open: the faulty pair is what is left over, but what
    failed with it each time may have come and gone."""
    reasons = set()
    for exposures in range(2, 8):
        for faulty in product(range(4), range(4, 8)):
            search, log = start(4, 4, exposures=exposures)
            answer = run(search, log, random.Random(0), faulty, 1.0)
            if isinstance(answer, Stuck) and UNCONFIRMED in answer.reason:
                reasons.add(UNCONFIRMED)
                (group,) = [g for g in answer.unresolved if g.reason == UNCONFIRMED]
                assert group.pairs[0] == faulty
                assert len(group.pairs) > 1
    assert reasons == {UNCONFIRMED}


# ---- tests that can't be judged


@pytest.mark.parametrize("floating", [False, True])
@pytest.mark.parametrize("most", [5, 8, 9])
def test_a_test_that_cannot_be_judged_is_not_asked_for(most: int, floating: bool) -> None:
    """Six nets: one against the rest has five pairs, two eight, three nine. Smaller sides are
    chosen instead, and the pair is found all the same."""
    for faulty in product(range(3), range(3, 6)):
        search, log = start(3, 3, floating=floating, most_pairs=most)
        answer = run(search, log, random.Random(0), faulty, 1.0)
        assert all(len(ask.apply_to) * len(ask.against) <= most for ask in log.asks)
        assert isinstance(answer, Found)
        assert answer.pairs == (faulty,)


def test_where_no_test_can_be_judged_the_search_ends_with_that_reason() -> None:
    """None may be left open, so that every test has five pairs at least."""
    search, log = start(3, 3, most_pairs=4)
    answer = run(search, log, random.Random(0), (0, 3), 1.0)
    assert isinstance(answer, Stuck)
    assert answer.reason == MASKED
    assert set(answer.candidates) == set(product(range(3), range(3, 6)))
    assert log.asks == []


def test_where_nothing_is_known_to_fail_that_reason_is_told_too() -> None:
    """Untested suspects, no failing group."""
    search, log = start(3, 3, most_pairs=4, reproduces=False)
    answer = run(search, log, random.Random(0), (0, 3), 1.0)
    assert isinstance(answer, Stuck)
    assert (answer.reason, log.asks) == (MASKED, [])
    assert len(answer.untested) == 9


def test_a_test_that_is_withdrawn_is_replaced_by_another() -> None:
    """It was never run: no exposure, no knowledge, and it isn't asked for again."""
    search, _ = start(3, 3)
    withdrawn = []
    while isinstance(ask := search.next(), Ask):
        sides = {frozenset(ask.apply_to), frozenset(ask.against)}
        assert sides not in withdrawn
        if len(ask.apply_to) * len(ask.against) > 5:
            withdrawn.append(sides)
            search.withdraw()
        else:
            search.told((0, 3) not in crossing(ask))
    assert isinstance(ask, Found)
    assert ask.pairs == ((0, 3),)
    with pytest.raises(ValueError, match="no test"):
        search.withdraw()
