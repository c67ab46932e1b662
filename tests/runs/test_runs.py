"""Whole runs on three stations: one program file, different testers and relay matrices."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from drivers.simulators.output_models import Phase
from drivers.simulators.unit import parse_unit
from orchestrator.errors import Refused, StationBusy
from orchestrator.model.record import RunResult
from orchestrator.model.words import Outcome
from orchestrator.records.reader import list_runs, show_run
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import (
    BROKEN_MAINS,
    GOOD,
    LEAKY,
    POOR_EARTH,
    PROGRAM,
    STATIONS,
    STEPS,
    unit_text,
)

PASS, FAIL, NOT_RUN = Outcome.PASS, Outcome.FAIL, Outcome.NOT_RUN


def outcomes(result: RunResult) -> dict[str, Outcome]:
    return {step.name: step.outcome for step in result.steps}


def changed(step: str, old: str, new: str) -> str:
    """The program with one text changed in or after the step named."""
    head, mark, tail = PROGRAM.partition(f"- name: {step}\n")
    assert mark
    assert old in tail
    return head + mark + tail.replace(old, new, 1)


# ---- good and bad units


@pytest.mark.parametrize("station", STATIONS)
def test_a_good_unit_passes_every_step(make_rig: MakeRig, station: str) -> None:
    """One program file, unchanged, at every station."""
    rig = make_rig(station)
    result = rig.run(PROGRAM)
    assert outcomes(result) == dict.fromkeys(STEPS, PASS)
    rig.check(result, PASS, before=STEPS)


@pytest.mark.parametrize("station", STATIONS)
def test_a_leaky_unit_fails_at_the_step_that_finds_the_leak(
    make_rig: MakeRig, station: str
) -> None:
    """2120 V over 1.2 Mohm are 1.77 mA by Ohm's law, above the 0.5 mA allowed."""
    rig = make_rig(station, unit=LEAKY)
    result = rig.run(PROGRAM)
    assert outcomes(result) == dict.fromkeys(STEPS[:-1], PASS) | {"withstand coil": FAIL}
    assert "at most 500 uA" in result.steps[-1].reason
    rig.check(result, FAIL, before=STEPS[:-1])


@pytest.mark.parametrize("station", STATIONS)
def test_a_breakdown_above_a_level_fails_and_stops_the_output(
    make_rig: MakeRig, station: str
) -> None:
    """A gap of 1900 V peak stands 1250 V AC (1768 V peak) and breaks down at 2120 V DC."""
    gap = "{between: [line, coil a], breakdown: 1900 V}"
    rig = make_rig(station, unit=unit_text(gap))
    result = rig.run(PROGRAM)
    assert outcomes(result) == dict.fromkeys(STEPS[:-1], PASS) | {"withstand coil": FAIL}
    rig.check(result, FAIL, before=STEPS[:-1])


