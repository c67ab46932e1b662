"""Finding the pair behind a failed group test: right or 'stuck', within its bound, never too much.

The unit under test is a set of faulty pairs; a test of it fails if it opposes one of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.planning.ground import UNLIMITED, Ground, Pair
from orchestrator.planning.group_sizes import (
    find_faulty,
    hwang_group,
    hwang_worst,
    information_bound,
    split_sizes,
    told_apart,
)
from orchestrator.planning.locate import Search
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
    NotReproduced,
    Stuck,
)


def pair(one: int, other: int) -> Pair:
    return (one, other) if one < other else (other, one)


@dataclass
class Bench:
    """Runs searches on a unit with faulty pairs and watches what they are asked to do."""

    faulty: frozenset[Pair]
    nets: frozenset[int] = frozenset()
    forbidden: frozenset[Pair] = frozenset()
    allowed: int = UNLIMITED
    floating: frozenset[int] = frozenset()
    exposures: Counter[Pair] = field(default_factory=Counter)
    tests: int = 0

    def passes(self, ask: Ask) -> bool:
        opposed = {pair(one, other) for one, other in product(ask.apply_to, ask.against)}
        assert opposed
        assert not opposed & self.forbidden
        assert {*ask.apply_to, *ask.against, *ask.left_open} == self.nets
        assert len(ask.apply_to) + len(ask.against) + len(ask.left_open) == len(self.nets)
        assert set(ask.left_open) <= self.floating
        self.exposures.update(opposed)
        assert max(self.exposures.values()) <= self.allowed
        self.tests += 1
        return not opposed & self.faulty

    def run(self, search: Search) -> Answer:
        while isinstance(answer := search.next(), Ask):
            assert search.next() == answer
            search.told(self.passes(answer))
            assert self.tests < 10_000
        return answer


def crossing(one: Sequence[int], other: Sequence[int]) -> set[Pair]:
    return {pair(a, b) for a, b in product(one, other)}


def two_sides(a: int, b: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    return tuple(range(a)), tuple(range(a, a + b))


def setting(
    apply_to: Sequence[int],
    against: Sequence[int],
    faulty: Iterable[Pair],
    *,
    floating: bool,
    cleared: Callable[[int, int], bool] | None = None,
    suspects: Iterable[Pair] | None = None,
    exposures: int = UNLIMITED,
    reproduces: bool = False,
    faults: int = 1,
) -> tuple[Search, Bench]:
    """All pairs may be opposed; unless said otherwise, all but the suspects are proved good."""
    nets = frozenset((*apply_to, *against))
    open_too = nets if floating else frozenset()
    bench = Bench(frozenset(faulty), nets, allowed=exposures, floating=open_too)
    across = crossing(apply_to, against) if suspects is None else set(suspects)
    ground = Ground.of(
        apply_to,
        against,
        may_oppose=lambda one, other: True,
        exposures=lambda one, other: exposures,
        cleared=cleared or (lambda one, other: pair(one, other) not in across),
        may_float=lambda net: floating,
    )
    return Search(ground, across, reproduces=reproduces, faults=faults), bench


def locate(
    apply_to: Sequence[int],
    against: Sequence[int],
    faulty: Iterable[Pair],
    *,
    floating: bool,
    cleared: Callable[[int, int], bool] | None = None,
    exposures: int = UNLIMITED,
    faults: int = 1,
) -> tuple[Answer, Bench]:
    search, bench = setting(
        apply_to,
        against,
        faulty,
        floating=floating,
        cleared=cleared,
        exposures=exposures,
        faults=faults,
    )
    return bench.run(search), bench


def until_first(search: Search, bench: Bench) -> int:
    """Tests until a pair is located, or until the end."""
    while isinstance(answer := search.next(), Ask) and not search.located:
        search.told(bench.passes(answer))
    return bench.tests


# ---- one fault ----------------------------------------------------------------------------------

SHAPES = [(a, b) for a in range(1, 6) for b in range(a, 7)]


@pytest.mark.slow
@pytest.mark.parametrize("floating", [False, True])
@pytest.mark.parametrize("reproduces", [False, True])
@pytest.mark.parametrize(("a", "b"), SHAPES)
def test_every_single_faulty_pair_is_found_within_the_bound(
    a: int, b: int, reproduces: bool, floating: bool
) -> None:
    """Information bound plus a constant: 2 for sides that are rectangles and for testing the pair
    alone, 1 where no net may be left open, 1 where it must be seen first whether it fails at all;
    then at most 2 that prove all others good."""
    one, other = two_sides(a, b)
    most = information_bound(a * b) + 2 + (not floating) + (not reproduces)
    for faulty in crossing(one, other):
        search, bench = setting(one, other, [faulty], floating=floating, reproduces=reproduces)
        assert until_first(search, bench) <= most
        answer = bench.run(search)
        assert isinstance(answer, Found)
        assert answer.pairs == (faulty,)
        alone = floating or (a, b) == (1, 1)
        expected = Evidence.FAILED_ALONE if alone else Evidence.OTHERS_PASSED
        assert answer.located[0].evidence is expected
        assert (answer.located[0].beside == 0) is alone
        assert answer.tests == bench.tests <= most + 2


@pytest.mark.parametrize("bits", [3, 4, 5])
def test_what_the_group_tests_proved_is_not_searched_again(bits: int) -> None:
    """2^b nets, b group tests in binary, one fails: the others cleared all but 2^(b−1) pairs, and
    these alone are searched."""
    nets = range(1 << bits)
    one = [net for net in nets if net & 1]
    other = [net for net in nets if not net & 1]
    suspects = {(net - 1, net) for net in one}
    for faulty in suspects:
        search, bench = setting(one, other, [faulty], floating=False, suspects=suspects)
        assert until_first(search, bench) <= information_bound(len(suspects)) + 2
        answer = bench.run(search)
        assert isinstance(answer, Found)
        assert answer.pairs == (faulty,)


@pytest.mark.parametrize(("a", "b"), [(1, 1), (1, 6), (4, 4), (5, 6)])
def test_a_breakdown_above_the_search_level_is_not_reproduced(a: int, b: int) -> None:
    """One test of all suspects shows it; all of them stay candidates."""
    one, other = two_sides(a, b)
    answer, bench = locate(one, other, [], floating=False)
    assert isinstance(answer, NotReproduced)
    assert set(answer.candidates) == crossing(one, other)
    assert bench.tests == answer.tests == 1


def test_a_fault_that_comes_and_goes_is_no_pass() -> None:
    """The whole group fails, then every part passes: stuck, all of them candidates."""
    one, other = two_sides(3, 3)
    search, bench = setting(one, other, [(0, 3)], floating=True)
    first = search.next()
    assert isinstance(first, Ask)
    search.told(bench.passes(first))
    bench.faulty = frozenset()
    answer = bench.run(search)
    assert isinstance(answer, Stuck)
    assert answer.reason == COMES_AND_GOES
    assert answer.candidates
    assert not answer.located


def test_a_test_without_a_verdict_counts_as_exposure_and_proves_nothing() -> None:
    """The same is asked again until exposures run out."""
    search, _ = setting([0], [1], [], floating=False, exposures=2)
    for left in (1, 0):
        assert isinstance(search.next(), Ask)
        search.told(None)
        assert search.exposures_left == {(0, 1): left}
    answer = search.next()
    assert isinstance(answer, Stuck)
    assert (answer.reason, answer.untested) == (EXPOSED, ((0, 1),))
    with pytest.raises(ValueError, match="no test"):
        search.told(True)


# ---- several faults -----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("floating", [False, True])
@pytest.mark.parametrize(("a", "b", "count"), [(3, 3, 2), (3, 4, 2), (3, 3, 3), (2, 5, 3)])
def test_all_of_several_faulty_pairs_are_found_or_named_as_candidates(
    a: int, b: int, count: int, floating: bool
) -> None:
    """Every way of having so many faults. Where all nets may be left open, all are found unless
    those found join the nets of the others: then another pair of the same conductors, which passed
    before, may have begun to conduct. Where none may be, some can't be told apart, for every test
    opposes several of them."""
    one, other = two_sides(a, b)
    for faulty in combinations(sorted(crossing(one, other)), count):
        answer, bench = locate(one, other, faulty, floating=floating, faults=count)
        judge(answer, bench, crossing(one, other))
        if floating and isinstance(answer, Stuck):
            assert answer.located
            assert len({net for one in faulty for net in one}) < 2 * count
            assert {group.reason for group in answer.unresolved} == {JOINED}
            assert not answer.untested
        elif floating:
            assert isinstance(answer, Found)
            assert set(answer.pairs) == set(faulty)


def test_of_two_faults_of_the_same_net_one_is_found_and_two_candidates_stay_for_the_other() -> None:
    """The first conducts, so its nets stand on the same side from then on: from there no test tells
    its other end from itself."""
    one, other = two_sides(2, 3)
    answer, _ = locate(one, other, [(0, 2), (0, 3)], floating=True)
    assert isinstance(answer, Stuck)
    (found,) = answer.located
    (left,) = {(0, 2), (0, 3)} - {found.pair}
    assert answer.reason == JOINED
    assert set(answer.candidates) == {left, (2, 3)}


# ---- constraints --------------------------------------------------------------------------------


def judge(answer: Answer, bench: Bench, suspects: set[Pair]) -> None:
    """Right, or says stuck and keeps every fault among the candidates."""
    there = bench.faulty & suspects
    if isinstance(answer, NotReproduced):
        assert not there
        return
    assert isinstance(answer, Found | Stuck)
    found = {one.pair for one in answer.located}
    assert found <= bench.faulty
    assert len(found) == len(answer.located)
    if isinstance(answer, Found):
        assert there <= found
        return
    assert answer.reason
    assert there <= found | set(answer.candidates)
    for group in answer.unresolved:
        assert bench.faulty & set(group.pairs)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_pair_sees_more_than_it_may_and_the_answer_is_right_or_stuck(
    data: st.DataObject,
) -> None:
    """Random forbidden pairs, proved pairs, exposures, floating nets, joined nets, and faults;
    the bench checks each test that is asked for."""
    a, b = data.draw(st.integers(1, 4)), data.draw(st.integers(1, 4))
    one, other = two_sides(a, b)
    nets = [*one, *other]
    pairs = list(combinations(nets, 2))
    subset = st.sets(st.sampled_from(pairs), max_size=len(pairs))
    across = crossing(one, other)
    suspects = data.draw(st.sets(st.sampled_from(sorted(across)), min_size=1))
    forbidden = data.draw(st.sets(st.sampled_from(pairs), max_size=3))
    cleared = data.draw(subset) - suspects if data.draw(st.booleans()) else set(pairs) - suspects
    faulty = data.draw(st.sets(st.sampled_from(pairs), max_size=3)) - cleared
    floating = frozenset(data.draw(st.sets(st.sampled_from(nets))))
    allowed = data.draw(st.sampled_from([1, 2, 3, 5, UNLIMITED]))
    reproduces = bool(faulty & suspects) and data.draw(st.booleans())
    ground = Ground.of(
        one,
        other,
        may_oppose=lambda x, y: (x, y) not in forbidden,
        exposures=lambda x, y: allowed,
        cleared=lambda x, y: (x, y) in cleared,
        may_float=floating.__contains__,
    )
    bench = Bench(
        frozenset(faulty), frozenset(nets), frozenset(forbidden), allowed, floating=floating
    )
    search = Search(
        ground,
        suspects,
        reproduces=reproduces,
        faults=data.draw(st.integers(1, 3)),
    )
    judge(bench.run(search), bench, suspects)


@settings(max_examples=60, deadline=None)
@given(
    a=st.integers(1, 5), b=st.integers(1, 5), allowed=st.integers(1, 6), index=st.integers(0, 24)
)
def test_few_exposures_still_find_a_single_fault_where_nets_may_be_left_open(
    a: int, b: int, allowed: int, index: int
) -> None:
    """With one exposure for each pair they are tested one by one; with more, in larger groups."""
    one, other = two_sides(a, b)
    faulty = sorted(crossing(one, other))[index % (a * b)]
    answer, bench = locate(one, other, [faulty], floating=True, exposures=allowed)
    judge(answer, bench, crossing(one, other))
    assert isinstance(answer, Found | Stuck)
    if allowed == 1:
        assert {one.pair for one in answer.located} == {faulty}


def test_joined_nets_move_as_one() -> None:
    """Nets of one body are one conductor: their pairs can't be told apart, and that is said."""
    ground = Ground.of(
        [0, 1],
        [2],
        may_oppose=lambda one, other: pair(one, other) != (0, 1),
        may_float=lambda net: True,
        body_of=lambda net: 0 if net < 2 else net,
    )
    bench = Bench(
        frozenset({(0, 2)}),
        frozenset({0, 1, 2}),
        frozenset({(0, 1)}),
        floating=frozenset({0, 1, 2}),
    )
    answer = bench.run(Search(ground, [(0, 2), (1, 2)]))
    assert isinstance(answer, Stuck)
    assert (answer.reason, set(answer.candidates)) == (HELD, {(0, 2), (1, 2)})


