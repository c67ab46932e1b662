"""Plans against a nodal solver: good units pass, one bad pair or one open lead shows.

Units come from `tests.planning.nodal`, which knows circuits and asks neither planner nor coverage.
"""

from __future__ import annotations

import cmath
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import cache
from itertools import combinations
from pathlib import Path

import pytest

from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.resolve import read_demands
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, StepKind, Waveform
from orchestrator.planning.plan import Plan, PlannedStep
from orchestrator.planning.planner import plan
from tests.planning.nodal import (
    ROUNDING,
    Circuit,
    Corner,
    Pair,
    admittance,
    hard_unit,
    passes,
    readings,
)
from tests.planning.products import amps_total, demand, each, grouping, product

PRODUCTS = Path(__file__).resolve().parents[2] / "examples" / "products"
WHOLE = ("larkfield", "quince", "bramley")
CORNERS: tuple[Corner, ...] = ("least", "most")
BEYOND = 1e-5
"""Relative: so far a faulty pair lies beyond its own limit."""


@cache
def planned(name: str) -> tuple[Demands, Plan]:
    demands = read_demands(PRODUCTS / f"{name}.yaml")
    return demands, plan(demands)


def demanded(demands: Demands) -> list[tuple[PairDemand, Pair]]:
    """Every demand with every pair of it."""
    return [
        (one, pair)
        for one in demands.pair_demands
        for pair in combinations(sorted(one.pairs.nets), 2)
        if pair in one.pairs
    ]


def faults_of(demand: PairDemand) -> Iterator[tuple[float, float]]:
    """A pair just beyond each limit of a demand that a leak breaks: S and F.

    An AC total current in three phases: resistive, half and half, capacitive.
    """
    level = float(demand.level_v)
    for limit in demand.limits:
        value = float(limit.value) * (1 + BEYOND)
        if limit.quantity is Measured.RESISTANCE:
            if limit.edge is Edge.AT_LEAST:
                yield (1 + BEYOND) / float(limit.value), 0.0
        elif limit.edge is Edge.AT_LEAST:
            continue
        elif demand.waveform is Waveform.DC or limit.quantity is Measured.IN_PHASE_CURRENT:
            yield value / level, 0.0
        else:
            omega = 2 * math.pi * float(demand.frequency_hz or 0)
            for degrees in (0, 45, 90):
                seen = cmath.rect(value / level, math.radians(degrees))
                yield seen.real, seen.imag / omega


def opposes(step: PlannedStep, pair: Pair) -> bool:
    one, other = pair
    return (one in step.apply_nets and other in step.against_nets) or (
        other in step.apply_nets and one in step.against_nets
    )


def hidden(demands: Demands, steps: Sequence[PlannedStep], demand: PairDemand, pair: Pair) -> bool:
    """Whether a pair just beyond its limit passes every step that claims to cover it, the others
    having as little as they may."""
    claiming = [
        s for s in steps if demand.name in [c.demand for c in s.covers] and opposes(s, pair)
    ]
    good = [(step, hard_unit(demands, step, "least", spare=pair)) for step in claiming]
    return any(
        all(
            passes(s, admittance(unit.with_fault(pair, *fault), s), at_ceiling=False)
            for s, unit in good
        )
        for fault in faults_of(demand)
    )


def failing_though_sound(demands: Demands, steps: Sequence[PlannedStep]) -> list[str]:
    """Steps that a unit within all tolerances does not pass, with what it reads."""
    found = []
    for step in steps:
        for corner in CORNERS:
            seen = admittance(hard_unit(demands, step, corner), step)
            for at_ceiling in (False, True):
                if not passes(step, seen, at_ceiling=at_ceiling, slack=ROUNDING):
                    read = readings(step, seen, at_ceiling=at_ceiling)
                    found.append(f"{step.name}: {corner}, {read}, {step.limits}")
    return found


