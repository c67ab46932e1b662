"""What a verification says about sound records and about each kind of damage."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.clock import VirtualClock
from orchestrator.errors import RecordDamaged, Refused
from orchestrator.model.record import Entry
from orchestrator.records.chain import Head, head_path, read_head, write_head
from orchestrator.records.store import SqliteStore
from orchestrator.records.verify import BATCH_LIMIT, verify

Tamper = Callable[..., None]


def found(path: Path) -> list[tuple[int | None, str]]:
    report = verify(path)
    assert report.ok is (not report.damages)
    return [(damage.seq, damage.run_id) for damage in report.damages]


def test_untouched_records_verify(filled: Path) -> None:
    """Sound records: ok, their length, no damage, no note."""
    report = verify(filled)
    assert (report.ok, report.length, report.damages, report.notes) == (True, 14, (), ())


def test_the_hash_is_plain_sha256_of_a_documented_text(filled: Path) -> None:
    """An auditor needs nothing of ours: SHA-256 (FIPS 180-4) over the JSON array of 7 columns."""
    with sqlite3.connect(filled) as connection:
        rows = connection.execute("SELECT * FROM journal ORDER BY seq").fetchall()
    connection.close()
    previous = "0" * 64
    for row in rows:
        text = json.dumps(list(row[:7]), separators=(",", ":"))
        assert row[6] == previous
        assert row[7] == hashlib.sha256(text.encode()).hexdigest()
        previous = row[7]


def test_a_changed_value_names_its_entry_and_run(filled: Path, tamper: Tamper) -> None:
    """One reading edited: that entry, once, and no other."""
    tamper(
        filled,
        "UPDATE journal SET body = replace(body, '0.00123', '0.00023') WHERE seq = 4",
    )
    assert found(filled) == [(4, "run-a")]
    assert "changed" in verify(filled).damages[0].what


@pytest.mark.parametrize(
    ("column", "value"),
    [("run_id", "run-c"), ("kind", "note"), ("utc", "2020"), ("monotonic_s", 7.25)],
)
def test_every_column_is_under_the_hash(
    filled: Path, tamper: Tamper, column: str, value: object
) -> None:
    """No column can be edited unseen."""
    tamper(filled, (f"UPDATE journal SET {column} = ? WHERE seq = 5", (value,)))
    assert [seq for seq, _ in found(filled)] == [5]


def test_a_deleted_newest_row_shows_as_cut_off(filled: Path, tamper: Tamper) -> None:
    """The newest entry deleted: the head file counts one more; its number and run are named."""
    tamper(filled, "DELETE FROM journal WHERE seq = 14")
    assert found(filled) == [(14, "run-b")]
    assert "newest entry 14 is missing (cut off)" in verify(filled).damages[0].what


def test_all_rows_deleted_shows_as_cut_off(filled: Path, tamper: Tamper) -> None:
    """An emptied table isn't new records."""
    tamper(filled, "DELETE FROM journal")
    assert found(filled) == [(1, "")]


def test_a_deleted_middle_row_is_named(filled: Path, tamper: Tamper) -> None:
    """A gap names the entries that are gone and the run they lay in."""
    tamper(filled, "DELETE FROM journal WHERE seq IN (10, 11)")
    assert found(filled) == [(10, "run-b")]
    assert "entries 10 to 11 are missing" in verify(filled).damages[0].what


def test_a_deleted_first_row_is_named(filled: Path, tamper: Tamper) -> None:
    """The beginning can't be cut off either."""
    tamper(filled, "DELETE FROM journal WHERE seq = 1")
    assert found(filled) == [(1, "run-a")]


def test_a_gap_closed_by_renumbering_still_shows(filled: Path, tamper: Tamper) -> None:
    """Deleting a row and moving the later ones up: each of them says where it belongs."""
    tamper(
        filled,
        "DELETE FROM journal WHERE seq = 12",
        "UPDATE journal SET seq = 12 WHERE seq = 13",
        "UPDATE journal SET seq = 13 WHERE seq = 14",
    )
    report = verify(filled)
    assert [damage.seq for damage in report.damages] == [12, 13, 14]
    assert "written as entry 13" in report.damages[0].what
    assert "cut off" in report.damages[2].what


