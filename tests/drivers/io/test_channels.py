"""Two-channel contacts and the life sign, judged from bits and times alone."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.io.channels import ContactJudge, LifeJudge
from orchestrator.model.station import LifeSign
from tests.drivers.io.rig import contact

LONGEST_S = 0.1
STEP_S = 0.01

Pairs = st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60)


def two_channel(moves: str, closed_when: str = "high") -> ContactJudge:
    second = {"input": "1", "moves": moves, "differ_at_most": "100 ms"}
    return ContactJudge(contact(0, closed_when=closed_when, second=second))


def bits_for(pair: tuple[bool, bool], moves: str, closed_when: str) -> tuple[bool, bool]:
    """Levels for (first closed, second closed)."""
    first = pair[0] if closed_when == "high" else not pair[0]
    closed_level = closed_when == "high"
    second_level = closed_level if moves == "same" else not closed_level
    return first, second_level if pair[1] else not second_level


@pytest.mark.parametrize(
    ("closed_when", "level", "closed"),
    [("high", True, True), ("high", False, False), ("low", False, True), ("low", True, False)],
)
def test_a_single_channel_is_closed_at_the_level_said(
    closed_when: str, level: bool, closed: bool
) -> None:
    """closed_when names the level; the other one is open, with its reason."""
    judged = ContactJudge(contact(0, closed_when=closed_when)).look((level,), 0.0)
    assert judged.closed is closed
    assert bool(judged.reason) is not closed


def test_an_input_that_was_not_read_is_open() -> None:
    """Fewer bits than the contact needs close nothing."""
    assert not ContactJudge(contact(3)).look((True, True, True), 0.0).closed
    assert not two_channel("same").look((True,), 0.0).closed


@pytest.mark.parametrize("moves", ["same", "opposite"])
@pytest.mark.parametrize("closed_when", ["high", "low"])
@given(pairs=Pairs)
def test_two_channels_are_closed_only_while_both_say_so(
    moves: str, closed_when: str, pairs: list[tuple[bool, bool]]
) -> None:
    """Whatever came before: one channel open means open."""
    judge = two_channel(moves, closed_when)
    for number, pair in enumerate(pairs):
        judged = judge.look(bits_for(pair, moves, closed_when), number * STEP_S)
        assert not judged.closed or pair == (True, True)
        assert bool(judged.reason) is not judged.closed


@given(pairs=Pairs)
def test_a_long_contradiction_is_latched_until_both_were_open_and_closed_again(
    pairs: list[tuple[bool, bool]],
) -> None:
    """Against a second account of the rule, looked up in the whole history."""
    judge = two_channel("opposite")
    for number in range(len(pairs)):
        judged = judge.look(bits_for(pairs[number], "opposite", "high"), number * STEP_S)
        assert judged.closed is (pairs[number] == (True, True) and healed(pairs[: number + 1]))


def healed(pairs: list[tuple[bool, bool]]) -> bool:
    """No contradiction longer than allowed, or both open after the last such one."""
    start, last_bad = 0, -1
    for number, (first, second) in enumerate(pairs):
        if first == second:
            start = number + 1
        elif number * STEP_S - start * STEP_S > LONGEST_S:
            last_bad = number
    return last_bad < 0 or (False, False) in pairs[last_bad:]


def test_a_short_contradiction_while_the_guard_closes_leaves_nothing_behind() -> None:
    """Contacts never move at the same instant."""
    judge = two_channel("opposite")
    assert not judge.look((False, True), 0.0).closed
    assert not judge.look((True, True), 0.05).closed
    assert judge.look((True, False), 0.10).closed


def test_a_latched_contradiction_says_what_to_do() -> None:
    """The reason names both inputs, the time and the remedy."""
    judge = two_channel("same")
    judge.look((True, False), 0.0)
    reason = judge.look((True, False), 0.2).reason
    for part in ("input 0 reads high", "input 1 reads low", "100 ms", "open the guard"):
        assert part in reason


# ---- the life sign


def life(**keys: Any) -> LifeJudge:
    return LifeJudge(LifeSign.model_validate({"input": "0", "changes_within": "100 ms"} | keys))


@given(levels=st.lists(st.booleans(), min_size=1, max_size=80))
def test_a_life_sign_counts_only_while_both_edges_are_young(levels: list[bool]) -> None:
    """Against the definition: a rise and a fall within the last 100 ms."""
    judge = life()
    for last in range(len(levels)):
        at_s = last * STEP_S
        judged = judge.look((levels[last],), at_s)
        edges = {
            after
            for number, (before, after) in enumerate(pairwise(levels[: last + 1]), start=1)
            if before != after and at_s - number * STEP_S <= 0.1
        }
        assert judged.closed is (edges == {True, False})


@given(stuck=st.booleans(), start=st.integers(0, 30))
def test_an_input_that_stops_following_is_found_dead(stuck: bool, start: int) -> None:
    """From either level, after no more than the time allowed and one read."""
    judge = life(follows="2")
    ordered, judged = False, None
    for number in range(start + 15):
        ordered = judge.next_level(ordered)
        level = ordered if number < start else stuck
        judged = judge.look((level,), number * STEP_S, ordered)
    assert judged is not None
    assert not judged.closed
    assert "output 2" in judged.reason


@pytest.mark.parametrize("lag", [0, 1, 2])
def test_an_input_filter_slower_than_the_period_is_still_alive(lag: int) -> None:
    """The output waits for its input, so that a filter can't swallow every pulse."""
    judge = life(follows="2")
    written = [False] * (lag + 1)
    judged = None
    for number in range(30):
        written.append(judge.next_level(written[-1]))
        recent = written[-1 - lag :]
        steady = recent[0] if len(set(recent)) == 1 else written[-2 - lag]
        judged = judge.look((steady,), number * STEP_S, written[-1])
    assert judged is not None
    assert judged.closed


def test_an_input_that_moves_against_its_output_is_no_life_sign() -> None:
    """Edges count only towards the level that the output was given."""
    judge = life(follows="2")
    for number in range(30):
        level = bool(number % 2)
        assert not judge.look((level,), number * STEP_S, not level).closed