def unnoticed(demands: Demands, made: Plan) -> list[str]:
    """Points whose lead may be off without the step failing that is named as its proof."""
    by_name = {step.name: step for step in made.steps}
    found = []
    for proof in made.contacts:
        if proof.step is None:
            continue
        step = by_name[proof.step]
        for corner in CORNERS:
            unit = replace(hard_unit(demands, step, corner), off=frozenset({proof.point}))
            at_ceiling = corner == "most" and step.kind not in CONTACT_KINDS
            if passes(step, admittance(unit, step), at_ceiling=at_ceiling):
                found.append(f"{proof.point}: {corner}, {proof.words}")
    return found


# ---- the solver itself --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arms", "bridge", "expected"),
    [
        ((100.0, 200.0, 100.0, 200.0), 50.0, 150.0),  # balanced: the bridge carries nothing
        ((1.0, 2.0, 2.0, 1.0), 1.0, 1.4),  # node equations: 4/7 V and 3/7 V of 1 V, 5/7 A
    ],
)
def test_a_wheatstone_bridge_has_the_resistance_that_hand_calculation_gives(
    arms: tuple[float, float, float, float], bridge: float, expected: float
) -> None:
    """Balanced: (100 + 200)/2. 1, 2, 2, 1 ohm with 1 ohm across: node equations give 7/5 ohm."""
    circuit = Circuit()
    top, left, right, foot = (("node", n) for n in range(4))
    circuit.drive(top, foot, 10.0)
    for ends, ohm in zip(((top, left), (left, foot), (top, right), (right, foot)), arms,
                         strict=True):  # fmt: skip
        circuit.admit(*ends, 1 / ohm)
    circuit.admit(left, right, 1 / bridge)
    solved = circuit.solve()
    assert solved.currents[0] == pytest.approx(10 / expected)
    assert solved.power == pytest.approx(100 / expected)
    if arms[0] == arms[2]:
        assert solved.volts[left] == pytest.approx(solved.volts[right])


def test_resistance_beside_capacitance_draws_both_at_a_right_angle() -> None:
    """1 Mohm beside 3.1831 nF at 1 kV, 50 Hz: 1 mA and 1 mA, √2 mA in all; on DC 1 mA (by hand).
    A node that hangs on nothing, and a capacitor in a row with it, change nothing."""
    for hertz, expected in ((50.0, complex(1e-3, 1e-3)), (0.0, complex(1e-3, 0))):
        circuit = Circuit(hertz)
        plus, minus = ("node", "plus"), ("node", "minus")
        circuit.drive(plus, minus, 1000.0)
        circuit.admit(plus, minus, 1e-6, 1e-6 / (2 * math.pi * 50))
        circuit.admit(("node", "away"), ("node", "far"), 1.0)
        circuit.admit(plus, ("node", "end"), 0.0, 1e-9)
        solved = circuit.solve()
        assert solved.currents[0] == pytest.approx(expected, rel=1e-9)
        assert solved.power / 1000 == pytest.approx(expected, rel=1e-9)


# ---- shipped products ---------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", [*WHOLE, "tansy"])
def test_a_good_unit_passes_every_step_at_all_ends_of_its_tolerances(name: str) -> None:
    """All declared values at their least and at their most, at the level and at the ceiling. Of a
    harness's 64 continuity steps, all alike, the last ten."""
    demands, made = planned(name)
    steps = made.steps[54:] if name == "tansy" else made.steps
    assert failing_though_sound(demands, steps) == []


@pytest.mark.parametrize("name", WHOLE)
def test_every_pair_just_beyond_its_own_limit_fails_a_step_that_covers_it(name: str) -> None:
    """All other pairs as good as they may be; every pair of every demand, one at a time."""
    demands, made = planned(name)
    pairs = demanded(demands)
    assert len(pairs) == {"larkfield": 56, "quince": 4, "bramley": 130}[name]
    assert [(one.name, pair) for one, pair in pairs if hidden(demands, made.steps, one, pair)] == []