def test_forbidden_pairs_that_hold_suspects_together_are_named_as_the_reason() -> None:
    """0–1 mustn't be opposed and neither may be left open: 0–2 and 1–2 stay together."""
    ground = Ground.of([0, 1], [2], may_oppose=lambda one, other: pair(one, other) != (0, 1))
    bench = Bench(frozenset({(0, 2)}), frozenset({0, 1, 2}), frozenset({(0, 1)}))
    answer = bench.run(Search(ground, [(0, 2), (1, 2)]))
    assert isinstance(answer, Stuck)
    assert answer.reason == HELD
    assert [set(group.pairs) for group in answer.unresolved] == [{(0, 2), (1, 2)}]


def test_leaving_a_net_open_resolves_what_forbidden_pairs_hold_together() -> None:
    """The same, but net 1 may be left open."""
    ground = Ground.of(
        [0, 1],
        [2],
        may_oppose=lambda one, other: pair(one, other) != (0, 1),
        may_float=lambda net: net == 1,
    )
    bench = Bench(
        frozenset({(0, 2)}), frozenset({0, 1, 2}), frozenset({(0, 1)}), floating=frozenset({1})
    )
    answer = bench.run(Search(ground, [(0, 2), (1, 2)]))
    assert isinstance(answer, Stuck | Found)
    assert [one.pair for one in answer.located] == [(0, 2)]


