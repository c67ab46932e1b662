"""The scaffold as a user meets it: new, check, run on simulated instruments, records."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.cli import running
from orchestrator.cli.main import main
from orchestrator.clock import VirtualClock

from .conftest import lines_of

Out = pytest.CaptureFixture[str]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out) -> Path:
    """A new station folder whose runs take no real time."""
    monkeypatch.setattr(running, "SystemClock", VirtualClock)
    folder = tmp_path / "bench"
    assert main(["new", str(folder)]) == 0
    capsys.readouterr()
    return folder


def files(folder: Path) -> list[str]:
    return [str(folder / "station.yaml"), str(folder / "program.yaml")]


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_check_tells_the_schedule_in_plain_words(bench: Path, capsys: Out) -> None:
    """Every step with points, level on the wire, times and limits; exit code 0."""
    assert main(["check", *files(bench)]) == 0
    told = capsys.readouterr().out
    assert "1. bond door (bonding on t1" in told
    assert "12. mains circuit to control circuit" in told
    assert "at most 5 mA" in told


def test_check_without_a_program_checks_station_and_fixture(bench: Path, capsys: Out) -> None:
    """A commissioning engineer has no program yet."""
    assert main(["check", str(bench / "station.yaml")]) == 0
    assert "12 points" in capsys.readouterr().out
    change(bench / "fixture.yaml", "line: hv-6", "line: hv-66")
    assert main(["check", str(bench / "station.yaml")]) == 2
    told = capsys.readouterr().err
    assert "position 'hv-66'" in told


def test_a_good_unit_passes_and_the_record_holds(bench: Path, capsys: Out) -> None:
    """From files to a verdict on record, exit code 0."""
    assert main(["run", *files(bench), "--serial", "X1", "--yes"]) == 0
    told = capsys.readouterr().out
    assert "pass   serial X1   (simulated: not a test result)" in told
    assert main(["records", "verify", str(bench)]) == 0
    assert main(["records", "list", str(bench), "--json"]) == 0
    run = lines_of(capsys.readouterr().out.split("\n", 1)[1])[0]
    assert (run["serial"], run["outcome"], run["simulated"]) == ("X1", "pass", True)


def test_a_leaky_unit_fails_and_the_step_is_named(bench: Path, capsys: Out) -> None:
    """1 only for a recorded fail. 12.2 nF draw 5.7 mA at 1.5 kV, 50 Hz (I = U * 2 pi f C)."""
    change(
        bench / "unit.yaml", "800 Mohm, capacitance: 2.2 nF, br", "800 Mohm, capacitance: 10 nF, br"
    )
    assert main(["run", *files(bench), "--serial", "X2", "--yes"]) == 1
    assert "failing step: mains circuit to earth" in capsys.readouterr().out


def test_the_change_that_the_unit_file_suggests_fails_a_step(bench: Path, capsys: Out) -> None:
    """The comment in unit.yaml is true."""
    change(
        bench / "unit.yaml",
        "earth], resistance: 800 Mohm, capacitance: 2.2 nF, br",
        "earth], resistance: 300 kohm, br",
    )
    assert main(["run", *files(bench), "--serial", "X2", "--yes"]) == 1
    assert "failing step: insulation of the mains circuit" in capsys.readouterr().out


def test_a_bad_bond_leaves_every_hazardous_step_behind_it_not_run(bench: Path, capsys: Out) -> None:
    """A failed protection stops the hazard behind it, whatever the program says."""
    change(
        bench / "unit.yaml",
        "[earth, door], resistance: 22 mohm",
        "[earth, door], resistance: 220 mohm",
    )
    change(bench / "program.yaml", "all: {on_failure: stop}", "all: {on_failure: continue}")
    assert main(["run", *files(bench), "--serial", "X3", "--yes", "--json"]) == 1
    result = lines_of(capsys.readouterr().out)[-1]
    outcomes = {step["name"]: step["outcome"] for step in result["steps"]}
    assert outcomes["bond door"] == "fail"
    assert outcomes["mains circuit to earth"] == "not_run"


def test_faults_of_all_files_come_at_once_with_line_and_column(bench: Path, capsys: Out) -> None:
    """Ten different mistakes in one program: ten messages, each with its place."""
    change(bench / "program.yaml", "level: 25 A", "level: 25")
    change(
        bench / "program.yaml",
        "frequency: 50 Hz\n    rise: 0.2 s",
        "frequency: 50 V\n    rise: 0,2 s",
    )
    change(
        bench / "program.yaml",
        "dwell: 1 s\n    accept: {resistance: {at_most: 100 mohm}}",
        "dwel: 1 s\n    accept: {resistance: {at_most: 1 00 mohm}}",
    )
    change(bench / "fixture.yaml", "length: 1.2 m", "length: 1.2 s")
    assert main(["check", *files(bench), "--json"]) == 2
    (line,) = lines_of(capsys.readouterr().out)
    named = {Path(fault["file"]).name for fault in line["faults"]}
    assert named == {"program.yaml", "fixture.yaml"}
    assert all(fault["line"] > 0 and fault["column"] > 0 for fault in line["faults"])
    assert all(fault["remedy"] for fault in line["faults"])


def test_a_second_process_is_told_who_holds_the_station(bench: Path, capsys: Out) -> None:
    """StationBusy is exit code 2."""
    from orchestrator.records.lock import StationLock

    with StationLock(bench / "records.sqlite", VirtualClock()):
        assert main(["run", *files(bench), "--serial", "X1", "--yes"]) == 2
    assert "in use by process" in capsys.readouterr().err


def run_in_a_process(bench: Path, number: int, serial: str) -> tuple[int, list[str]]:
    """Run in real time, send a signal once a step is under way; exit code and lines."""
    code = "from orchestrator.cli.main import run; run()"
    command = [sys.executable, "-c", code, "run", *files(bench), "--serial", serial]
    with subprocess.Popen(
        [*command, "--yes", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    ) as child:
        assert child.stdout is not None
        seen = []
        for line in child.stdout:
            seen.append(line)
            if '"kind": "live"' in line:
                os.kill(child.pid, number)
                break
        seen += list(child.stdout)
        return child.wait(timeout=20), seen


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a child can't be sent these there")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_a_signal_to_a_real_process_ends_as_no_verdict_on_record(bench: Path, name: str) -> None:
    """In real time and with real signals: made safe, recorded, exit code 3."""
    code, seen = run_in_a_process(bench, getattr(signal, name), "X4")
    assert code == 3
    result = lines_of(seen[-1])[0]
    assert (result["outcome"], result["exit_code"]) == ("no_verdict", 3)
    assert name in result["reason"]
    assert main(["records", "verify", str(bench)]) == 0


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_a_killed_run_stands_as_no_verdict_once_and_the_chain_holds(
    bench: Path, capsys: Out
) -> None:
    """Whatever ends the process: the next start closes the run, and it never counts as a pass."""
    code, _ = run_in_a_process(bench, signal.SIGKILL, "X5")
    assert code == -signal.SIGKILL
    assert main(["run", *files(bench), "--serial", "X6", "--yes"]) == 0
    capsys.readouterr()
    assert main(["records", "list", str(bench), "--json"]) == 0
    runs = lines_of(capsys.readouterr().out)
    told = [(run["serial"], run["outcome"]) for run in runs]
    assert told == [("X6", "pass"), ("X5", "no_verdict")]
    assert main(["records", "verify", str(bench)]) == 0


TEN_FAULTS = """\
name: ten faults
revision: "1"
steps:
  - {name: a, kind: bonding, apply_to: [door], against: [earth], level: 25,
     dwell: 1 s, accept: {resistance: {at_most: 100 mohm}}}
  - {name: b, kind: bonding, apply_to: [door], against: [earth], level: 25 V,
     dwell: 1 s, accept: {resistance: {at_most: 100 mohm}}}
  - {name: c, kind: bonding, apply_to: [door], against: [earth], level: 25 A,
     dwell: "1,5 s", accept: {resistance: {at_most: 100 mohm}}}
  - {name: d, kind: bonding, apply_to: [door], against: [earth], level: 25 A,
     dwel: 1 s, dwell: 1 s, accept: {resistance: {at_most: 100 mohm}}}
  - {name: e, kind: insulation, apply_to: [line], against: [earth], level: 0.5 KV,
     dwell: 1 s, accept: {resistance: {at_least: 2 Mohm}}}
  - {name: f, kind: insulation, apply_to: [line], against: [earth], level: 500 V,
     dwell: 2**3 s, accept: {resistance: {at_least: 2 Mohm}}}
  - {name: g, kind: insulation, apply_to: [line], against: [earth], level: 500 V,
     dwell: 1 s, accept: {}}
  - {name: h, kind: withstand_ac, apply_to: [], against: [earth], level: 1 500 V,
     frequency: 50 Hz, dwell: 1 s, accept: {total_current: {at_most: 5 mA}}}
  - {name: i, kind: flash, apply_to: [line], against: [earth], level: 1500 V,
     dwell: 1 s, accept: {total_current: {at_most: 5 mA}}}
  - {name: good, kind: bonding, apply_to: [door], against: [earth], level: 25 A,
     dwell: 1 s, accept: {resistance: {at_most: 100 mohm}}}
"""


def test_ten_different_faults_are_refused_with_ten_messages(bench: Path, capsys: Out) -> None:
    """All at once, each on a line of its own with file, line and column; nothing runs."""
    path = bench / "program.yaml"
    path.write_text(TEN_FAULTS, encoding="utf-8")
    assert main(["run", *files(bench), "--serial", "X1", "--yes"]) == 2
    told = [line for line in capsys.readouterr().err.splitlines() if line.startswith(str(path))]
    assert len(told) == len(set(told)) == 10
    assert not (bench / "records.sqlite").exists()
