"""What a search starts from: suspects, conductors, what may stand against what, exposures."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import pytest

from orchestrator.documents import build
from orchestrator.model.program import Locate
from orchestrator.model.record import Reading, StepResult
from orchestrator.model.schedule import Batch, BoundStep, LimitOrder, Route, Schedule, StepOrder
from orchestrator.model.words import Edge, Measured, Outcome, StepKind, Waveform
from orchestrator.running.commands import Wait
from orchestrator.running.locating import ways_between
from orchestrator.running.suspects import Suspects, leak_shows, suspects_of
from orchestrator.running.thinking import think

R, TOTAL = Measured.RESISTANCE, Measured.TOTAL_CURRENT
LEAST, MOST = Edge.AT_LEAST, Edge.AT_MOST
LOCATE = build(
    Locate, {"level": "500 V", "dwell": "1 s", "accept": {"resistance": {"at_least": "2 Mohm"}}}
)


def step(
    index: int, kind: str, here: str, there: str, level: int, *limits: LimitOrder
) -> BoundStep:
    """Points are letters."""
    order = StepOrder(StepKind(kind), Decimal(level), Waveform.DC, Decimal(1), limits=limits)
    return BoundStep(
        index=index,
        name=f"s{index}",
        kind=order.kind,
        tester="t",
        asked=order,
        order=order,
        route=Route(),
        apply_to=tuple(here),
        against=tuple(there),
        others=(),
        hazardous=True,
        on_failure="stop",
        leans_on=(),
        unproved_contact=None,
        predicted_s=1.0,
        deadline_s=3.0,
    )


def limit(quantity: Measured, edge: Edge, value: str) -> LimitOrder:
    return LimitOrder(quantity, edge, Decimal(value))


def insulation(
    index: int, here: str, there: str, level: int = 500, least: str = "2E6"
) -> BoundStep:
    return step(index, "insulation", here, there, level, limit(R, LEAST, least))


def withstand(index: int, here: str, there: str, level: int = 1500) -> BoundStep:
    return step(index, "withstand_dc", here, there, level, limit(TOTAL, MOST, "0.001"))


def contact(index: int, here: str, there: str, most: str = "10") -> BoundStep:
    return step(index, "continuity", here, there, 1, limit(R, MOST, most))


def start(*steps: BoundStep, exposures: Mapping[tuple[str, str], int] | None = None) -> Suspects:
    """All steps but the last have passed; the last has failed."""
    schedule = Schedule(
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
    results = [StepResult(s.index, s.name, Outcome.PASS) for s in steps[:-1]]
    last = steps[-1]
    values = {R: Reading(Decimal("1.5E6"))}
    results.append(StepResult(last.index, last.name, Outcome.FAIL, values=values))
    return suspects_of(schedule, results, last, LOCATE, exposures or {})


def pairs(found: Suspects) -> set[frozenset[str]]:
    return {frozenset((*found.nets[a], *found.nets[b])) for a, b in found.pairs}


def sets(text: str) -> set[frozenset[str]]:
    return {frozenset(word) for word in text.split()}


def may_oppose(found: Suspects, one: str, other: str) -> bool:
    place = {point: n for n, net in enumerate(found.nets) for point in net}
    return bool(found.ground.may_oppose[place[one], place[other]])


def test_every_pair_that_the_step_opposed_is_suspect() -> None:
    """Two against two: four pairs; those within a side aren't."""
    assert pairs(start(insulation(0, "ab", "cd"))) == sets("ac ad bc bd")


def test_a_pass_at_the_level_and_limit_clears_its_pairs() -> None:
    """Not one at a lower level, nor with a lower limit than a pair's."""
    failed = insulation(1, "ab", "cd")
    assert pairs(start(insulation(0, "a", "c"), failed)) == sets("ad bc bd")
    assert pairs(start(insulation(0, "a", "c", level=250), failed)) == sets("ac ad bc bd")
    assert pairs(start(insulation(0, "a", "c", least="1E6"), failed)) == sets("ac ad bc bd")


def test_a_failure_above_voids_what_passed_before_at_less() -> None:
    """It may have broken down by the failed step; within a side nothing was stressed."""
    found = start(insulation(0, "a", "cb"), withstand(1, "ab", "cd"))
    assert pairs(found) == sets("ac ad bc bd")
    place = {point: n for n, (point,) in enumerate(found.nets)}
    assert found.ground.cleared[place["a"], place["b"]]
    higher = insulation(1, "ab", "cd", level=1000)
    assert pairs(start(insulation(0, "a", "c"), higher)) == sets("ac ad bc bd")


