"""A program that fits becomes a schedule; one that doesn't is refused with every fault at once."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from orchestrator.binding.explain import describe
from orchestrator.model.schedule import Contact
from orchestrator.model.words import Role, StepKind
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIGH_VOLTAGE,
    HIPOT,
    INSULATE,
    KINDS,
    TESTER,
    Bench,
    PaperTester,
    changed,
    kind_with,
)


def contact(bank: str, channel: int, role: Role) -> Contact:
    return Contact("relays", "u1", bank, channel, role)


def test_a_program_that_fits_is_bound_step_by_step() -> None:
    """Route, sides and hazard of each step follow from wiring, program and abilities."""
    bond, proof, hipot = Bench().bind().steps
    assert bond.route.contacts == {
        contact("hc", 2, Role.SOURCE),
        contact("sense", 2, Role.SOURCE),
        contact("hc", 1, Role.RETURN),
        contact("sense", 1, Role.RETURN),
    }
    assert hipot.route.contacts == {contact("hv", 3, Role.SOURCE), contact("hv", 1, Role.RETURN)}
    assert [step.hazardous for step in (bond, proof, hipot)] == [False, False, True]
    assert hipot.leans_on == ("contact",)
    assert hipot.predicted_s == 1 + 2 + 0.1  # the fall not asked: 0.1 s
    assert hipot.deadline_s > hipot.predicted_s


def test_others_against_closes_every_other_point_to_return() -> None:
    """`others: against` puts every point that the step doesn't name on the return side."""
    step = changed(HIPOT, others="against", prove_contact=None, unproved_contact="trial only")
    bound = Bench().steps(BOND, step).bind().steps[1]
    assert bound.others == ("cover", "neutral", "aux")
    returns = {c.channel for c in bound.route.contacts if c.role is Role.RETURN}
    assert returns == {1, 2, 4, 5}


def test_the_first_tester_of_the_file_that_can_do_a_step_gets_it() -> None:
    """A second tester takes only what the first can't."""
    bench = Bench()
    without = dict(KINDS)
    del without[StepKind.WITHSTAND_AC]
    second = kind_with(StepKind.WITHSTAND_AC, terminals=HIGH_VOLTAGE)
    bench.testers = {"t1": PaperTester(replace(TESTER, kinds=without)), "t2": PaperTester(second)}
    link = {"kind": "tcp", "host": "127.0.0.1", "port": "4003"}
    bench.station["testers"]["t2"] = {"profile": "two", "link": link}
    bench.station["positions"] |= {"t2-hot": "t2.output", "t2-cold": "t2.return"}
    bench.fixture["points"]["live"] = ["hv3", "t2-hot"]
    bench.fixture["points"]["earth"]["source"].append("t2-cold")
    assert [step.tester for step in bench.bind().steps] == ["t1", "t1", "t2"]


def test_where_no_tester_can_the_fault_tells_of_each() -> None:
    """One fault that says for every tester why it can't."""
    bench = Bench()
    low = kind_with(StepKind.WITHSTAND_AC, level=KINDS[StepKind.INSULATION].level)
    bench.testers = {"t1": PaperTester(low), "t2": PaperTester()}
    link = {"kind": "tcp", "host": "127.0.0.1", "port": "4003"}
    bench.station["testers"]["t2"] = {"profile": "two", "link": link}
    fault = bench.only_fault()
    assert "t1: level on t1" in fault.found
    assert "t2:" in fault.found
    assert "t2.output" in fault.found
    assert str(fault.position).startswith("program.yaml:")


def test_the_schedule_carries_the_hashes_of_all_files() -> None:
    """Program, fixture, station and profiles are in the record by content."""
    schedule = Bench().bind()
    assert set(schedule.hashes) == {"program", "fixture", "station", "profile:one"}
    assert schedule.simulated is False


def test_the_longer_settle_time_of_station_and_matrix_counts() -> None:
    """The station's 50 ms (default) stand against 30 ms of the profile."""
    assert Bench().bind().relay_settle_s == 0.05
    slow = Bench()
    slow.matrix = replace(slow.matrix, settle_s=Decimal("0.2"))
    assert slow.bind().relay_settle_s == 0.2


def test_the_plain_words_name_points_limits_and_the_level_on_the_wire() -> None:
    """One line a step, in neutral words, with set-points as sent."""
    bench = Bench()
    bench.testers["t1"] = PaperTester(level_step=Decimal(10))
    bench.steps(BOND, CONTACT, changed(HIPOT, level="1525 V"))
    lines = describe(bench.bind())
    assert len(lines) == 3
    assert lines[2].startswith("3. mains to earth (withstand_ac on t1, hazardous): ")
    for part in (
        "live against earth, others open",
        "1.53 kV 50 Hz",
        "dwell 2 s",
        "total current at most 5 mA",
        "contact proved by contact",
    ):
        assert part in lines[2]


def test_ten_faults_come_as_ten_messages() -> None:
    """All faults at once, each with its place and a remedy; none hides another."""
    bench = Bench()
    bench.station["interlock"] = []
    bench.steps(
        changed(HIPOT, name="a", apply_to=["lieve"]),
        changed(HIPOT, name="b", apply_to=["earth"]),
        changed(HIPOT, name="c", level="9 kV"),
        changed(HIPOT, name="d", frequency="400 Hz"),
        changed(INSULATE, name="e", prove_contact=["nothing"]),
        changed(CONTACT, name="f", level="2 A"),
        changed(CONTACT, name="g", against=None),
        changed(BOND, name="h", apply_to=["live"]),
    )
    faults = bench.faults()
    told = "\n".join(map(str, faults))
    for part in (
        "'lieve', expected a point of fixture 'paper nest', did you mean 'live'?",
        "'earth' in apply_to and in against",
        "9 kV, expected 100 V to 5 kV",
        "400 Hz, expected 50 Hz or 60 Hz",
        "no step named 'nothing'",
        "2 A, expected 10 mA to 1 A",
        "return side, found nothing",
        "apply_to 'live' at hv3",
        "no interlock input",
        "no bonding step before it (and 4 more)",
    ):
        assert part in told
    assert len(faults) >= 10
    assert all(fault.remedy and fault.position and fault.position.line for fault in faults)


def test_a_programs_cautions_are_the_first_notices_of_its_schedule() -> None:
    """So that check, run and record tell them."""
    caution = "rule sheet of ours: checked by nobody yet"
    bench = Bench()
    bench.program["cautions"] = [caution]
    assert bench.bind().notices[0] == caution
