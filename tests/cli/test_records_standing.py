"""`ohmward records alarms`, `signoffs`, and the alarms of a run in `show` and the exports."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from orchestrator.cli.main import main
from orchestrator.clock import VirtualClock
from orchestrator.model import entries
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.words import Outcome
from orchestrator.records.store import SqliteStore

from .conftest import lines_of, make_schedule, result_of

Out = pytest.CaptureFixture[str]
UTC = "2026-01-01T00:00:00.000000Z"


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """A run that latched an alarm, since reset; another alarm between runs, still latched."""
    path, clock = tmp_path / "records.sqlite", VirtualClock()
    at, schedule = entries.Stamp.now(clock), make_schedule()
    result = result_of(schedule, Outcome.NO_VERDICT, reason="guard\nopen")
    started = entries.run_started(
        "run-1",
        at,
        schedule,
        serial="X1",
        operator="A. Nobody",
        attempt=1,
        instruments=(),
        software_version="0",
        relay_state=None,
    )
    items = [
        {"name": "input 'guard' seen open", "outcome": "done", "seen": "after 0.8 s"},
        {"name": "every relay operated", "outcome": "not_done", "seen": ""},
    ]
    stamp = {
        "by": "R. Vane",
        "valid": False,
        "simulated": True,
        "hashes": {"station": "ab" * 32, "profile:tall": "cd" * 32},
        "instruments": {"t1": {"maker": "", "model": "T-9", "serial": "0012", "firmware": "2.1"}},
        "items": items,
        "budget_s": {"t1": 0.9},
        "measured_s": None,
        "software_version": "0",
    }
    written = [
        started,
        entries.alarm("run-1", at, AlarmKind.INTERLOCK_OPENED, "guard\nopen", "close it"),
        entries.run_ended("run-1", at, result),
        entries.alarm_reset(at, "R. Vane", [2], ["guard", "stop"]),
        entries.alarm("", at, AlarmKind.LINK_LOST, "t1 doesn't answer", "look at its cable"),
        entries.sign_off(at, stamp),
    ]
    with SqliteStore(path) as store:
        for entry in written:
            store.append(entry)
    return path


def test_alarms_tells_which_are_latched_and_who_reset_the_others(
    records: Path, capsys: Out
) -> None:
    """Number, time, reason; then the reset, or 'latched' with what to do."""
    assert main(["records", "alarms", str(records)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith("alarm 1, interlock opened with an output on, or in the middle of")
    assert told[1:4] == [
        "     why: guard\\nopen",
        "     run: run-1",
        f"     reset by R. Vane: {UTC}, seen closed: guard, stop",
    ]
    assert told[4].startswith("alarm 6, ")
    assert told[5:] == [
        "     why: t1 doesn't answer",
        "     latched",
        "     what to do: look at its cable",
    ]


def test_alarms_as_json(records: Path, capsys: Out) -> None:
    """One alarm per line."""
    assert main(["records", "alarms", str(records), "--json"]) == 0
    first, second = lines_of(capsys.readouterr().out)
    assert (first["number"], first["latched"], first["reset_by"]) == (1, False, "R. Vane")
    assert (second["number"], second["latched"], second["seq"]) == (6, True, 5)


def test_signoffs_tells_every_item_and_what_it_holds_for(records: Path, capsys: Out) -> None:
    """An incomplete one is called so."""
    assert main(["records", "signoffs", str(records)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"commissioned by R. Vane: {UTC}, INCOMPLETE: no sign-off, simulated instruments",
        "     done: input 'guard' seen open. after 0.8 s",
        "     not done: every relay operated.",
        "     stop time: not measured; budget: t1 0.900 s",
        "     instrument t1: T-9, 0012, 2.1",
        f"     SHA-256 of profile tall: {'cd' * 32}",
        f"     SHA-256 of station: {'ab' * 32}",
    ]
    assert main(["records", "signoffs", str(records), "--json"]) == 0
    (stamp,) = lines_of(capsys.readouterr().out)
    assert (stamp["valid"], stamp["body"]["items"][0]["outcome"]) == (False, "done")


def test_none_is_said_in_words(tmp_path: Path, capsys: Out) -> None:
    """An empty list isn't silence."""
    with SqliteStore(tmp_path / "r.sqlite"):
        pass
    assert main(["records", "alarms", str(tmp_path / "r.sqlite")]) == 0
    assert main(["records", "signoffs", str(tmp_path / "r.sqlite")]) == 0
    assert capsys.readouterr().out == "no alarms on record\nno commissioning on record\n"


def test_a_run_shows_its_alarm(records: Path, capsys: Out) -> None:
    """`show` in words, every export in its own way."""
    assert main(["records", "show", "run-1", str(records)]) == 0
    assert "reset by R. Vane" in capsys.readouterr().out
    assert main(["records", "export", str(records), "--format", "jsonl"]) == 0
    (run,) = lines_of(capsys.readouterr().out)
    assert [alarm["number"] for alarm in run["alarms"]] == [1]
    assert main(["records", "export", str(records)]) == 0
    (row,) = csv.DictReader(capsys.readouterr().out.splitlines())
    assert row["alarms"] == "1"


def test_export_writes_junit_xml(records: Path, capsys: Out) -> None:
    """A reader of XML finds the run, and that it is no pass and was simulated."""
    out = records.parent / "runs.xml"
    command = ["records", "export", str(records), "--format", "junit", "--out", str(out)]
    assert main(command) == 0
    assert "1 runs" not in capsys.readouterr().err
    (suite,) = ET.parse(out).getroot()
    assert "(simulated)" in str(suite.get("name"))
    assert (suite.get("errors"), suite.get("failures")) == ("1", "0")
    (error,) = suite.iter("error")
    assert error.get("message") == "guard\\nopen"
    assert main(command) == 2
    assert main(["records", "verify", str(records)]) == 0


def test_a_changed_alarm_is_damage_for_verify(records: Path, capsys: Out) -> None:
    """The chain holds the new kinds as the old ones."""
    import sqlite3

    with sqlite3.connect(records) as base:
        for (trigger,) in base.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute("DELETE FROM journal WHERE seq = 5")
    base.close()
    assert main(["records", "verify", str(records), "--json"]) == 5
    report = json.loads(capsys.readouterr().out)
    assert any("entry 5 is missing" in damage["what"] for damage in report["damages"])