def test_a_harness_shows_every_pair_of_a_sample() -> None:
    """Twenty-five of the 2016 pairs of 64 wires, drawn by seed."""
    demands, made = planned("tansy")
    for one, pair in random.Random(64).sample(demanded(demands), 25):
        assert not hidden(demands, made.steps, one, pair), pair


@pytest.mark.parametrize("name", [*WHOLE, "tansy"])
def test_an_open_lead_fails_the_step_that_is_named_as_its_proof(name: str) -> None:
    """Every proved point, one lead off at a time; of a harness the last ten."""
    demands, made = planned(name)
    contacts = made.contacts[-10:] if name == "tansy" else made.contacts
    assert any(proof.proved for proof in contacts)
    assert unnoticed(demands, replace(made, contacts=contacts)) == []


@pytest.mark.parametrize("name", ["bramley", "tansy"])
def test_a_broken_wire_within_a_net_fails_its_continuity_step(name: str) -> None:
    """One wire at a time, from the net's middle to a point; every point but the net's first."""
    demands, made = planned(name)
    steps = [
        s for s in made.steps if s.kind is StepKind.CONTINUITY and s.apply_nets == s.against_nets
    ]
    assert len(steps) == {"bramley": 10, "tansy": 64}[name]
    for step in steps[:10]:
        for point in (*step.apply_to, *step.against):
            unit = hard_unit(demands, step, "most")
            assert passes(step, admittance(unit, step), at_ceiling=False)
            broken = replace(unit, broken=frozenset({point}))
            assert not passes(step, admittance(broken, step), at_ceiling=False)


# ---- what these tests would catch ---------------------------------------------------------------


def test_a_plan_with_a_step_taken_out_hides_pairs() -> None:
    """Each step at a voltage of the drive is the only one for some pair."""
    demands, made = planned("bramley")
    for left_out in (step for step in made.steps if step.kind not in CONTACT_KINDS):
        steps = [step for step in made.steps if step is not left_out]
        assert any(hidden(demands, steps, *one) for one in demanded(demands)), left_out.name


def test_a_group_limit_loosened_by_a_hundredth_hides_a_pair() -> None:
    """Six groups of 32 wires against 32 at 7.458 Mohm; at 1 % less some pair no longer shows."""
    demands, made = planned("tansy")
    loose = [
        replace(s, limits=tuple(replace(x, value=x.value * Decimal("0.99")) for x in s.limits))
        for s in made.steps
        if s.kind is StepKind.INSULATION
    ]
    (one, pair), *_ = demanded(demands)
    assert not hidden(demands, made.steps, one, pair)
    assert hidden(demands, loose, one, pair)


def test_a_group_limit_tightened_by_a_half_fails_good_units() -> None:
    """The same groups at 11 Mohm."""
    demands, made = planned("tansy")
    step = next(s for s in made.steps if s.kind is StepKind.INSULATION)
    tight = replace(
        step, limits=tuple(replace(x, value=x.value * Decimal("1.5")) for x in step.limits)
    )
    assert failing_though_sound(demands, [tight])


def test_a_lower_limit_taken_out_leaves_an_open_lead_unnoticed() -> None:
    """1 nF ± 5 % from net 0 to each of three others: their leads are proved by that limit alone."""
    one = demand(grouping([0], [1, 2, 3]), 1000, StepKind.WITHSTAND_AC, amps_total("0.005"))
    singles = [[net] for net in range(4)]
    strays = [each(1e-9, [0], [1, 2, 3], tolerance=0.05), each(1e-14, *singles)]
    good = [each(1e12, *singles)]
    demands = product(4, [one], capacitances=strays, insulations=good, unproved=False)
    made = plan(demands)
    assert {proof.how for proof in made.contacts} == {"lower_limit"}
    assert unnoticed(demands, made) == []
    bare = [replace(s, limits=s.limits[:1]) for s in made.steps]
    assert len(unnoticed(demands, replace(made, steps=tuple(bare)))) == 8
