"""Views, readers, exports: what comes back is what went in, and damage is never a pass."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from orchestrator.clock import VirtualClock
from orchestrator.errors import RecordDamaged, Refused
from orchestrator.model import entries
from orchestrator.model.record import Entry
from orchestrator.records.export import COLUMNS, export_csv, export_jsonl, safe_cell
from orchestrator.records.reader import list_runs, relay_totals, show_run
from orchestrator.records.store import SqliteStore

Make = Callable[..., list[Entry]]


def query(path: Path, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def test_an_auditor_reads_runs_steps_and_readings_as_plain_tables(filled: Path) -> None:
    """Plain SQL, no knowledge of the journal's bodies needed."""
    assert query(filled, "SELECT run_id, serial, operator, simulated, outcome FROM runs") == [
        ("run-a", "A-17", "R. Vane", 1, "pass"),
        ("run-b", "A-18", "R. Vane", 1, "pass"),
    ]
    assert query(
        filled,
        "SELECT name, kind, level, level_unit, outcome, discharge FROM steps WHERE run_id='run-a'",
    ) == [("winding to frame 0", "withstand_ac", "1500", "V", "pass", "voltage")]
    assert query(
        filled,
        "SELECT quantity, value, bound, unit, at_least, at_most FROM readings "
        "WHERE run_id='run-b' ORDER BY quantity",
    ) == [
        ("total_current", "0.00123", "exact", "A", "0.00001", "0.005"),
        ("voltage", "1502", "exact", "V", None, None),
    ]


def test_an_auditor_reads_events_traffic_and_relay_counts_too(filled: Path) -> None:
    """The remaining views."""
    where = "WHERE run_id = 'run-a'"
    assert query(filled, f"SELECT what, detail FROM events {where}") == [
        ("take_over", '{"closed":["rack/u1/upper/3/source"]}')
    ]
    assert query(
        filled, f"SELECT link, monotonic_s, direction, hex, text FROM traffic {where}"
    ) == [
        ("ht", 1.5, "sent", "47 4f 0a", "GO\\x0a"),
        ("ht", 1.6, "received", "ff 31", "\\xff1"),
    ]
    assert query(filled, f"SELECT contact, operations FROM relay_counts {where} ORDER BY 1") == [
        ("rack/u1/upper/3/source", 2),
        ("rack/u1/upper/7/return", 1),
    ]


def test_a_step_that_was_not_run_is_in_the_steps_too(path: Path, clock: VirtualClock) -> None:
    """It has an end without a start, and no reading."""
    from orchestrator.model.record import StepResult
    from orchestrator.model.words import Outcome

    skipped = StepResult(3, "later", Outcome.NOT_RUN, reason="bonding failed before")
    with SqliteStore(path) as store:
        store.append(entries.step_ended("run-a", entries.Stamp.now(clock), skipped))
    assert query(path, "SELECT step, name, outcome, reason FROM steps") == [
        (3, "later", "not_run", "bonding failed before")
    ]


def test_runs_are_listed_newest_first_and_by_serial(filled: Path) -> None:
    """The list, its filter and its limit."""
    assert [run.run_id for run in list_runs(filled)] == ["run-b", "run-a"]
    assert [run.run_id for run in list_runs(filled, serial="A-17")] == ["run-a"]
    assert [run.run_id for run in list_runs(filled, limit=1)] == ["run-b"]


def test_a_run_is_shown_whole_by_a_beginning_of_its_id(filled: Path) -> None:
    """Header, order, readings, events, traffic and relay counts come back."""
    with pytest.raises(Refused, match="several"):
        show_run(filled, "run-")
    run = show_run(filled, "run-b")
    (step,) = run.steps
    assert run.summary.serial == "A-18"
    assert run.header["exemptions"][0]["reason"].startswith("the old instrument")
    assert run.header["instruments"][0]["serial"] == "0012"
    assert run.header["relay_state"] == ["rack/u1/upper/3/source"]
    assert step.apply_to == ("W1", "W2")
    assert step.readings[0].at_most == "0.005"
    assert step.started["route"] == ["rack/u1/upper/3/source", "rack/u1/upper/7/return"]
    assert run.events[0].what == "take_over"
    assert run.traffic[0].lines[0] == (1.5, "sent", "47 4f 0a", "GO\\x0a")
    assert run.relay_counts == {"rack/u1/upper/3/source": 2, "rack/u1/upper/7/return": 1}


@pytest.mark.parametrize("prefix", ["run-z", "", "%"])
def test_no_such_run_is_refused_with_a_remedy(filled: Path, prefix: str) -> None:
    """Neither an empty beginning nor a wildcard picks a run."""
    with pytest.raises(Refused, match="ohmward records list"):
        show_run(filled, prefix)


def test_relay_totals_add_up_over_runs(filled: Path) -> None:
    """Each entry counts increments."""
    assert relay_totals(filled) == {"rack/u1/upper/3/source": 4, "rack/u1/upper/7/return": 2}