def test_swapped_rows_say_where_they_belong(filled: Path, tamper: Tamper) -> None:
    """Two rows exchanged: both named as reordered, each with its own place."""
    tamper(
        filled,
        "UPDATE journal SET seq = 99 WHERE seq = 3",
        "UPDATE journal SET seq = 3 WHERE seq = 5",
        "UPDATE journal SET seq = 5 WHERE seq = 99",
    )
    damages = verify(filled).damages
    assert [(d.seq, "reordered" in d.what) for d in damages] == [(3, True), (5, True)]
    assert damages[0].what.endswith("entry 5")
    assert damages[1].what.endswith("entry 3")


def test_a_row_replaced_with_its_hash_breaks_the_link(filled: Path, tamper: Tamper) -> None:
    """Whoever recomputes one hash is caught by the next entry."""
    row = _forged(filled, 6)
    tamper(filled, ("UPDATE journal SET body = ?, hash = ? WHERE seq = 6", row))
    assert found(filled) == [(6, "run-a")]
    assert "replaced" in verify(filled).damages[0].what


def test_the_newest_row_replaced_with_its_hash_disagrees_with_the_head(
    filled: Path, tamper: Tamper
) -> None:
    """For the newest entry the head file is the next link."""
    tamper(filled, ("UPDATE journal SET body = ?, hash = ? WHERE seq = 14", _forged(filled, 14)))
    assert found(filled) == [(14, "run-b")]


def _forged(path: Path, seq: int) -> tuple[str, str]:
    connection = sqlite3.connect(path)
    row = list(connection.execute("SELECT * FROM journal WHERE seq = ?", (seq,)).fetchone())
    connection.close()
    row[5] = '{"forged":true}'
    text = json.dumps(row[:7], separators=(",", ":"))
    return row[5], hashlib.sha256(text.encode()).hexdigest()


def test_a_missing_head_file_is_damage(filled: Path) -> None:
    """Without the head a cut-off end couldn't be seen, so its absence is named."""
    head_path(filled).unlink()
    assert found(filled) == [(None, "")]
    assert "head file" in verify(filled).damages[0].what


@pytest.mark.parametrize("keep", [0, 1, 20, 60])
def test_a_truncated_head_file_is_damage(filled: Path, keep: int) -> None:
    """A head file cut short anywhere is named as such, not taken for a smaller head."""
    os.truncate(head_path(filled), keep)
    assert "cut short" in verify(filled).damages[0].what


def test_a_head_file_set_back_is_a_note_and_a_wrong_one_is_damage(filled: Path) -> None:
    """A head one commit behind is what a crash leaves; another hash is not."""
    write_head(filled, Head(3, "ab" * 32))
    assert found(filled) == [(3, "run-a")]


def test_a_crash_between_commit_and_head_file_is_only_noted(
    path: Path, clock: VirtualClock, make_run: Callable[..., list[Entry]]
) -> None:
    """Rows beyond the head that continue its chain verify, with a note, and can be continued."""
    with SqliteStore(path) as store:
        for entry in make_run("run-a", clock):
            store.append(entry)
    old = head_path(path).read_bytes()
    with SqliteStore(path) as store:
        for entry in make_run("run-b", clock):
            store.append(entry)
    head_path(path).write_bytes(old)
    report = verify(path)
    assert report.ok
    assert "beyond the head file" in report.notes[0]
    with SqliteStore(path) as store:
        assert len(store.notes) == 1
    assert read_head(path) == Head(14, _hash_of(path, 14))
    assert verify(path).notes == ()


def _hash_of(path: Path, seq: int) -> str:
    connection = sqlite3.connect(path)
    (value,) = connection.execute("SELECT hash FROM journal WHERE seq = ?", (seq,)).fetchone()
    connection.close()
    return str(value)


