"""A whole plan on units with one bad pair each, read by a nodal solver: found, and within bounds.

What a search starts from (conductors, pairs proved good, pairs that may be opposed) is written here
once more, as `orchestrator.running.suspects` describes it.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from itertools import product as cross

import pytest

from orchestrator.model.demands import Demands, Floating
from orchestrator.model.program import InsulationStep, Locate, WithstandAcStep, WithstandDcStep
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.search_limits import search_limit
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, StepKind, Waveform
from orchestrator.planning.ground import Ground
from orchestrator.planning.group_sizes import information_bound
from orchestrator.planning.locate import Search
from orchestrator.planning.plan import Plan, PlannedStep
from orchestrator.planning.planner import plan
from orchestrator.planning.search_answers import (
    HELD,
    JOINED,
    UNPROVED,
    Answer,
    Ask,
    Found,
    NotReproduced,
    Stuck,
)
from orchestrator.planning.writing import program_of
from tests.planning.nodal import Corner, Pair, Unit, admittance, pair_of, passes, spread_unit
from tests.planning.products import AT, all_pairs, each
from tests.planning.test_detection import demanded, faults_of, planned

CORNERS: tuple[Corner, ...] = ("least", "nominal", "most")


@dataclass(frozen=True)
class Case:
    """``bodies``: the faulty pair as conductors, which a load or a bond makes of several nets."""

    unit: Unit
    made: Plan
    bodies: Pair
    ohm: float
    told: str


@dataclass
class Ended:
    """How a search ended.

    ``first``: tests until a pair is found; ``most``: the bound of these. ``alike``: suspects that
    every test opposes together with the faulty pair or not at all. ``shows``: whether the pair
    alone breaks the limit of the search.
    """

    answer: Answer
    first: int
    most: int
    alike: set[Pair]
    shows: bool


def cases(demands: Demands, made: Plan, corner: Corner, sample: int | None = None) -> list[Case]:
    good = spread_unit(demands, corner)
    pairs = demanded(demands)
    if sample is not None:
        pairs = random.Random(5).sample(pairs, sample)
    return [
        Case(
            good.with_fault(pair, *fault),
            made,
            pair_of(demands.body_of[pair[0]], demands.body_of[pair[1]]),
            1 / fault[0] if fault[0] > 1e-15 else math.inf,
            f"{one.name}: {pair} at {fault}",
        )
        for one, pair in pairs
        for fault in faults_of(one)
    ]


def locates(demands: Demands, made: Plan) -> dict[str, Locate]:
    """Step → the keys of its search, as they stand in the program."""
    found = {}
    for step in program_of(made, demands).steps:
        kinds = (InsulationStep, WithstandAcStep, WithstandDcStep)
        if isinstance(step, kinds) and step.locate is not None:
            found[step.name] = step.locate
    return found


def run(case: Case) -> tuple[list[PlannedStep], PlannedStep | None]:
    """The steps in order up to the first that fails: those that passed, and that one."""
    passed: list[PlannedStep] = []
    for step in case.made.steps:
        if step.kind in CONTACT_KINDS:
            continue  # a bad pair doesn't show there; test_detection has them
        if not passes(step, admittance(case.unit, step), at_ceiling=False):
            return passed, step
        passed.append(step)
    return passed, None


def search(case: Case, passed: list[PlannedStep], failed: PlannedStep, keys: Locate) -> Ended:
    demands = case.unit.demands
    licensed = set(locates(demands, case.made))
    least_ohm = keys.accept.resistance.at_least.value
    level_v = keys.level.value

    def bodies(nets: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(sorted({demands.body_of[net] for net in nets}))

    def opposed(step: PlannedStep) -> set[Pair]:
        return {
            pair_of(*ends) for ends in cross(bodies(step.apply_nets), bodies(step.against_nets))
        }

    dc = (StepKind.INSULATION, StepKind.WITHSTAND_DC)
    high = [s for s in case.made.steps if s.kind in dc and s.level >= level_v]
    high += [s for s in case.made.steps if s.name in licensed]
    may = {pair for step in high for pair in opposed(step)}
    cleared: set[Pair] = set()
    for step in passed:
        limit = next((x.value for x in step.limits if x.quantity is Measured.RESISTANCE), None)
        if step.kind is not StepKind.INSULATION or limit is None or step.level < level_v:
            continue
        if limit >= search_limit(keys, step.apply_to, step.against).at_least_ohm:
            sound = failed.kind is StepKind.INSULATION and step.level >= failed.level
            cleared |= opposed(step) if sound else opposed(step) - opposed(failed)
    template = replace(
        failed,
        kind=StepKind.INSULATION,
        level=level_v,
        ceiling=level_v,
        frequency_hz=None,
        waveform=Waveform.DC,
        limits=(LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, least_ohm),),
    )

    def points(of: tuple[int, ...]) -> tuple[str, ...]:
        nets = (net for body in of for net in demands.bodies[body])
        return tuple(point for net in nets for point in demands.nets[net].points)

    def good(ask: Ask) -> bool:
        here, there = points(ask.apply_to), points(ask.against)
        least = search_limit(keys, here, there).at_least_ohm
        limits = (LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, least),)
        step = replace(template, apply_to=here, against=there, limits=limits)
        return passes(step, admittance(case.unit, step), at_ceiling=False)

    may_float = keys.floating is not None
    suspects = opposed(failed) - cleared
    group = search_limit(keys, failed.apply_to, failed.against).at_least_ohm
    whole = replace(
        template,
        apply_to=failed.apply_to,
        against=failed.against,
        limits=(LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, group),),
    )
    reproduces = (
        failed.kind is StepKind.INSULATION
        and failed.level == level_v
        and not passes(whole, admittance(case.unit, whole), at_ceiling=False)
    )
    ground = Ground.of(
        bodies(failed.apply_nets),
        bodies(failed.against_nets),
        may_oppose=lambda one, other: (one, other) in may,
        exposures=lambda one, other: keys.exposures_at_most,
        cleared=lambda one, other: (one, other) in cleared,
        may_float=lambda body: may_float,
    )

    def judgeable(here: tuple[int, ...], there: tuple[int, ...]) -> bool:
        limit = search_limit(keys, points(here), points(there))
        return limit.good_ohm >= float(limit.at_least_ohm)

    hunt = Search(ground, suspects, reproduces=reproduces, judgeable=judgeable)
    most = information_bound(len(suspects)) + 2 + (not may_float) + (not reproduces)
    unproved = set(combinations(ground.nets, 2)) - cleared - suspects
    if unproved and not may_float:
        most += information_bound(len(ground.nets))  # cuts that prove pairs within a side, too
    tests, first = 0, None
    while isinstance(answer := hunt.next(), Ask):
        if hunt.located and first is None:
            first = tests
        hunt.told(good(answer))
        tests += 1
    alike = alike_to(case.bodies, suspects, ground.nets, may) if len(ground.nets) < 14 else set()
    shows = case.ohm < float(least_ohm)
    return Ended(answer, tests if first is None else first, most, alike, shows)


def alike_to(
    faulty: Pair, suspects: set[Pair], bodies: tuple[int, ...], may: set[Pair]
) -> set[Pair]:
    """By all ways of putting all bodies on two sides that oppose only what may be opposed."""
    alike = set(suspects)
    for apart in cuts_of(bodies, frozenset(may)):
        alike = {pair for pair in alike if (pair in apart) == (faulty in apart)}
    return alike


@cache
def cuts_of(bodies: tuple[int, ...], may: frozenset[Pair]) -> tuple[frozenset[Pair], ...]:
    found = []
    for bits in range(1, 1 << (len(bodies) - 1)):
        sides = {body: bits >> place & 1 for place, body in enumerate(bodies)}
        apart = frozenset(p for p in combinations(bodies, 2) if sides[p[0]] != sides[p[1]])
        if apart <= may:
            found.append(apart)
    return tuple(found)


def judge(case: Case, ended: Ended) -> None:
    """Exactly the pair; or honest: the pair is among the candidates, and if nothing but the nets
    that are held together is the reason, nothing else is that a test could have told from it."""
    answer = ended.answer
    if isinstance(answer, Found):
        assert answer.pairs == (case.bodies,), case.told
    elif isinstance(answer, NotReproduced):
        assert not ended.shows, case.told
        assert case.bodies in answer.candidates
    else:
        assert isinstance(answer, Stuck), case.told
        # What is located is the pair; then others beside it could not be proved good.
        assert {one.pair for one in answer.located} <= {case.bodies}, case.told
        assert answer.located or case.bodies in answer.candidates, case.told
        assert set(answer.reason.split("; ")) <= {HELD, UNPROVED, JOINED}, case.told
        if answer.reason == HELD:
            assert set(answer.candidates) == ended.alike, case.told


def search_all(demands: Demands, made: Plan, found: list[Case]) -> list[Ended]:
    """Run each case to its end and judge it; each must fail a step that says how to search."""
    keys = locates(demands, made)
    ends = []
    for case in found:
        passed, failed = run(case)
        assert failed is not None, case.told
        ended = search(case, passed, failed, keys[failed.name])
        judge(case, ended)
        ends.append(ended)
    return ends


def planned_without_floating(name: str) -> tuple[Demands, Plan]:
    """A shipped product that lets no net be left open."""
    demands, _ = planned(name)
    demands = replace(demands, allowed=replace(demands.allowed, floating={}))
    return demands, plan(demands)


# ---- shipped products ---------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("name", "sample"), [("larkfield", 30), ("bramley", 24)])
@pytest.mark.parametrize(
    ("floats", "corner"), [*((True, corner) for corner in CORNERS), (False, "nominal")]
)
def test_no_search_names_a_wrong_pair_and_none_loses_the_right_one(
    name: str, sample: int | None, floats: bool, corner: Corner
) -> None:
    """As shipped each pair that shows at insulation level is located; where no net may float the
    search may stop at candidates, the faulty pair among them. A capacitive fault, or one that only
    a withstand limit forbids, doesn't show at insulation level."""
    demands, made = planned(name) if floats else planned_without_floating(name)
    ends = search_all(demands, made, cases(demands, made, corner, sample))
    stuck = [end for end in ends if isinstance(end.answer, Stuck) and not end.answer.located]
    assert bool(stuck) is not floats
    assert all(end.first <= end.most for end in ends)


