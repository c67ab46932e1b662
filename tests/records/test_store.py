"""The writer: order, durability, failures, crashes."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from orchestrator.clock import VirtualClock
from orchestrator.contract import RunStore
from orchestrator.errors import RecordDamaged, Refused
from orchestrator.model.record import Entry
from orchestrator.records.chain import head_path
from orchestrator.records.faults import RecordsUnwritable
from orchestrator.records.reader import show_run
from orchestrator.records.store import SqliteStore
from orchestrator.records.verify import verify

Make = Callable[..., list[Entry]]
MakeStart = Callable[..., Entry]


def note(run_id: str = "run-a", text: str = "") -> Entry:
    return Entry(run_id, "event", "2026-01-01T00:00:00Z", 0.0, {"what": "note", "detail": text})


def rows(path: Path, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def test_the_store_is_a_run_store(path: Path) -> None:
    """It has the port's methods, by type (checked by mypy) and at run time."""
    with SqliteStore(path) as store:
        port: RunStore = store
        assert port.unfinished() == ()


def test_a_ticket_is_done_once_its_entry_is_in_table_and_head(path: Path) -> None:
    """Done means: another process already sees it."""
    with SqliteStore(path) as store:
        ticket = store.append(note())
        assert ticket.wait(10.0)
        report = verify(path)
    assert (report.ok, report.length, report.notes) == (True, 1, ())


def test_the_database_syncs_every_commit(path: Path) -> None:
    """WAL with synchronous=FULL (2), by SQLite's own word."""
    with SqliteStore(path) as store:
        connection = store._connection
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_appending_does_not_wait_for_the_disk(path: Path) -> None:
    """While another program holds the file locked, append returns; its ticket isn't done."""
    with SqliteStore(path) as store:
        blocker = sqlite3.connect(path, isolation_level=None)
        blocker.execute("BEGIN IMMEDIATE")
        tickets = [store.append(note(text=str(number))) for number in range(50)]
        assert not any(ticket.done() for ticket in tickets)
        blocker.execute("ROLLBACK")
        blocker.close()
        assert all(ticket.wait(10.0) for ticket in tickets)


def test_entries_keep_their_order_from_many_threads(path: Path) -> None:
    """Each thread's entries lie in the order in which it appended them; none is lost or doubled."""
    with SqliteStore(path) as store:

        def work(name: str) -> None:
            for number in range(200):
                store.append(note(name, f"{number:03d}"))

        threads = [threading.Thread(target=work, args=(f"t{n}",)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert verify(path).length == 800
    for n in range(4):
        seen = rows(
            path, f"SELECT body ->> '$.detail' FROM journal WHERE run_id = 't{n}' ORDER BY seq"
        )
        assert seen == [(f"{number:03d}",) for number in range(200)]


def test_a_body_changed_after_append_is_journaled_as_it_was(path: Path) -> None:
    """The queue holds text, not the caller's mapping."""
    body = {"what": "before"}
    with SqliteStore(path) as store:
        store.append(Entry("run-a", "event", "2026", 0.0, body))
        body["what"] = "after"
    assert rows(path, "SELECT what FROM events") == [("before",)]


@pytest.mark.parametrize(
    "entry",
    [
        Entry("run-a", "event", "2026", 0.0, {"x": float("nan")}),
        Entry("run-a", "event", "2026", 0.0, {"x": object()}),
        Entry("run-a", "event", "2026", float("inf"), {}),
        Entry("run\n-a", "event", "2026", 0.0, {}),
        Entry("", "run_started", "2026", 0.0, {}),
        Entry("run-a", "run_ended", "2026", 0.0, {}),
        Entry("run-a", "", "2026", 0.0, {}),
    ],
)
def test_what_cannot_be_journaled_raises_at_once(path: Path, entry: Entry) -> None:
    """The caller's mistake is raised at the caller, and nothing is queued."""
    with SqliteStore(path) as store, pytest.raises((ValueError, TypeError)):
        store.append(entry)
    assert verify(path).length == 0


def test_a_run_starts_once_and_ends_once(path: Path, clock: VirtualClock, make_run: Make) -> None:
    """A second start or end of the same run is refused by the store."""
    run = make_run("run-a", clock)
    with SqliteStore(path) as store:
        store.append(run[0])
        with pytest.raises(ValueError, match="already"):
            store.append(run[0])
        store.append(run[-1])
        with pytest.raises(ValueError, match="ends once"):
            store.append(run[-1])


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE journal SET body = '{}' WHERE seq = 4",
        "DELETE FROM journal WHERE seq = 14",
        "INSERT OR REPLACE INTO journal SELECT * FROM journal WHERE seq = 14",
        (
            "INSERT INTO journal SELECT 99, run_id, 'event', utc, 0, '{}', hash, '' "
            "FROM journal WHERE seq = 14"
        ),
        (
            "INSERT OR REPLACE INTO journal SELECT 15, run_id, kind, utc, 0, '{}', hash, '' "
            "FROM journal WHERE seq = 14"
        ),
    ],
)
def test_the_database_itself_refuses_changes(filled: Path, sql: str) -> None:
    """Change, deletion, replacement and insertion out of turn are refused in plain SQL too."""
    connection = sqlite3.connect(filled, isolation_level=None)
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute(sql)
    connection.close()
    assert verify(filled).ok


