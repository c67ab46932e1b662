"""What opens a pair to a search, what proves one good, and how exposures are counted.

Points are letters; the steps are those of `tests.running.test_suspects`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from orchestrator.documents import build
from orchestrator.model.program import Locate
from orchestrator.model.record import Reading, StepResult
from orchestrator.model.schedule import Batch, BoundStep, Route, Schedule
from orchestrator.model.words import Outcome, Waveform
from orchestrator.running.suspects import Suspects, opened_at, suspects_of
from tests.running.test_suspects import (
    LOCATE,
    MOST,
    TOTAL,
    R,
    contact,
    insulation,
    limit,
    may_oppose,
    pairs,
    sets,
    step,
    withstand,
)

KEYS: dict[str, Any] = {
    "level": "500 V",
    "dwell": "1 s",
    "accept": {"resistance": {"at_least": "2 Mohm"}},
}
SIX = {"groups": [[p] for p in "abcdef"], "least": "5.7 Mohm", "most": "6.3 Mohm"}
DECLARED = build(Locate, {**KEYS, "insulation": [SIX]})
"""Nine pairs reveal at 565.0225 kohm, eight at 620.8 kohm, five at 880.4 kohm."""


def ac(index: int, here: str, there: str, level: int, locate: Locate | None = None) -> BoundStep:
    made = step(index, "withstand_ac", here, there, level, limit(TOTAL, MOST, "0.001"))
    order = replace(made.order, waveform=Waveform.AC)
    return replace(made, asked=order, order=order, locate=locate)


def schedule_of(*steps: BoundStep) -> Schedule:
    return Schedule(
        program="p",
        revision="1",
        fixture="f",
        station="s",
        batches=tuple(Batch("t", (one,), Route(), 3.0) for one in steps),
        simulated=True,
        safe_ac_v=Decimal(25),
        safe_dc_v=Decimal(60),
        relay_settle_s=0.0,
    )


def start(
    *steps: BoundStep,
    locate: Locate = LOCATE,
    exposures: Mapping[tuple[str, str], int] | None = None,
    read: str = "1.5E6",
) -> Suspects:
    """All steps but the last have passed; the last has failed."""
    results = [StepResult(s.index, s.name, Outcome.PASS) for s in steps[:-1]]
    last = steps[-1]
    values = {R: Reading(Decimal(read))}
    results.append(StepResult(last.index, last.name, Outcome.FAIL, values=values))
    return suspects_of(schedule_of(*steps), results, last, locate, exposures or {})


# ---- what may be opposed


@pytest.mark.parametrize("level", [354, 500, 1500, 5000])
def test_an_ac_step_opens_no_pair_by_its_level_or_its_peak(level: int) -> None:
    """500 V DC is the peak of 354 V AC; the product may allow the one and not the other."""
    found = start(ac(0, "a", "b", level), insulation(1, "ab", "cd"))
    assert not may_oppose(found, "a", "b")
    assert may_oppose(found, "a", "c")


@pytest.mark.parametrize(("level", "opens"), [(499, False), (500, True), (1500, True)])
def test_a_dc_step_opens_its_pairs_at_the_search_s_level_or_above(level: int, opens: bool) -> None:
    """Insulation and DC withstand alike, and failed or passed alike."""
    for other in (insulation(0, "a", "b", level=level), withstand(0, "a", "b", level=level)):
        assert may_oppose(start(other, insulation(1, "ab", "cd")), "a", "b") is opens


def test_the_locate_of_an_ac_step_opens_its_own_two_sides() -> None:
    """That of the failed step, and those of others at the same DC level or above."""
    failed = start(ac(0, "ab", "cd", 1500))
    assert may_oppose(failed, "a", "c")
    assert not may_oppose(failed, "a", "b")
    low = build(Locate, {**KEYS, "level": "250 V"})
    assert may_oppose(start(ac(0, "a", "b", 1500, LOCATE), insulation(1, "ab", "cd")), "a", "b")
    assert not may_oppose(start(ac(0, "a", "b", 1500, low), insulation(1, "ab", "cd")), "a", "b")


def test_what_the_wire_carries_is_held_against_each_pair() -> None:
    """A DC step licenses what it carries itself, a locate up to its ceiling: 3 % over the level."""
    steps = (insulation(0, "a", "b"), withstand(1, "a", "c"), ac(2, "ab", "cd", 1500))
    tight = build(Locate, {**KEYS, "level_ceiling": "502 V"})
    nets = (("a",), ("b",), ("c",), ("d",))

    def opened(level: str, locate: Locate) -> set[frozenset[str]]:
        table = opened_at(schedule_of(*steps), steps[-1], locate, nets, Decimal(level))
        return {frozenset((*nets[x], *nets[y])) for x, y in np.argwhere(table)}

    assert opened("500", LOCATE) == sets("ab ac ad bc bd")
    assert opened("501", LOCATE) == sets("ac ad bc bd")
    assert opened("515", LOCATE) == sets("ac ad bc bd")
    assert opened("516", LOCATE) == sets("ac")
    assert opened("503", tight) == sets("ac")


def test_nets_are_left_open_only_where_the_search_says_why() -> None:
    """That the step leaves points open which it doesn't name says nothing of its own."""
    failed = replace(insulation(0, "ab", "cd"), others_open=True)
    assert not start(failed).ground.may_float.any()
    floats = build(Locate, {**KEYS, "floating": "nothing holds a charge"})
    assert start(failed, locate=floats).ground.may_float.all()