@pytest.mark.slow
@pytest.mark.parametrize("corner", CORNERS)
def test_a_pair_of_a_harness_is_named_exactly(corner: Corner) -> None:
    """Three pairs of 64 wires; all other pairs at one end of their tolerance, which the group's own
    limits pass: 1024 pairs of 10 Gohm are 9.8 Mohm, and one pair must have 10 Mohm."""
    demands, made = planned("tansy")
    for end in search_all(demands, made, cases(demands, made, corner, 3)):
        assert isinstance(end.answer, Found)


@pytest.mark.slow
def test_a_pair_of_a_harness_is_named_within_the_bound() -> None:
    """The information bound of the failed step's suspects, plus 2, plus 1 as no wire may be left
    open, as DEVELOPERS.md says it."""
    demands, made = planned("tansy")
    ends = search_all(demands, made, cases(demands, made, "nominal", 4))
    assert [(end.first, end.most) for end in ends if end.first > end.most] == []


def test_a_search_that_found_nothing_does_not_blame_what_it_found() -> None:
    """Relay against control of the drive, at its own limit: nothing is located, so there is nothing
    to be mended before the search can go on."""
    demands, made = planned_without_floating("bramley")
    keys = locates(demands, made)
    (case, *_) = [c for c in cases(demands, made, "nominal") if "all else: (8, 10)" in c.told]
    passed, failed = run(case)
    assert failed is not None
    answer = search(case, passed, failed, keys[failed.name]).answer
    assert isinstance(answer, Stuck)
    assert not answer.located
    assert JOINED not in answer.reason