def test_pairs_that_no_test_has_proved_are_named_as_the_reason() -> None:
    """Two nets a side, none may be left open, the pairs within the sides unproved and faulty too:
    no cut tells 0–2 from the others, and the search doesn't pretend that it does."""
    one, other = two_sides(2, 2)
    faulty = [(0, 1), (0, 2), (1, 3), (2, 3)]
    answer, bench = locate(one, other, faulty, floating=False, cleared=lambda one, other: False)
    judge(answer, bench, crossing(one, other))
    assert isinstance(answer, Stuck)
    assert UNPROVED in answer.reason


def test_suspects_outside_the_test_are_refused() -> None:
    """As are none at all, and sides that share a net."""
    ground = Ground.of([0], [1], may_oppose=lambda one, other: True)
    for wrong in ([], [(0, 2)], [(0, 0)]):
        with pytest.raises(ValueError, match=r"no suspect|no pair"):
            Search(ground, wrong)
    with pytest.raises(ValueError, match="both"):
        Ground.of([0, 1], [1], may_oppose=lambda one, other: True)


def test_the_first_side_stays_the_side_that_is_applied_to() -> None:
    """Polarity matters on DC: a search doesn't swap the sides for nothing."""
    search, _ = setting([5], [2, 3], [], floating=True)
    asked = search.next()
    assert isinstance(asked, Ask)
    assert (asked.apply_to, asked.against) == ((5,), (2, 3))


