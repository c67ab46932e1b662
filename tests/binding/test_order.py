"""What must come before a hazard: a bonding step, an interlock input; and what is a hazard."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from orchestrator.binding.context import Context, Task, candidate
from orchestrator.binding.order import is_hazardous
from orchestrator.binding.wiring import wire
from orchestrator.model.words import StepKind
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    INSULATE,
    Bench,
    Data,
    changed,
    kind_with,
    span,
)

D = Decimal


@pytest.mark.parametrize("step", [HIPOT, INSULATE], ids=["withstand", "insulation"])
def test_a_voltage_step_without_an_earlier_bonding_step_is_refused(step: Data) -> None:
    """Issue part 7; common practice 4 (no source): an open earth would put the chassis live."""
    assert "no bonding step before it" in str(Bench().steps(CONTACT, step, BOND).only_fault())


def test_a_program_may_say_that_there_is_no_protective_earth() -> None:
    """The reason goes into the schedule."""
    bench = Bench().steps(CONTACT, HIPOT, no_protective_earth="class II, double insulation")
    assert bench.bind().no_protective_earth == "class II, double insulation"


def test_continuity_does_not_stand_in_for_bonding() -> None:
    """Not even through the bonding route."""
    route = changed(CONTACT, apply_to=["cover"], level="5 A", route="bonding")
    route["accept"] = {"resistance": {"at_most": "1 ohm"}}
    step = changed(HIPOT, apply_to=["cover"])
    assert "no bonding step" in str(Bench().steps(route, step).only_fault())


def test_a_hazardous_step_without_an_interlock_input_is_refused() -> None:
    """Issue part 7."""
    bench = Bench()
    bench.station["interlock"] = []
    fault = bench.only_fault()
    assert "no interlock input in station.yaml" in fault.found
    assert str(fault.position).startswith("program.yaml:")


def test_a_program_without_hazard_needs_no_interlock_input() -> None:
    """Bonding and continuity within 25 V AC and 60 V DC."""
    bench = Bench().steps(BOND, CONTACT)
    bench.station["interlock"] = []
    assert not any(step.hazardous for step in bench.bind().steps)


# kind, changes, hazardous. EN 50191:2010, clause 1.2, as in reference B (seen [S1]).
HAZARDS: list[tuple[Data, dict[str, Any], bool]] = [
    (BOND, {"compliance_v": D(25)}, False),
    (BOND, {"compliance_v": D("25.1")}, True),
    (BOND, {"compliance_v": None}, True),
    (CONTACT, {"compliance_v": D(60)}, False),
    (CONTACT, {"compliance_v": D("60.1")}, True),
    (HIPOT, {}, True),
    (HIPOT, {"source_current_a": None}, True),
    (HIPOT, {"source_current_a": D("0.003")}, False),
    (HIPOT, {"source_current_a": D("0.0031")}, True),
    (HIPOT, {"source_current_a": D("0.003"), "frequencies": (D(501),)}, True),
    (INSULATE, {"source_current_a": D("0.001")}, True),  # stored energy unknown
    (INSULATE, {"level": span("10", "60")}, False),
]


@pytest.mark.parametrize(("step", "ability", "hazardous"), HAZARDS)
def test_the_hazard_is_reckoned_from_what_the_tester_can_give(
    step: Data, ability: dict[str, Any], hazardous: bool
) -> None:
    """Not from the set level; unknown is hazardous."""
    bench = Bench().steps(step).tester(kind_with(StepKind(step["kind"]), **ability))
    program, fixture, station = bench.documents()
    wiring = wire(station.model, fixture.model, bench.instruments)
    context = Context(program, fixture, station, bench.instruments, wiring)
    chosen = candidate(Task(context, 0, program.model.steps[0]), "t1")
    assert chosen is not None
    assert is_hazardous(chosen) is hazardous