@pytest.mark.parametrize("station", STATIONS)
def test_after_a_failed_bonding_step_nothing_hazardous_is_run(
    make_rig: MakeRig, station: str
) -> None:
    """Even where the program says to continue: a failed protection stops the hazard behind it."""
    rig = make_rig(station, unit=POOR_EARTH)
    text = PROGRAM.replace("bonding: {frequency", "bonding: {on_failure: continue, frequency")
    result = rig.run(text)
    got = outcomes(result)
    assert got["bond shell"] is FAIL
    assert {got[name] for name in STEPS[3:]} == {NOT_RUN}
    assert all("nothing hazardous" in step.reason for step in result.steps[3:])
    rig.check(result, FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_after_a_failed_contact_step_none_that_leans_on_it_is_run(
    make_rig: MakeRig, station: str
) -> None:
    """Continuing is asked for, yet what names it in prove_contact isn't run."""
    rig = make_rig(station, unit=unit_text(without="[coil a, coil b]"))
    text = PROGRAM.replace("continuity: {level", "continuity: {on_failure: continue, level")
    result = rig.run(text)
    assert outcomes(result) == {
        "bond shell": PASS,
        "contact mains": PASS,
        "contact coil": FAIL,
        "insulation mains": PASS,
        "withstand mains": NOT_RUN,
        "withstand coil": NOT_RUN,
    }
    rig.check(result, FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_a_failed_step_ends_the_program_unless_it_says_continue(
    make_rig: MakeRig, station: str
) -> None:
    """Stop is the default."""
    rig = make_rig(station, unit=BROKEN_MAINS)
    result = rig.run(PROGRAM)
    assert outcomes(result)["contact mains"] is FAIL
    assert set(list(outcomes(result).values())[2:]) == {NOT_RUN}
    rig.check(result, FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_a_step_that_fails_with_continue_lets_the_others_run(
    make_rig: MakeRig, station: str
) -> None:
    """The run still fails, whatever the others say."""
    rig = make_rig(station, unit=GOOD)
    text = changed("insulation mains", "at_least: 2 Mohm", "at_least: 1 Gohm")
    text = text.replace("insulation: {level", "insulation: {on_failure: continue, level")
    result = rig.run(text)
    assert outcomes(result) == dict.fromkeys(STEPS, PASS) | {"insulation mains": FAIL}
    rig.check(result, FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_points_that_no_step_names_lie_on_the_return_side_with_others_against(
    make_rig: MakeRig, station: str
) -> None:
    """A leak from mains to a coil shows in the step with 'others: against', not without."""
    leak = "{between: [line, coil a], resistance: 100 kohm}"
    rig = make_rig(station, unit=unit_text(leak))
    result = rig.run(PROGRAM)
    assert outcomes(result)["withstand mains"] is FAIL
    rig.check(result, FAIL)
    other = make_rig(station, unit=unit_text(leak))
    again = other.run(PROGRAM.replace("others: against", "others: open"))
    assert outcomes(again)["withstand mains"] is PASS
    assert outcomes(again)["withstand coil"] is FAIL
    other.check(again, FAIL)


@pytest.mark.parametrize("unit", [GOOD, LEAKY, POOR_EARTH, BROKEN_MAINS])
def test_an_exchanged_tester_changes_no_outcome(make_rig: MakeRig, unit: str) -> None:
    """Same program, same unit, another station: the same outcome of every step."""
    found = [outcomes(make_rig(station, unit=unit).run(PROGRAM)) for station in STATIONS]
    assert found[0] == found[1] == found[2]


# ---- one after another, long ones, the same again


@pytest.mark.parametrize("station", STATIONS)
def test_runs_follow_one_another_each_on_record(make_rig: MakeRig, station: str) -> None:
    """A good one, a leaky one, a good one again; attempt and operator are kept."""
    rig = make_rig(station)
    assert rig.run(PROGRAM, serial="A").outcome is PASS
    rig.bench.load_unit(parse_unit(LEAKY))
    assert rig.run(PROGRAM, serial="B", operator="Jo").outcome is FAIL
    rig.bench.load_unit(parse_unit(GOOD))
    last = rig.run(PROGRAM, serial="B", attempt=2)
    rig.check(last, PASS, before=STEPS)
    runs = list_runs(rig.folder / "records.sqlite")
    assert [(r.serial, r.attempt, r.outcome) for r in runs] == [
        ("B", 2, "pass"),
        ("B", 1, "fail"),
        ("A", 1, "pass"),
    ]
    assert runs[1].operator == "Jo"


@pytest.mark.slow
def test_five_minutes_of_dwell_pass_in_a_moment(make_rig: MakeRig) -> None:
    """Virtual time passes as fast as the computer can: not 300 s of ours."""
    rig = make_rig("stave")
    began_s = time.perf_counter()  # noqa: TID251 - real time is what is measured here
    text = changed("withstand coil", "level: 2120 V", "level: 2120 V\n    dwell: 300 s")
    result = rig.run(text)
    assert time.perf_counter() - began_s < 60.0  # noqa: TID251
    assert result.steps[-1].duration_s > 300.0
    rig.check(result, PASS, before=STEPS)


@pytest.mark.parametrize("station", STATIONS)
def test_the_same_run_takes_the_same_virtual_time_every_time(
    make_rig: MakeRig, station: str
) -> None:
    """Nothing depends on the computer's speed, its disk included."""
    found = []
    for _ in range(2):
        rig = make_rig(station)
        rig.run(PROGRAM)
        notices = [(n.kind, str(n.data.get("phase"))) for n in rig.notices]
        found.append((rig.clock.monotonic(), notices))
    assert found[0] == found[1]


@pytest.mark.parametrize("station", STATIONS)
def test_a_trip_is_followed_by_a_good_run_once_the_guard_is_closed(
    make_rig: MakeRig, station: str
) -> None:
    """Once a person has reset it; with every input closed the tester's own trip is ended too."""
    rig = make_rig(station)
    rig.during(Phase.HOLD, rig.open_guard, step="withstand mains")
    assert rig.run(PROGRAM).outcome is Outcome.NO_VERDICT
    refused = rig.run_or_error(PROGRAM)
    assert not isinstance(refused, RunResult) or refused.outcome is Outcome.NO_VERDICT
    starts = rig.output.starts
    rig.bench.guard_closed = True
    rig.live.reset(by="M. Example")
    assert rig.output.starts == starts
    result = rig.run(PROGRAM)
    assert rig.output.starts == starts + len(STEPS)
    rig.check(result, PASS, before=STEPS)


# ---- the record, the lock, the interface


@pytest.mark.parametrize("station", STATIONS)
def test_the_record_holds_what_was_asked_and_what_the_wire_carried(
    make_rig: MakeRig, station: str
) -> None:
    """Each step with its order, route, readings, identities and relay counts."""
    rig = make_rig(station)
    result = rig.run(PROGRAM)
    rig.check(result, PASS, before=STEPS)
    view = show_run(rig.folder / "records.sqlite", result.run_id)
    assert [step.name for step in view.steps] == list(STEPS)
    assert all(step.started["route"] for step in view.steps)
    assert view.steps[-1].started["order"]["level"].startswith("2120")
    assert {line["name"].split("/")[0] for line in view.header["instruments"]} == {
        rig.make.tester,
        rig.make.chain,
    }
    assert all(line["simulated"] for line in view.header["instruments"])
    assert sum(view.relay_counts.values()) > 10


def test_a_second_process_is_kept_out(make_rig: MakeRig) -> None:
    """One process per station, told with what to do."""
    rig = make_rig("orrin")
    with pytest.raises(StationBusy) as busy:
        Rig.open(rig)
    assert busy.value.remedy


def test_a_program_built_in_python_runs_behind_the_same_checks(make_rig: MakeRig) -> None:
    """The interface without files: the model instead of its file."""
    rig = make_rig("orrin")
    result = rig.live.run(rig.program(PROGRAM).model, serial="K1")
    assert result.outcome is PASS
    with pytest.raises(Refused):
        rig.live.run(rig.program(PROGRAM).model, serial="K1", confirm=lambda _, __: False)


def test_the_folder_of_a_station_can_be_moved(make_rig: MakeRig, tmp_path: Path) -> None:
    """Relative paths begin at the station file."""
    rig = make_rig("stave")
    assert rig.run(PROGRAM).outcome is PASS
    rig.close()
    moved = rig.folder.rename(tmp_path / "elsewhere")
    assert (moved / "records.sqlite").is_file()