def test_points_joined_by_a_passed_contact_step_are_one() -> None:
    """One lead on each side and at most a hundredth of the pair's limit; sides stay apart."""
    failed = insulation(1, "ab", "cd")
    assert pairs(start(contact(0, "a", "b"), failed)) == sets("abc abd")
    assert pairs(start(contact(0, "a", "b", most="20001"), failed)) == sets("ac ad bc bd")
    assert pairs(start(contact(0, "ab", "c"), failed)) == sets("ac ad bc bd")
    assert pairs(start(contact(0, "a", "c"), failed)) == sets("ac ad bc bd")


def test_what_no_step_opposes_is_never_opposed() -> None:
    """At the search's level or above; a step to come counts, it is the author's word."""
    failed = insulation(0, "ab", "cd")
    assert may_oppose(start(failed), "a", "c")
    assert not may_oppose(start(failed), "a", "b")
    assert may_oppose(start(withstand(0, "a", "b"), insulation(1, "ab", "cd")), "a", "b")
    low = insulation(0, "a", "b", level=250)
    assert not may_oppose(start(low, insulation(1, "ab", "cd")), "a", "b")


def test_exposures_are_those_of_the_most_exposed_points() -> None:
    """12 allowed, 5 spent by one point of a conductor; points elsewhere don't count."""
    spent = {("a", "c"): 5, ("b", "d"): 20, ("a", "z"): 9}
    found = start(contact(0, "a", "b"), insulation(1, "ab", "cd"), exposures=spent)
    place = {net: n for n, net in enumerate(found.nets)}
    ab, c, d = place["a", "b"], place["c",], place["d",]
    assert found.ground.left[ab, c] == 7
    assert found.ground.left[ab, d] == 0


@pytest.mark.parametrize(
    ("failed", "same"),
    [
        (insulation(0, "a", "b"), True),
        (insulation(0, "a", "b", level=1000), False),
        (withstand(0, "a", "b"), False),
    ],
)
def test_a_failure_counts_at_the_search_level_if_it_was_one_there(
    failed: BoundStep, same: bool
) -> None:
    """1.5 Mohm read, 2 Mohm asked of a pair."""
    assert start(failed).reproduces is same


@pytest.mark.parametrize(
    ("bound", "verdict", "values", "shows"),
    [
        (limit(TOTAL, MOST, "0.001"), "fail", {TOTAL: "0.002"}, True),
        (limit(TOTAL, LEAST, "0.001"), "fail", {TOTAL: "0.0002"}, False),
        (limit(R, LEAST, "2E6"), "fail", {R: "1E6"}, True),
        (limit(R, MOST, "2E9"), "fail", {R: "3E9"}, False),
        (limit(TOTAL, MOST, "0.001"), "breakdown", {}, True),
    ],
)
def test_only_a_leak_or_breakdown_is_searched(
    bound: LimitOrder, verdict: str, values: dict[Measured, str], shows: bool
) -> None:
    """An open lead breaks the other limits."""
    failed = step(0, "withstand_dc", "a", "b", 1500, bound)
    read = {quantity: Reading(Decimal(value)) for quantity, value in values.items()}
    result = StepResult(0, "s0", Outcome.FAIL, values=read, tester_verdict=verdict)
    assert leak_shows(failed, result) is shows


def test_an_open_point_is_named_only_if_a_leak_may_run_by_way_of_it() -> None:
    """0–1 was found with 2, 3, 4 open: 0–2 and 3–1 are unproved, 2–3 decides."""
    good = start(insulation(0, "ab", "cde")).ground.cleared.copy()
    good[:] = True
    for one, other in ((0, 2), (3, 1)):
        good[one, other] = good[other, one] = False
    assert ways_between((0, 1), (2, 3, 4), good) == ()
    good[2, 3] = good[3, 2] = False
    assert ways_between((0, 1), (2, 3, 4), good) == (2, 3)


def test_a_thought_beside_the_scan_lets_the_scan_go_on() -> None:
    """Waits, each a scan, until it is done; what it raises is raised; without it no wait at all."""

    def drive(talk: Any) -> tuple[int, Any]:
        waits = 0
        try:
            while True:
                assert isinstance(next(talk), Wait)
                waits += 1
        except StopIteration as stop:
            return waits, stop.value

    assert drive(think(lambda: sum(range(2_000_000)), aside=True))[1] == sum(range(2_000_000))
    assert drive(think(lambda: 7, aside=False)) == (0, 7)
    with pytest.raises(ZeroDivisionError):
        drive(think(lambda: 1 // 0, aside=True))
