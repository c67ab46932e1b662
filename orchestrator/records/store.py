"""The store: one writer's thread that puts entries on the disk, in order, chained."""

from __future__ import annotations

import contextlib
import dataclasses
import queue
import sqlite3
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Self

from orchestrator.clock import Clock
from orchestrator.errors import OhmwardError
from orchestrator.model import entries
from orchestrator.model.alarms import Alarm
from orchestrator.model.record import Entry
from orchestrator.records import opening
from orchestrator.records.chain import Head, Row, canonical, write_head
from orchestrator.records.database import COLUMNS
from orchestrator.records.faults import RecordsUnwritable, damaged, from_os, from_sqlite
from orchestrator.records.standing import KINDS, item_of
from orchestrator.records.verify import BATCH_LIMIT


class WriteTicket:
    """A promise that an entry reaches table and head file."""

    def __init__(self) -> None:
        self._settled = threading.Event()
        self._error: OhmwardError | None = None

    def done(self) -> bool:
        """True once durable.

        Raises:
            RecordsUnwritable (an OSError), RecordDamaged: it was not written, nor will be.
        """
        if not self._settled.is_set():
            return False
        if self._error is not None:
            raise self._error
        return True

    @property
    def durable(self) -> bool:
        """Like `done`, but False where writing failed."""
        return self._settled.is_set() and self._error is None

    def wait(self, within_s: float) -> bool:
        """Like `done`, but blocks so long at most. Not for the scan."""
        self._settled.wait(within_s)
        return self.done()

    def settle(self, error: OhmwardError | None) -> None:
        """Told by the writer how it ended."""
        self._error = error
        self._settled.set()


_Queued = tuple[Entry, str, WriteTicket]