def test_more_rows_beyond_the_head_than_one_commit_are_damage(
    path: Path, clock: VirtualClock, make_run: Callable[..., list[Entry]]
) -> None:
    """A crash leaves one commit at most; more was written by somebody else."""
    with SqliteStore(path) as store:
        for number in range(BATCH_LIMIT // 7 + 2):
            for entry in make_run(f"run-{number}", clock):
                store.append(entry)
    write_head(path, Head())
    assert "more than one commit" in verify(path).damages[0].what


@pytest.mark.parametrize("name", ["no_update", "no_delete", "only_next", "only_once"])
def test_a_dropped_guard_is_named(filled: Path, name: str) -> None:
    """Each trigger that keeps the journal append-only is missed when it is gone."""
    connection = sqlite3.connect(filled)
    connection.execute(f"DROP TRIGGER {name}")
    connection.close()
    assert f"'{name}' is missing" in verify(filled).damages[0].what
    with pytest.raises(RecordDamaged, match=name):
        SqliteStore(filled)


def test_an_altered_view_is_named(filled: Path) -> None:
    """A view that shows an auditor something else than the journal is found."""
    connection = sqlite3.connect(filled)
    connection.execute("DROP VIEW runs")
    connection.execute("CREATE VIEW runs AS SELECT 'pass' AS outcome")
    connection.close()
    assert "'runs' is altered" in verify(filled).damages[0].what


def test_a_file_that_is_no_database_is_damage(path: Path) -> None:
    """Overwritten with something else: said, not crashed on."""
    path.write_bytes(b"not a database at all" * 100)
    write_head(path, Head(5, "0" * 64))
    assert not verify(path).ok


def test_a_table_cut_in_the_middle_of_the_file_is_damage(filled: Path) -> None:
    """The database file itself truncated on the disk."""
    os.truncate(filled, filled.stat().st_size // 2)
    assert not verify(filled).ok


def test_verifying_what_isn_t_there_is_refused(path: Path) -> None:
    """A wrong path is the caller's mistake, not sound records."""
    with pytest.raises(Refused):
        verify(path)


def test_verifying_changes_nothing(filled: Path) -> None:
    """The files are byte for byte the same afterwards."""
    before = (filled.read_bytes(), head_path(filled).read_bytes())
    verify(filled)
    assert (filled.read_bytes(), head_path(filled).read_bytes()) == before


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One small sound journal whose guards are off, for the property below to damage."""
    path = tmp_path_factory.mktemp("sealed") / "records.sqlite"
    with SqliteStore(path) as store:
        for number in range(5):
            body = {"what": "note", "detail": {"n": number, "text": "Ω and \\ and \" 'x'"}}
            store.append(Entry("run-a", "event", "2026-01-01T00:00:00Z", 1.5, body))
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER no_update")
    connection.close()
    return path


@settings(max_examples=120, deadline=None)
@given(seq=st.integers(1, 5), at=st.integers(0, 10_000), value=st.integers(0, 255))
def test_any_single_byte_changed_in_a_body_is_found(
    sealed: Path, seq: int, at: int, value: int
) -> None:
    """Whatever byte of whatever body becomes whatever other byte: that entry is named."""
    connection = sqlite3.connect(sealed, isolation_level=None)
    try:
        (old,) = connection.execute(
            "SELECT CAST(body AS BLOB) FROM journal WHERE seq = ?", (seq,)
        ).fetchone()
        new = bytearray(old)
        new[at % len(new)] = value
        update = "UPDATE journal SET body = CAST(? AS TEXT) WHERE seq = ?"
        connection.execute(update, (bytes(new), seq))
        named = {damage.seq for damage in verify(sealed).damages} - {None}
        assert named == (set() if bytes(new) == old else {seq})
        connection.execute(update, (old, seq))
    finally:
        connection.close()