# ---- group testing by itself ---------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("faults", [1, 2, 3, 4])
def test_hwang_s_worst_case_equals_simulation(faults: int) -> None:
    """Reference F, rank 21 (Hwang 1972, from memory; the formula computed): n ≤ 18, d ≤ 4, every
    set of at most d faulty items; never below the information bound."""
    for count in range(faults, 19):
        worst = 0
        for size in range(faults + 1):
            for faulty in combinations(range(count), size):
                bad = frozenset(faulty)
                found, tests = find_faulty(count, faults, bad.isdisjoint)
                assert set(found) == bad
                worst = max(worst, tests)
        assert worst == hwang_worst(count, faults)
        assert worst >= information_bound(count, faults)


@pytest.mark.parametrize(
    ("count", "faults", "bound", "worst"),
    # Reference F (computed)
    [
        (8, 2, 5, 6), (12, 2, 7, 7), (16, 2, 7, 8), (20, 2, 8, 9), (64, 2, 11, 12),
        (100, 2, 13, 14), (12, 3, 8, 10), (16, 3, 10, 11), (20, 3, 11, 12),
        (8, 1, 3, 4), (16, 1, 4, 5), (100, 1, 7, 7),
    ],
)  # fmt: skip
def test_bounds_of_the_reference(count: int, faults: int, bound: int, worst: int) -> None:
    """Information bound and worst case; for two or more within d − 1 of each other."""
    assert (information_bound(count, faults), hwang_worst(count, faults)) == (bound, worst)
    assert faults == 1 or worst <= bound + faults - 1


@given(st.integers(1, 10_000), st.integers(1, 20))
def test_a_group_is_a_power_of_two_of_what_there_is(count: int, faults: int) -> None:
    """1 where nearly all may be faulty."""
    size = hwang_group(count, faults)
    assert 1 <= size <= count
    assert size & (size - 1) == 0
    assert size * faults <= max(faults, count - faults + 1)


@given(st.integers(2, 3000), st.integers(1, 12), st.booleans())
def test_split_sizes_keep_the_fewest_tests(count: int, exposures: int, failing: bool) -> None:
    """Whichever way the test ends, what is left fits the tests that are left."""
    low, high = split_sizes(count, exposures, failing=failing)
    assert 1 <= low <= high <= count
    tests = next(t for t in range(count + 1) if told_apart(t, exposures, failing=failing) >= count)
    for size in (low, high):
        assert told_apart(tests - 1, exposures - 1, failing=True) >= size
        assert told_apart(tests - 1, exposures, failing=failing) >= count - size


def test_one_exposure_means_one_by_one_and_many_mean_halves() -> None:
    """The ends of the scale; between them two exposures tell 21 of 6 tests + none: 1 + 6 + 15."""
    assert split_sizes(100, 1, failing=False) == (1, 1)
    assert split_sizes(64, 99, failing=True) == (32, 32)
    assert told_apart(6, 2, failing=True) == 22
    with pytest.raises(ValueError, match="exposures"):
        split_sizes(4, 0, failing=True)
