"""`ohmward records`: what it prints, what it exports, and what damage looks like."""

from __future__ import annotations

import csv
import json
import sqlite3
from pathlib import Path

import pytest

from orchestrator.cli.main import main
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.model import entries
from orchestrator.model.schedule import Contact
from orchestrator.model.words import Outcome, Role
from orchestrator.records.store import SqliteStore

from .conftest import lines_of, make_schedule, result_of

Out = pytest.CaptureFixture[str]


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """One failed run of an invented unit."""
    path, clock = tmp_path / "records.sqlite", VirtualClock()
    schedule = make_schedule()
    result = result_of(schedule, Outcome.FAIL, reason="total current above its limit")
    at = entries.Stamp.now(clock)
    contact = Contact("m1", "u1", "hv", 3, Role.SOURCE)
    store = SqliteStore(path)
    written = [
        entries.run_started(
            "run-1",
            at,
            schedule,
            serial="X1",
            operator="=A. Nobody",
            attempt=2,
            instruments=(),
            software_version="0",
            relay_state=None,
        ),
        *(entries.step_started("run-1", at, step) for step in schedule.steps),
        *(entries.step_ended("run-1", at, step) for step in result.steps),
        entries.event("run-1", at, "trip", {"reason": "guard\nopen"}),
        entries.traffic("run-1", at, "t1", [(1.0, "sent", b"HALT\n")]),
        entries.relay_counts("run-1", at, {contact: 4}),
        entries.run_ended("run-1", at, result),
    ]
    for entry in written:
        ticket = store.append(entry)
        while not ticket.done():
            SystemClock().sleep(0.0005)
    store.close()
    return path


def test_list_shows_a_line_for_each_run(records: Path, capsys: Out) -> None:
    """Outcome by word, serial, attempt, and that it was simulated."""
    assert main(["records", "list", str(records)]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    assert "✕ fail  serial X1, attempt 2, invented program 1, simulated" in line


def test_list_finds_the_records_through_the_station_file_and_its_folder(
    records: Path, capsys: Out
) -> None:
    """A folder, a station file or the records themselves: the same list."""
    assert main(["new", str(records.parent / "s")]) == 0
    folder = records.parent / "s"
    records.rename(folder / records.name)
    (records.parent / "records.sqlite.head").rename(folder / "records.sqlite.head")
    for where in (folder, folder / "station.yaml", folder / "records.sqlite"):
        capsys.readouterr()
        assert main(["records", "list", str(where), "--json"]) == 0
        (run,) = lines_of(capsys.readouterr().out)
        assert run["serial"] == "X1"


def test_show_tells_steps_readings_events_and_keeps_each_on_its_line(
    records: Path, capsys: Out
) -> None:
    """Whatever a record holds, it neither breaks a line nor steers the terminal."""
    assert main(["records", "show", "run", str(records), "--traffic"]) == 0
    told = capsys.readouterr().out
    assert "total current 0.00207345 A (at most 0.005 A)" in told
    assert "line, neutral against earth, door" in told
    assert "guard\\nopen" in told
    assert "traffic t1 1.0000 sent: HALT" in told
    assert "simulated: yes: not a test result" in told


def test_an_unknown_run_is_bad_input(records: Path) -> None:
    """Exit code 2."""
    assert main(["records", "show", "nothing", str(records)]) == 2


def test_export_writes_csv_to_a_new_file_only(records: Path, capsys: Out) -> None:
    """An export overwrites nothing, least of all the records."""
    out = records.parent / "runs.csv"
    assert main(["records", "export", str(records), "--out", str(out)]) == 0
    with out.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["step_name"] for row in rows] == ["first", "second"]
    assert rows[0]["operator"] == "'=A. Nobody"
    assert main(["records", "export", str(records), "--out", str(out)]) == 2
    assert main(["records", "export", str(records), "--out", str(records)]) == 2
    assert main(["records", "verify", str(records)]) == 0


def test_export_writes_json_lines_to_standard_output(records: Path, capsys: Out) -> None:
    """One run per line."""
    assert main(["records", "export", str(records), "--format", "jsonl"]) == 0
    (run,) = lines_of(capsys.readouterr().out)
    assert run["summary"]["outcome"] == "fail"


def test_relays_counts_closings_by_contact(records: Path, capsys: Out) -> None:
    """Each role of a channel is a contact of its own."""
    assert main(["records", "relays", str(records), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"m1/u1/hv/3/source": 4}


def test_verify_says_which_entry_was_changed_or_cut_off(records: Path, capsys: Out) -> None:
    """Exit code 5, and the number of the entry."""
    assert main(["records", "verify", str(records)]) == 0
    with sqlite3.connect(records) as base:
        for (trigger,) in base.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute("UPDATE journal SET body = replace(body, 'fail', 'pass') WHERE seq = 4")
    base.close()
    capsys.readouterr()
    assert main(["records", "verify", str(records)]) == 5
    assert "entry 4" in capsys.readouterr().out
    assert main(["records", "verify", str(records), "--json"]) == 5
    assert json.loads(capsys.readouterr().out)["exit_code"] == 5


def test_a_file_that_is_no_record_is_damage(tmp_path: Path, capsys: Out) -> None:
    """Reading it ends as 5 for every command, without a traceback."""
    path = tmp_path / "records.sqlite"
    path.write_bytes(b"nothing of the kind" * 100)
    for command in (["list"], ["verify"], ["export"], ["relays"]):
        assert main(["records", *command, str(path)]) == 5
        told = capsys.readouterr()
        assert "no database" in " ".join((told.out + told.err).split())


def test_a_folder_in_place_of_the_records_is_bad_input(tmp_path: Path, capsys: Out) -> None:
    """It is called a folder, not a missing file."""
    assert main(["new", str(tmp_path / "s")]) == 0
    (tmp_path / "s" / "records.sqlite").mkdir()
    assert main(["records", "list", str(tmp_path / "s" / "station.yaml")]) == 2
    assert "found a folder at" in " ".join(capsys.readouterr().err.split())


def test_one_is_told_in_the_singular(tmp_path: Path, capsys: Out) -> None:
    """'1 entry agrees', not '1 entries agree'."""
    store = SqliteStore(tmp_path / "r.sqlite")
    ticket = store.append(entries.event("run-1", entries.Stamp.now(VirtualClock()), "x"))
    while not ticket.done():
        SystemClock().sleep(0.0005)
    store.close()
    assert main(["records", "verify", str(tmp_path / "r.sqlite")]) == 0
    assert "1 entry agrees with the chain" in capsys.readouterr().out