def test_a_run_that_never_ended_reads_as_unfinished(
    path: Path, clock: VirtualClock, make_run: Make
) -> None:
    """No end, no outcome."""
    with SqliteStore(path) as store:
        for entry in make_run("run-a", clock)[:-1]:
            store.append(entry)
    assert list_runs(path)[0].outcome == "unfinished"
    assert query(path, "SELECT outcome FROM runs") == [("unfinished",)]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET body = replace(body, '0.00123', '0.00023') WHERE seq = 4",
        "UPDATE journal SET body = '{' WHERE seq = 4",
        "DELETE FROM journal WHERE seq = 4",
    ],
)
def test_a_damaged_run_is_shown_but_not_as_a_pass(
    filled: Path, tamper: Callable[..., None], statement: str
) -> None:
    """Outcome no_verdict, with the entry named; the other run stands."""
    tamper(filled, statement)
    damaged, sound = show_run(filled, "run-a"), show_run(filled, "run-b")
    assert damaged.summary.outcome == "no_verdict"
    assert "entry 4" in damaged.summary.reason
    assert sound.summary.outcome == "pass"
    lines = io.StringIO()
    export_jsonl(filled, lines)
    assert json.loads(lines.getvalue().split("\n")[0])["summary"]["outcome"] == "no_verdict"


def test_changed_relay_counts_are_not_added_up(filled: Path, tamper: Callable[..., None]) -> None:
    """A wear figure from a changed entry would be wrong without a sign."""
    tamper(filled, "UPDATE journal SET body = replace(body, ':2', ':1') WHERE seq = 6")
    with pytest.raises(RecordDamaged, match="entry 6"):
        relay_totals(filled)


def test_csv_has_one_line_per_reading_with_its_limits(filled: Path) -> None:
    """RFC 4180: CRLF ends each line, the header names the columns."""
    stream = io.StringIO(newline="")
    assert export_csv(filled, stream) == 4
    text = stream.getvalue()
    assert text.count("\r\n") == text.count("\n") == 5
    lines = list(csv.DictReader(io.StringIO(text, newline="")))
    assert list(lines[0]) == list(COLUMNS)
    assert lines[0]["value"] == "0.00123"
    assert (lines[0]["at_least"], lines[0]["at_most"]) == ("0.00001", "0.005")
    assert lines[0]["apply_to"] == "W1; W2"
    assert lines[3]["serial"] == "A-18"


def test_csv_keeps_steps_without_readings_and_runs_without_steps(
    path: Path, clock: VirtualClock, make_start: Callable[..., Entry]
) -> None:
    """Nothing vanishes because nothing was measured."""
    with SqliteStore(path) as store:
        store.append(make_start("run-a", clock))
    stream = io.StringIO(newline="")
    assert export_csv(path, stream) == 1


def test_json_lines_hold_one_whole_run_each(filled: Path) -> None:
    """Each line stands alone and holds the figures as exact decimal text."""
    stream = io.StringIO()
    assert export_jsonl(filled, stream, serial="A-18") == 1
    run = json.loads(stream.getvalue())
    assert run["summary"]["run_id"] == "run-b"
    assert run["steps"][0]["readings"][0]["value"] == "0.00123"


def test_no_text_cell_is_a_formula(path: Path, clock: VirtualClock, make_run: Make) -> None:
    """A serial number from a scanner that begins like a formula is defused; figures are not."""
    with SqliteStore(path) as store:
        for entry in make_run("run-a", clock, "=1+1"):
            store.append(entry)
    stream = io.StringIO(newline="")
    export_csv(path, stream)
    line = next(csv.DictReader(io.StringIO(stream.getvalue(), newline="")))
    assert line["serial"] == "'=1+1"
    assert [safe_cell(text) for text in ("+1", "-1", "@a", "\tb", "A-1")] == [
        "'+1",
        "'-1",
        "'@a",
        "'\tb",
        "A-1",
    ]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("1E+3", "1000"),
        ("1E-9", "0.000000001"),
        ("0.500", "0.500"),
        ("9.9E+37", "9.9E+37"),
        ("-0.0", "-0.0"),
    ],
)
def test_decimals_are_written_exactly(value: str, text: str) -> None:
    """Every digit stays, trailing zeros too (they tell the resolution)."""
    assert entries.decimal_text(Decimal(value)) == text
    assert Decimal(text) == Decimal(value)


@pytest.mark.parametrize("value", ["NaN", "Infinity", "sNaN"])
def test_a_figure_that_is_no_number_is_refused(value: str) -> None:
    """'None at all' is said by a reading's bound, not by a figure."""
    with pytest.raises(ValueError, match="finite"):
        entries.decimal_text(Decimal(value))


def test_time_stamps_are_utc_with_microseconds() -> None:
    """ISO 8601 with Z, sortable as text."""
    assert entries.Stamp.now(VirtualClock()).utc == "2026-01-01T00:00:00.000000Z"