# ---- small ones ---------------------------------------------------------------------------------

MAY = Floating(None, None, "stands the level", AT)


@pytest.mark.slow
@pytest.mark.parametrize("floating", [False, True])
@pytest.mark.parametrize("nets", [3, 5, 8])
def test_every_pair_of_a_small_harness_is_named_exactly(nets: int, floating: bool) -> None:
    """All pairs demanded at 1 Mohm, all have 100 Mohm ± 20 %; with and without nets left open."""
    strays = [each(1e8, *([net] for net in range(nets)), tolerance=0.2)]
    may = dict.fromkeys(range(nets), MAY) if floating else {}
    demands = all_pairs(nets, insulations=strays, floating=may)
    made = plan(demands)
    for corner in ("least", "most"):
        for end in search_all(demands, made, cases(demands, made, corner)):
            assert isinstance(end.answer, Found)
            assert end.first <= end.most


def test_a_search_step_that_always_passes_finds_nothing() -> None:
    """A unit whose fault has gone: not reproduced or coming and going, never a named pair."""
    demands = all_pairs(6, insulations=[each(1e8, *([net] for net in range(6)))])
    made = plan(demands)
    keys = locates(demands, made)
    case = cases(demands, made, "nominal")[0]
    passed, failed = run(case)
    assert failed is not None
    mended = replace(case, unit=spread_unit(demands, "nominal"))
    answer = search(mended, passed, failed, keys[failed.name]).answer
    assert isinstance(answer, NotReproduced)
    assert case.bodies in answer.candidates
