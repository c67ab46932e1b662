"""A whole plan on units with one bad pair each, read by a nodal solver: found, and within bounds.

What a search starts from (conductors, pairs proved good, pairs that may be opposed) is written here
once more, as `orchestrator.running.suspects` describes it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from itertools import product as cross

import pytest

from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.program import InsulationStep, Locate, WithstandAcStep, WithstandDcStep
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, StepKind
from orchestrator.planning.ground import Ground
from orchestrator.planning.group_sizes import information_bound
from orchestrator.planning.locate import Search
from orchestrator.planning.plan import Plan, PlannedStep
from orchestrator.planning.search_answers import Answer, Ask, Evidence, Found, NotReproduced, Stuck
from orchestrator.planning.writing import program_of
from tests.planning.nodal import Corner, Pair, Unit, admittance, pair_of, passes, spread_unit
from tests.planning.test_detection import demanded, faults_of, planned

CORNERS: tuple[Corner, ...] = ("least", "nominal", "most")


@dataclass(frozen=True)
class Case:
    """``bodies``: the faulty pair as conductors, which a load or a bond makes of several nets."""

    unit: Unit
    made: Plan
    bodies: Pair
    told: str


@dataclass
class Ended:
    """``most``: the tests until a pair is found, at most."""

    answer: Answer
    first: int
    most: int


def cases(name: str, corner: Corner, sample: int | None = None) -> list[Case]:
    demands, made = planned(name)
    good = spread_unit(demands, corner)
    pairs = demanded(demands)
    if sample is not None:
        pairs = random.Random(5).sample(pairs, sample)
    return [
        Case(
            good.with_fault(pair, *fault),
            made,
            pair_of(*(demands.body_of[net] for net in pair)),
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
    least_ohm = keys.accept.resistance.at_least.value
    level_v = keys.level.value

    def bodies(nets: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(sorted({demands.body_of[net] for net in nets}))

    def opposed(step: PlannedStep) -> set[Pair]:
        return {pair_of(*ends) for ends in cross(bodies(step.apply_nets), bodies(step.against_nets))}

    may = set().union(*(opposed(s) for s in case.made.steps
                        if s.kind not in CONTACT_KINDS and s.level >= level_v))  # fmt: skip
    cleared: set[Pair] = set()
    for step in passed:
        limit = next((x.value for x in step.limits if x.quantity is Measured.RESISTANCE), None)
        if step.kind is not StepKind.INSULATION or limit is None or step.level < level_v:
            continue
        if limit >= least_ohm:
            sound = failed.kind is StepKind.INSULATION and step.level >= failed.level
            cleared |= opposed(step) if sound else opposed(step) - opposed(failed)
    template = replace(
        failed,
        kind=StepKind.INSULATION,
        level=level_v,
        ceiling=level_v,
        frequency_hz=None,
        waveform=next(d.waveform for d in demands.pair_demands if d.kind is StepKind.INSULATION),
        limits=(LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, least_ohm),),
    )

    def points(of: tuple[int, ...]) -> tuple[str, ...]:
        return tuple(p for body in of for net in demands.bodies[body] for p in demands.nets[net].points)

    def good(ask: Ask) -> bool:
        step = replace(template, apply_to=points(ask.apply_to), against=points(ask.against))
        return passes(step, admittance(case.unit, step), at_ceiling=False)

    may_float = bool(failed.open_nets) or keys.floating is not None
    suspects = opposed(failed) - cleared
    whole = replace(template, apply_to=failed.apply_to, against=failed.against)
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
    hunt = Search(ground, suspects, reproduces=reproduces)
    most = information_bound(len(suspects)) + 2 + (not may_float) + (not reproduces)
    tests, first = 0, None
    while isinstance(answer := hunt.next(), Ask):
        if hunt.located and first is None:
            first = tests
        hunt.told(good(answer))
        tests += 1
    return Ended(answer, tests if first is None else first, most)
