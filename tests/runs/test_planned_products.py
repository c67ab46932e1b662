"""The shipped products, planned and run on simulated racks: sound units pass, every fault is found.

Racks and units are those of `planned_racks` and `planned_units`; all products are invented.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar

import pytest

from orchestrator.model.demands import Demands
from orchestrator.model.record import Located, RunResult
from orchestrator.model.words import HIGH_VOLTAGE_KINDS, Outcome, SearchEnding, StepKind
from tests.runs.planned_racks import Rack, one_ended, product_file
from tests.runs.planned_units import NetPair, PairFault, gap, leak, leaks_of, pairs_of

OpenRack = Callable[..., Rack]
T = TypeVar("T")
SOUND = (
    ("larkfield", "orrin"),
    ("larkfield", "pell"),
    ("larkfield", "stave"),
    ("bramley", "orrin"),
)
SOUND_IN_SOAK = (("bramley", "orrin with comb"), ("tansy", "orrin with comb"))
ABOVE_SEARCH = Decimal("1.2")
SEED = 4
INSULATION = StepKind.INSULATION


def soaked(cases: Iterable[Any]) -> list[Any]:
    """Cases that only soak runs."""
    rows = (case if isinstance(case, tuple) else (case,) for case in cases)
    return [pytest.param(*row, marks=pytest.mark.soak) for row in rows]


@pytest.fixture(scope="module")
def open_rack(
    tmp_path_factory: pytest.TempPathFactory, profiles_read_once: None
) -> Iterator[OpenRack]:
    """One rack for each product and station, used by test after test, as a real one is."""
    del profiles_read_once
    racks: dict[tuple[str, str], Rack] = {}

    def opened(name: str, rack: str) -> Rack:
        key = (name, rack)
        if key not in racks:
            folder = tmp_path_factory.mktemp(name)
            racks[key] = Rack(folder, rack, product_file(folder, name))
        return racks[key]

    yield opened
    for rack in racks.values():
        rack.close()


def sample(things: tuple[T, ...], size: int | None) -> tuple[T, ...]:
    """So many of them, by a fixed seed; all without a size."""
    if size is None or size >= len(things):
        return things
    return tuple(random.Random(SEED).sample(things, size))


def faults_of(rack: Rack) -> tuple[PairFault, ...]:
    """Each pair of each demand just below its limit, or, where the tester's insulation level would
    break down over that, 5 % above what it holds (Ohm's law). Lower ones: `test_a_short…`."""
    steps = [step for step in rack.schedule.steps if step.kind is StepKind.INSULATION]
    held = max(step.order.level for step in steps) / rack.insulation_source_a
    least = (held * Decimal("1.05")).quantize(Decimal(1000))
    return tuple(replace(fault, ohm=max(fault.ohm, least)) for fault in leaks_of(rack.demands))


def demanded(demands: Demands, *kinds: StepKind) -> tuple[NetPair, ...]:
    """Every pair that a demand of these kinds (all, if none is named) names."""
    return tuple(
        dict.fromkeys(
            pair
            for demand in demands.pair_demands
            if not kinds or demand.kind in kinds
            for pair in pairs_of(demand.pairs)
        )
    )


def located(result: RunResult, told: str) -> Located:
    assert result.outcome is Outcome.FAIL, (told, result.reason)
    (found,) = result.located
    assert len(found.steps) <= 20, told
    return found


def check_leak(rack: Rack, fault: PairFault) -> SearchEnding:
    """Fails, and the search tells of this pair and of no other."""
    told = f"{fault.demand.name}: {rack.names(fault.pair)} at {fault.ohm} ohm"
    found = located(rack.test(leak(rack.demands, fault.pair, fault.ohm)), told)
    pair = rack.bodies(fault.pair)
    if found.ending is SearchEnding.FOUND:
        assert rack.named(found) == [pair], (told, found.pairs)
        return found.ending
    assert found.pairs == (), told
    assert pair in rack.candidates(found), (told, found.reason)
    locate = rack.schedule.steps[found.step].locate
    assert locate is not None
    if found.ending is SearchEnding.STUCK:
        assert not rack.may_float(found), (told, found.reason)
        assert "stand together" in found.reason or "oppose" in found.reason, told
    else:
        # Below the limit of a withstand demand only: at the search's it is a sound pair.
        assert fault.ohm > locate.accept.resistance.at_least.value, (told, found.reason)
        assert fault.demand.kind is not StepKind.INSULATION, told
    return found.ending


# ---- sound


@pytest.mark.parametrize(("name", "station"), [*SOUND, *soaked(SOUND_IN_SOAK)])
def test_the_plan_is_complete_and_a_sound_unit_passes_all_of_it(
    tmp_path: Path, name: str, station: str
) -> None:
    """Complete as the wire carries it; every step passes; the bench has nothing against it."""
    rack = Rack(tmp_path, station, product_file(tmp_path, name))
    assert rack.coverage.complete
    result = rack.live.run(rack.schedule, serial="K1")
    assert result.located == ()
    assert all(step.outcome is Outcome.PASS for step in result.steps), result.steps
    rack.check(result, Outcome.PASS, before=[step.name for step in rack.schedule.steps])


# ---- leaks


@pytest.mark.parametrize(
    ("name", "station", "size"),
    [
        ("larkfield", "orrin", 6),
        ("bramley", "orrin", 2),
        *soaked(
            [
                ("larkfield", "orrin", None),
                ("larkfield", "pell", 12),
                ("larkfield", "stave", 12),
                ("bramley", "orrin", None),
            ]
        ),
    ],
)
def test_every_leaky_pair_is_detected_and_named(
    open_rack: OpenRack, name: str, station: str, size: int | None
) -> None:
    """Every one below the search's limit. The Larkfield's DC withstand asks for 4.24 Mohm (Ohm's
    law), its search for 2 Mohm: a leak between ends as not reproduced, its pair a candidate."""
    rack = open_rack(name, station)
    for fault in sample(faults_of(rack), size):
        if shows_in_rise(rack, fault):
            continue  # the next test
        ending = check_leak(rack, fault)
        assert ending is not SearchEnding.STUCK
        assert ending is SearchEnding.FOUND or name == "larkfield"


def shows_in_rise(rack: Rack, fault: PairFault) -> bool:
    """Whether the fault trips a DC withstand in its rise on a tester that reads to 10 uA."""
    return fault.demand.kind is StepKind.WITHSTAND_DC and rack.station in ("pell", "stave")


@pytest.mark.parametrize("station", ["pell", "stave"])
def test_a_leak_that_trips_withstand_in_its_rise_fails(open_rack: OpenRack, station: str) -> None:
    """The Larkfield's DC withstand, at most 0.5 mA: any leak over it trips as the level rises
    through it, so the reading is never far above."""
    rack = open_rack("larkfield", station)
    fault = next(fault for fault in faults_of(rack) if shows_in_rise(rack, fault))
    check_leak(rack, fault)


@pytest.mark.soak
def test_leaky_pairs_of_the_tansy_are_named(open_rack: OpenRack) -> None:
    """The whole program. Every wire may stand against every other, so none needs to float."""
    rack = open_rack("tansy", "orrin with comb")
    for fault in sample(faults_of(rack), 10):
        assert check_leak(rack, fault) is SearchEnding.FOUND


@pytest.mark.parametrize("size", [2, *soaked([60])])
def test_leaky_pairs_of_the_tansy_are_named_by_one_end_of_each_wire(
    tmp_path: Path, profiles_read_once: None, size: int
) -> None:
    """Sampled by seed: all 2016 pairs take some twenty-five minutes."""
    del profiles_read_once
    rack = Rack(tmp_path, "orrin", one_ended(tmp_path))
    try:
        for fault in sample(faults_of(rack), size):
            assert check_leak(rack, fault) is SearchEnding.FOUND
    finally:
        rack.close()


# ---- shorts


SHORTS = [("larkfield", "orrin"), ("bramley", "orrin")]


@pytest.mark.parametrize(("name", "station"), SHORTS)
def test_a_short_is_never_a_pass(open_rack: OpenRack, name: str, station: str) -> None:
    """One ohm between two nets: the insulation step can't be proved, and nothing follows it."""
    rack = open_rack(name, station)
    for pair in sample(demanded(rack.demands), 3):
        result = rack.test(leak(rack.demands, pair, Decimal(1)))
        assert result.outcome in (Outcome.FAIL, Outcome.NO_VERDICT), rack.names(pair)
        bad = next(step for step in result.steps if step.outcome is not Outcome.PASS)
        assert "insulation" in bad.name, rack.names(pair)


@pytest.mark.parametrize(("name", "station"), SHORTS)
def test_a_short_is_named(open_rack: OpenRack, name: str, station: str) -> None:
    """A dead short is the plainest single-pair fault."""
    rack = open_rack(name, station)
    pair = demanded(rack.demands)[0]
    result = rack.test(leak(rack.demands, pair, Decimal(1)))
    assert rack.named(located(result, rack.names(pair))) == [rack.bodies(pair)]


# ---- breakdowns


@pytest.mark.parametrize(
    ("name", "station", "size"),
    [
        ("larkfield", "orrin", 3),
        ("bramley", "orrin", 2),
        *soaked(
            [("larkfield", "orrin", None), ("larkfield", "pell", 12), ("bramley", "orrin", None)]
        ),
    ],
)
def test_a_breakdown_above_the_search_level_is_not_reproduced_and_its_pair_a_candidate(
    open_rack: OpenRack, name: str, station: str, size: int | None
) -> None:
    """A gap of 1.2 times the search's level fails the withstand step and stands the search."""
    rack = open_rack(name, station)
    pairs = demanded(rack.demands, *(kind for kind in HIGH_VOLTAGE_KINDS if kind is not INSULATION))
    for pair in sample(pairs, size):
        result = rack.test(gap(rack.demands, pair, Decimal(500) * ABOVE_SEARCH))
        told = rack.names(pair)
        found = located(result, told)
        assert "withstand" in found.name, told
        assert found.ending is SearchEnding.NOT_REPRODUCED, (told, found.reason)
        assert rack.bodies(pair) in rack.candidates(found), told
        assert all(step.result.outcome is Outcome.PASS for step in found.steps), told


# ---- open leads


@pytest.mark.parametrize(
    ("name", "station", "size"),
    [
        ("larkfield", "orrin", None),
        ("bramley", "orrin", 3),
        *soaked(
            [
                ("larkfield", "pell", 12),
                ("larkfield", "stave", 12),
                ("bramley", "orrin", None),
                ("tansy", "orrin with comb", 24),
            ]
        ),
    ],
)
def test_a_fallen_off_lead_never_passes(
    open_rack: OpenRack, name: str, station: str, size: int | None
) -> None:
    """Of every point whose contact the plan proves, by continuity or bonding."""
    rack = open_rack(name, station)
    points = tuple(
        point
        for net in rack.demands.nets
        for point in net.points
        if point not in rack.demands.allowed.unproved_contact
    )
    for point in sample(points, size):
        result = rack.test(lost=point)
        assert result.outcome is not Outcome.PASS, point
        assert result.located == (), point
        bad = next(step for step in result.steps if step.outcome is not Outcome.PASS)
        assert bad.name.startswith(("continuity", "bonding")), (point, bad)


def check_high_lead(rack: Rack, point: str) -> None:
    """The run fails, or binding had told that this point is proved through another lead."""
    with rack.without_high_lead(point):
        result = rack.test()
    told = f"{point!r}" in rack.told_of_other_leads()
    assert told is (result.outcome is Outcome.PASS), (point, result.outcome)


def test_a_high_voltage_lead_that_falls_off_alone_fails_the_run_or_was_told_of(
    open_rack: OpenRack,
) -> None:
    """Bonding proves the high-current lead of a point; binding says where another one counts."""
    rack = open_rack("larkfield", "orrin")
    for net in rack.demands.nets:
        for point in net.points:
            check_high_lead(rack, point)


@pytest.mark.parametrize("point", ["housing", "heatsink"])
def test_it_is_told_of_beside_points_that_need_no_proof(open_rack: OpenRack, point: str) -> None:
    """The Bramley's relay needs none; its housing is bonded through another lead all the same."""
    check_high_lead(open_rack("bramley", "orrin"), point)