def test_an_unfinished_run_is_closed_exactly_once(
    path: Path, clock: VirtualClock, make_start: MakeStart
) -> None:
    """It ends as no_verdict, says why and what to do; a second try finds nothing."""
    with SqliteStore(path) as store:
        store.append(make_start("run-a", clock))
    with SqliteStore(path) as store:
        assert store.unfinished() == ("run-a",)
        assert store.close_unfinished(clock) == ("run-a",)
        assert store.close_unfinished(clock) == ()
    with SqliteStore(path) as store:
        assert store.close_unfinished(clock) == ()
    assert rows(path, "SELECT run_id, outcome FROM runs") == [("run-a", "no_verdict")]
    run = show_run(path, "run-a")
    assert "interrupted" in run.summary.reason
    assert run.end["remedy"]


_CHILD = """
import sys
from pathlib import Path
from orchestrator.model.record import Entry
from orchestrator.records.store import SqliteStore
store = SqliteStore(Path(sys.argv[1]))
utc = "2026-01-01T00:00:00Z"
store.append(Entry("run-k", "run_started", utc, 0.0, {"serial": "K-1", "simulated": True}))
number = 0
while True:
    body = {"what": "note", "detail": {"n": number, "filler": "x" * 400}}
    ticket = store.append(Entry("run-k", "event", utc, 0.0, body))
    if number % 20 == 0:
        ticket.wait(30.0)
        print(number, flush=True)
    number += 1
"""


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is POSIX")
@pytest.mark.parametrize("after", [1, 4, 9])
def test_a_kill_in_the_middle_of_writing_leaves_sound_records(
    path: Path, clock: VirtualClock, after: int
) -> None:
    """A real SIGKILL: what was promised is there, the chain holds, the run is closed once."""
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert child.stdout is not None
    promised = -1
    with child.stdout:
        for _ in range(after):
            promised = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        for line in child.stdout.read().split("\n"):
            promised = int(line) if line else promised
    assert child.wait() == -signal.SIGKILL
    assert verify(path).ok
    with SqliteStore(path) as store:
        assert store.unfinished() == ("run-k",)
        assert store.close_unfinished(clock) == ("run-k",)
    report = verify(path)
    assert report.ok, report.damages
    assert report.notes == ()
    kept = [n for (n,) in rows(path, "SELECT body ->> '$.detail.n' FROM journal WHERE seq > 1")]
    assert kept[:-1] == list(range(len(kept) - 1))
    assert len(kept) - 1 > promised
    ends = rows(path, "SELECT count(*) FROM journal WHERE kind = 'run_ended'")
    assert ends == [(1,)]


@pytest.fixture
def small_disk() -> Iterator[Callable[[int], None]]:
    """Lets no file of this process grow beyond so many bytes: a full disk, by the real system."""
    resource = pytest.importorskip("resource")
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    yield lambda size: resource.setrlimit(resource.RLIMIT_FSIZE, (size, old[1]))
    resource.setrlimit(resource.RLIMIT_FSIZE, old)


def test_a_full_disk_fails_the_ticket_and_the_closing(
    path: Path, clock: VirtualClock, make_start: MakeStart, small_disk: Callable[[int], None]
) -> None:
    """Nothing is lost silently: the ticket raises an OSError with a remedy, so does close."""
    store = SqliteStore(path)
    assert store.append(make_start("run-a", clock)).wait(10.0)
    small_disk(200_000)
    try:
        tickets = [store.append(note(text="x" * 5000)) for _ in range(100)]
        with pytest.raises(RecordsUnwritable) as caught:
            [ticket.wait(10.0) for ticket in tickets]
        with pytest.raises(OSError, match=r"records\.sqlite"):
            store.append(note()).wait(10.0)
        with pytest.raises(RecordsUnwritable):
            store.close()
    finally:
        small_disk(1 << 40)
    assert "disk" in caught.value.remedy
    assert verify(path).ok
    with SqliteStore(path) as again:
        assert again.unfinished() == ("run-a",)