# ---- what a group proves


def test_a_passed_group_clears_its_pairs_by_its_own_limit() -> None:
    """1 against 5 reveals one bad pair at 880.4 kohm (by hand: 1/2M + 4/6.3M = 1.1349 uS)."""
    failed = insulation(1, "abc", "def", least="565100")
    assert "ab" not in {"".join(sorted(p)) for p in pairs(start(failed, locate=DECLARED))}
    for least, cleared in (("890000", True), ("870000", False)):
        found = start(insulation(0, "a", "bcdef", least=least), failed, locate=DECLARED)
        assert (frozenset("ad") not in pairs(found)) is cleared
        assert frozenset("bd") in pairs(found)


def test_a_passed_group_with_declarations_of_its_own_is_judged_by_them() -> None:
    """The failed step's may not speak of all its points."""
    few = build(Locate, {**KEYS, "insulation": [{**SIX, "groups": [["a"], ["d"]]}]})
    passed = replace(insulation(0, "a", "bcdef", least="890000"), locate=DECLARED)
    failed = insulation(1, "abc", "def")
    assert frozenset("ad") not in pairs(start(passed, failed, locate=few))
    assert frozenset("ad") in pairs(start(replace(passed, locate=None), failed, locate=few))


@pytest.mark.parametrize(("read", "shows"), [("565000", True), ("566000", False), ("1.9E6", False)])
def test_a_group_reproduces_by_its_own_limit(read: str, shows: bool) -> None:
    """565.0225 kohm for nine pairs; good ones together may well have less than one pair must."""
    failed = insulation(0, "abc", "def", least="640000")
    assert start(failed, locate=DECLARED, read=read).reproduces is shows
    assert start(failed, read=read).reproduces


def test_what_a_limit_proves_is_the_specified_one_where_the_fixture_is_taken_out() -> None:
    """The limit of the reading holds the fixture's share and may be lower."""
    passed = insulation(0, "a", "c")
    order = replace(passed.order, limits=(limit(R, passed.order.limits[0].edge, "1.8E6"),))
    failed = insulation(1, "ab", "cd")
    assert frozenset("ac") in pairs(start(replace(passed, order=order), failed))
    assert frozenset("ac") not in pairs(start(replace(passed, order=order, taken_out=True), failed))


# ---- exposures


def test_exposures_of_another_point_of_the_same_conductor_count() -> None:
    """x is joined to a by a passed contact step, y to c; the failed step has a and c."""
    joined = (contact(0, "a", "x"), contact(1, "c", "y"))
    found = start(*joined, insulation(2, "ab", "cd"), exposures={("x", "y"): 5, ("b", "y"): 2})
    place = {point: n for n, net in enumerate(found.nets) for point in net}
    left = {
        "".join(ends): int(found.ground.left[place[ends[0]], place[ends[1]]])
        for ends in combinations("abcd", 2)
    }
    assert left == {"ab": 12, "ac": 7, "ad": 12, "bc": 10, "bd": 12, "cd": 12}
    alone = start(insulation(2, "ab", "cd"), exposures={("x", "y"): 5})
    assert int(alone.ground.left.max()) == int(alone.ground.left[place["a"], place["c"]]) == 12