class SqliteStore:
    """An append-only journal in SQLite; one process writes, any number reads.

    `append` may be called from any thread and never waits for the disk. Once the writer has
    failed, every ticket raises and so does `close`; what was durable before stays.

    Args:
        path: file of the records; made with its folder if neither it nor its head file exists.
        busy_s: how long to wait for another program that holds the file locked.

    Raises:
        RecordDamaged: the newest entries don't agree with the head file, or a guard is gone.
        RecordsUnwritable: file or folder can't be written.
    """

    def __init__(self, path: Path, *, busy_s: float = 5.0) -> None:
        self._path = path
        opened = opening.open_records(path, busy_s)
        self._connection, self._head = opened.connection, opened.head
        self.notes = opened.notes
        self._open_runs = dict.fromkeys(opened.unfinished)
        self._standing = opened.standing
        self._seq = opened.head.length  # of the entry queued last
        self._started: set[str] = set(opened.unfinished)
        self._queue: queue.SimpleQueue[_Queued | WriteTicket | None] = queue.SimpleQueue()
        self._lock = threading.Lock()  # keeps queue order, run bookkeeping and closing together
        self._closed = False
        self._failure: OhmwardError | None = None
        self._lost = 0
        self._thread = threading.Thread(target=self._work, name="records", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The file of the records."""
        return self._path

    def append(self, entry: Entry) -> WriteTicket:
        """Queue one entry. The body is frozen here: later changes to it don't reach the journal.

        Raises:
            ValueError, TypeError: the entry can't be journaled (no JSON, a second start or end of
                a run, an end without a start). The caller's mistake; nothing was queued.
            RecordsUnwritable: the store is closed.
        """
        body = canonical(entry.body)
        _check_words(entry)
        with self._lock:
            if self._closed:
                raise RecordsUnwritable(
                    f"{self._path}: the records are closed", remedy="open the station again"
                )
            self._account(entry)
            ticket = WriteTicket()
            if entry.kind in KINDS:  # nobody else writes here: its place is known by now
                self._standing.appended(item_of(self._seq + 1, entry, body), ticket)
            self._seq += 1
            self._queue.put((entry, body, ticket))
            return ticket

    def _account(self, entry: Entry) -> None:
        if entry.kind == entries.RUN_STARTED:
            if entry.run_id in self._started:
                raise ValueError(f"run {entry.run_id} is already in the journal")
            self._started.add(entry.run_id)
            self._open_runs[entry.run_id] = None
        elif entry.kind == entries.RUN_ENDED:
            if entry.run_id not in self._open_runs:
                raise ValueError(f"run {entry.run_id} isn't open: a run ends once")
            del self._open_runs[entry.run_id]

    def unfinished(self) -> tuple[str, ...]:
        """Ids of runs that have no end yet, oldest first; what is queued counts."""
        with self._lock:
            return tuple(self._open_runs)

    def alarms(self) -> tuple[Alarm, ...]:
        """Latched alarms (no later reset names them), the oldest first.

        What is queued counts; a reset counts once it is on the disk.
        """
        with self._lock:
            return self._standing.alarms()

    def sign_offs(self) -> tuple[Mapping[str, Any], ...]:
        """All commissionings that are on the disk, the newest first, failed ones too.

        The bodies as `entries.sign_off` documents them, with ``utc`` and ``seq``.
        """
        with self._lock:
            return self._standing.sign_offs()

    def sign_off(self) -> Mapping[str, Any] | None:
        """The newest of `sign_offs`, or ``None``."""
        return next(iter(self.sign_offs()), None)

    def close_unfinished(self, clock: Clock) -> tuple[str, ...]:
        """End every unfinished run as ``no_verdict``, and wait until that is on the disk.

        Returns:
            The ids of the runs that were ended now; a second call finds none.

        Raises:
            RecordsUnwritable, RecordDamaged: it didn't reach the disk.
        """
        ended = self.unfinished()
        at = entries.Stamp.now(clock)
        for run_id in ended:
            self.append(entries.run_interrupted(run_id, at))
        self.flush()
        return ended

    def flush(self) -> None:
        """Wait until everything queued so far is on the disk. Not for the scan.

        Raises:
            RecordsUnwritable, RecordDamaged: some of it isn't, nor will be.
        """
        marker = WriteTicket()
        with self._lock:
            if not self._closed:
                self._queue.put(marker)
            else:
                marker.settle(self._failure)
        while not marker.wait(1.0):
            pass

    def close(self) -> None:
        """Write what is queued, then close. A second call does nothing.

        Raises:
            RecordsUnwritable, RecordDamaged: some entries never reached the disk.
        """
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._queue.put(None)
        self._thread.join()
        if self._failure is not None:
            raise self._failure

    # ---- the writer's thread --------------------------------------------------------------------

    def _work(self) -> None:
        last = False
        while not last:
            batch, markers, last = self._collect()
            if batch and self._failure is None:
                self._failure = self._write(batch)
            if self._failure is not None:
                self._lost += len(batch)
            for ticket in (*(ticket for _, _, ticket in batch), *markers):
                ticket.settle(self._failure)
        with contextlib.suppress(sqlite3.Error):  # all is committed; -wal is read at next opening
            self._connection.close()

    def _collect(self) -> tuple[list[_Queued], list[WriteTicket], bool]:
        """Wait for one item, then take what else is there: one commit for all of it."""
        batch: list[_Queued] = []
        markers: list[WriteTicket] = []
        item = self._queue.get()
        while True:
            if item is None:
                return batch, markers, True
            if isinstance(item, WriteTicket):
                markers.append(item)
            else:
                batch.append(item)
            if len(batch) == BATCH_LIMIT:
                return batch, markers, False
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                return batch, markers, False

    def _write(self, batch: list[_Queued]) -> OhmwardError | None:
        doing = f"writing {len(batch)} entries, the first of run {batch[0][0].run_id or '-'}"
        try:
            head = self._commit(batch)
            write_head(self._path, head)
        except OhmwardError as error:
            return error
        except sqlite3.Error as error:
            return from_sqlite(error, self._path, doing)
        except OSError as error:
            return from_os(error, self._path, f"{doing} (head file)")
        except Exception as error:  # noqa: BLE001 - the thread must not die with tickets unsettled
            return RecordsUnwritable(f"{self._path}: {error!r} while {doing}")
        self._head = head
        return None

    def _commit(self, batch: list[_Queued]) -> Head:
        connection, head = self._connection, self._head
        connection.execute("BEGIN IMMEDIATE")
        try:
            self._check_alone(head)
            for entry, body, _ in batch:
                head = self._insert(entry, body, head)
            connection.execute("COMMIT")
        finally:
            if connection.in_transaction:
                with contextlib.suppress(sqlite3.Error):  # the first error is the one that counts
                    connection.execute("ROLLBACK")
        return head

    def _check_alone(self, head: Head) -> None:
        """The newest row must be the one this store wrote last: nobody else writes here."""
        found = self._connection.execute(
            "SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        if found is None and head.length == 0:
            return
        if found != (head.length, head.hash):
            raise damaged(
                f"{self._path}: somebody else changed the records meanwhile: found newest entry "
                f"{found[0] if found else 'none'}, expected {head.length}"
            )

    def _insert(self, entry: Entry, body: str, head: Head) -> Head:
        seq, previous = head.length + 1, head.hash
        at_s = round(float(entry.monotonic_s), 6)
        row = Row(seq, entry.run_id, entry.kind, entry.utc, at_s, body, previous, "")
        link = row.computed()
        self._connection.execute(
            f"INSERT INTO journal ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
            (*dataclasses.astuple(row)[:-1], link),
        )
        return Head(seq, link)


def _check_words(entry: Entry) -> None:
    words = (entry.run_id, entry.kind, entry.utc)
    if not all(word.isascii() and (word.isprintable() or not word) for word in words):
        raise ValueError(f"run id, kind and utc are printable ASCII, found {words}")
    if not entry.kind or not entry.utc:
        raise ValueError("an entry has a kind and a time")
    if not entry.run_id and entry.kind in (entries.RUN_STARTED, entries.RUN_ENDED):
        raise ValueError(f"a {entry.kind} entry needs a run id")
    if not float("-inf") < entry.monotonic_s < float("inf"):
        raise ValueError(f"monotonic_s is finite, found {entry.monotonic_s}")