def test_a_locked_file_fails_the_ticket_and_says_so(path: Path) -> None:
    """Another program that never lets go: named as the cause, with a remedy."""
    store = SqliteStore(path, busy_s=0.05)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordsUnwritable, match="locked") as caught:
        store.append(note()).wait(10.0)
    assert "close the other program" in caught.value.remedy
    blocker.execute("ROLLBACK")
    blocker.close()
    with pytest.raises(RecordsUnwritable):
        store.close()


def test_a_head_file_that_cannot_be_written_fails_the_ticket(path: Path) -> None:
    """The promise covers the head file too; the rows are still taken over at the next opening."""
    store = SqliteStore(path)
    blocking = head_path(path).with_name(head_path(path).name + ".new")
    blocking.mkdir()
    with pytest.raises(RecordsUnwritable, match="head file"):
        store.append(note()).wait(10.0)
    with pytest.raises(RecordsUnwritable):
        store.close()
    with pytest.raises(RecordsUnwritable, match="head file"):
        SqliteStore(path)
    blocking.rmdir()
    with SqliteStore(path) as again:
        assert len(again.notes) == 1
    assert verify(path).length == 1


def test_a_second_writer_is_noticed_and_not_mixed_in(path: Path) -> None:
    """Two stores on one file: the one that finds foreign rows stops, and the chain holds."""
    first, second = SqliteStore(path), SqliteStore(path)
    first.append(note(text="first")).wait(10.0)
    with pytest.raises(RecordDamaged, match="somebody else"):
        second.append(note(text="second")).wait(10.0)
    with pytest.raises(RecordDamaged):
        second.close()
    first.close()
    assert verify(path).length == 1


def test_a_folder_in_place_of_the_file_is_refused_with_a_remedy(path: Path) -> None:
    """What can't be opened is said at the opening, before any run."""
    path.mkdir()
    head_path(path).write_text('{"length": 0, "hash": "' + "0" * 64 + '"}')
    with pytest.raises(Refused, match="found a folder"):
        SqliteStore(path)


def test_a_file_of_another_kind_is_refused_and_stays_as_it_is(path: Path) -> None:
    """Somebody named a wrong file in the station file: no damage, and nothing is written."""
    path.write_text("name: not records\n", encoding="utf-8")
    with pytest.raises(Refused, match="found a file that is no database"):
        SqliteStore(path)
    assert path.read_text(encoding="utf-8") == "name: not records\n"
    assert not head_path(path).exists()


@pytest.mark.skipif(
    os.name == "nt" or (hasattr(os, "geteuid") and os.geteuid() == 0),
    reason="root may write read-only files",
)
def test_a_read_only_file_is_refused_with_a_remedy(filled: Path) -> None:
    """Records without the right to write them: refused at the opening."""
    filled.chmod(0o444)
    with pytest.raises(RecordsUnwritable, match="read-only"):
        SqliteStore(filled)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET body = '{}' WHERE seq = 13",
        "DELETE FROM journal WHERE seq = 14",
        "DELETE FROM journal WHERE seq = 9",
        "DELETE FROM journal",
    ],
)
def test_damaged_records_are_not_continued(
    filled: Path, tamper: Callable[..., None], statement: str
) -> None:
    """Opening refuses, says how to look closer, and leaves the file as it is."""
    tamper(filled, statement)
    with pytest.raises(RecordDamaged) as caught:
        SqliteStore(filled)
    assert "ohmward records verify" in caught.value.remedy
    assert not verify(filled).ok


@pytest.mark.parametrize("which", ["records", "head"])
def test_one_of_the_two_files_gone_is_not_a_new_beginning(filled: Path, which: str) -> None:
    """Records or head file deleted: refused, and nothing new is put in their place."""
    gone = filled if which == "records" else head_path(filled)
    gone.unlink()
    with pytest.raises(RecordDamaged):
        SqliteStore(filled)
    assert not gone.exists()


def test_a_crash_while_the_records_were_made_is_no_damage(path: Path) -> None:
    """The head goes first, counting nothing; records without tables are then finished."""
    SqliteStore(path).close()
    path.unlink()
    with SqliteStore(path) as store:
        store.append(note())
    assert verify(path).ok


def test_closing_twice_is_harmless_and_appending_after_it_is_not_silent(path: Path) -> None:
    """After close, append raises: an entry is never dropped unseen."""
    store = SqliteStore(path)
    store.close()
    store.close()
    with pytest.raises(RecordsUnwritable, match="closed"):
        store.append(note())
