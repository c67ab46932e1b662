"""The gates before anything is opened or energised: the same from Python as on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from orchestrator import (
    Fixture,
    Notice,
    Outcome,
    Program,
    Refused,
    VirtualClock,
    open_station,
    read_document,
)
from orchestrator.assembly.live import LiveStation
from orchestrator.cli.main import main
from orchestrator.model.words import Role

STATION = "bay/station.yaml"


@pytest.fixture
def bay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    assert main(["new", "bay"]) == 0
    return tmp_path / "bay"


def changed(bay: Path, file: str, old: str, new: str) -> None:
    path = bay / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


@pytest.mark.parametrize("serial", ["", "a\nb", "x" * 33, " 17", "\x1b[1m"])
def test_a_serial_number_that_a_record_could_not_show_is_refused(bay: Path, serial: str) -> None:
    """From Python too; nothing is recorded."""
    program = read_document(bay / "program.yaml", Program)
    fixture = read_document(bay / "fixture.yaml", Fixture)
    with (
        open_station(STATION, fixture=fixture, clock=VirtualClock()) as station,
        pytest.raises(Refused, match="serial number"),
    ):
        station.run(program, serial=serial)


def test_a_tester_whose_calibration_was_due_is_refused(bay: Path) -> None:
    """The virtual clock stands at the first of January 2026."""
    changed(bay, "station.yaml", "# calibration_due: 2027-03-31", "calibration_due: 2025-12-31")
    with pytest.raises(Refused, match=r"station.yaml:\d+:\d+: calibration of tester 't1'"):
        open_station(STATION, clock=VirtualClock())


def test_a_calibration_that_is_due_today_still_counts(bay: Path) -> None:
    """Due means: up to and including that day."""
    changed(bay, "station.yaml", "# calibration_due: 2027-03-31", "calibration_due: 2026-01-01")
    open_station(STATION, clock=VirtualClock()).close()


def test_a_misspelt_point_of_the_simulated_unit_is_refused_by_check(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It would only make a step fail, and nobody would look for it there."""
    changed(bay, "unit.yaml", "door", "doorr")
    assert main(["check", STATION, "bay/program.yaml"]) == 2
    assert "did you mean 'door'" in capsys.readouterr().err


def test_an_unknown_simulator_is_refused_by_check(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not only by the run."""
    changed(bay, "station.yaml", "instrument: orrin", "instrument: orin")
    assert main(["check", STATION]) == 2
    assert "'orin'" in capsys.readouterr().err


def test_a_simulated_guard_without_a_bench_is_refused(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No instrument of this process stands behind such a guard."""
    text = (bay / "station.yaml").read_text("utf-8")
    text = text.replace("      kind: simulated             #", "      kind: tcp #")
    text = text.replace("      instrument: orrin           # in", "      host: 127.0.0.1 # in")
    text = text.replace(
        "    simulated: yes                # must", "      port: 9\n    simulated: yes # must"
    )
    text = text.replace(
        "link: {kind: simulated, instrument: lattice}", "link: {kind: tcp, host: h, port: 9}"
    )
    (bay / "station.yaml").write_text(text, "utf-8")
    assert main(["check", STATION]) == 2
    assert "simulated guard" in capsys.readouterr().err


def test_a_station_file_with_faults_is_refused_before_anything_is_opened(bay: Path) -> None:
    """From Python, where nobody need have bound a program yet."""
    changed(bay, "station.yaml", "m1/u1/hv/1", "m1/u1/hv/99")
    with pytest.raises(Refused, match="channel 99"):
        open_station(STATION, clock=VirtualClock())


def test_a_cancel_that_comes_when_a_run_has_ended_does_not_end_the_next(bay: Path) -> None:
    """It was meant for the one that ran."""
    program = read_document(bay / "program.yaml", Program)
    fixture = read_document(bay / "fixture.yaml", Fixture)
    late: list[str] = []

    def show(notice: Notice) -> None:
        if notice.kind == "run_ended" and not late:
            late.append("cancelled")
            station.cancel("too late")

    with open_station(STATION, fixture=fixture, clock=VirtualClock(), show=show) as station:
        assert station.run(program, serial="1").outcome is Outcome.PASS
        assert station.run(program, serial="2").outcome is Outcome.PASS


def test_a_run_refuses_offsets_that_are_too_old_as_check_does(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command line binds before it opens; the age is held against the clock all the same."""
    path = bay / "fixture.yaml"
    offsets = "\noffsets:\n  - {between: [line, earth], current: 30 uA, measured: 2020-01-01}\n"
    path.write_text(path.read_text("utf-8") + offsets + "offsets_valid_days: 90\n", "utf-8")
    assert main(["run", STATION, "bay/program.yaml", "--serial", "K1", "--yes"]) == 2
    assert "offsets_valid_days" in capsys.readouterr().err


def test_a_watch_ended_within_its_take_over_does_not_say_that_the_station_is_safe(
    bay: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing has been proved by then."""
    real = LiveStation.idle

    def cancelled(live: LiveStation, until: Callable[[], bool]) -> None:
        live.cancel("stopped by SIGINT")
        real(live, until)

    monkeypatch.setattr(LiveStation, "idle", cancelled)
    assert main(["watch", STATION, "--for", "1 s"]) == 3
    shown = capsys.readouterr()
    assert "relays open" not in shown.out
    assert "treat it as live" in shown.err.replace("\n", " ")


def test_a_unit_is_put_under_a_voltage_only_as_often_as_the_program_says(bay: Path) -> None:
    """By the station's records, whatever the program's revision, in another process too; another
    serial number has its own."""
    changed(bay, "program.yaml", 'revision: "1"', 'revision: "1"\nruns_per_serial: 2')
    first = read_document(bay / "program.yaml", Program)
    fixture = read_document(bay / "fixture.yaml", Fixture)
    for _ in range(2):
        with open_station(STATION, fixture=fixture, clock=VirtualClock()) as station:
            assert station.run(first, serial="17").outcome is Outcome.PASS
    changed(bay, "program.yaml", 'revision: "1"', 'revision: "2"')
    later = read_document(bay / "program.yaml", Program)
    with open_station(STATION, fixture=fixture, clock=VirtualClock()) as station:
        with pytest.raises(Refused, match=r"2 runs that put it under a voltage.*at most 2"):
            station.run(later, serial="17")
        assert station.run(later, serial="18").outcome is Outcome.PASS


def test_a_point_on_two_channels_uses_the_other_one_after_a_run(bay: Path) -> None:
    """By the relay counts of the records; within a session it keeps its lead."""
    changed(bay, "station.yaml", "hv-12: m1/u2/hv/4", "hv-12: m1/u2/hv/4\n  hv-13: m1/u2/hv/5")
    changed(bay, "fixture.yaml", "coil: hv-10", "coil: {source: [hv-10, hv-13], take_turns: yes}")
    program = read_document(bay / "program.yaml", Program)
    fixture = read_document(bay / "fixture.yaml", Fixture)

    def channels(station: LiveStation) -> set[tuple[str, int]]:
        route = next(s.route for s in station.bind(program).steps if s.apply_to == ("coil",))
        found = {(c.unit, c.channel) for c in route.contacts if c.role is Role.SOURCE}
        assert len(found) == 1
        return found

    with open_station(STATION, fixture=fixture, clock=VirtualClock()) as station:
        first = channels(station)
        assert station.run(program, serial="17").outcome is Outcome.PASS
        assert channels(station) == first
    with open_station(STATION, fixture=fixture, clock=VirtualClock()) as station:
        assert channels(station) != first
        assert station.run(program, serial="18").outcome is Outcome.PASS
