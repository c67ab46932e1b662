"""Opening records to write in them: new ones, sound ones, or a refusal."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from orchestrator.errors import Fault, OhmwardError, Refused
from orchestrator.records import schema
from orchestrator.records.chain import GENESIS, Head, read_head, write_head
from orchestrator.records.database import COLUMNS, open_writer
from orchestrator.records.faults import damaged, from_os, from_sqlite
from orchestrator.records.reader import standing_items
from orchestrator.records.standing import Standing
from orchestrator.records.verify import BATCH_LIMIT, Damage, Walk, is_database


@dataclass(frozen=True, slots=True)
class Opened:
    """Sound records, ready to be continued. ``notes``: what an opening put right."""

    connection: sqlite3.Connection
    head: Head
    unfinished: tuple[str, ...]
    standing: Standing
    notes: tuple[str, ...]


def open_records(path: Path, busy_s: float) -> Opened:
    """Open, or make, the records. Compares the newest entries with the head file, not all.

    Raises:
        Refused: the path is a folder, a file of another kind, or holds an alarm of a kind that
            this program doesn't know.
        RecordDamaged: they don't agree, the head file is gone, a guard is, or an alarm, reset or
            sign-off was changed.
        RecordsUnwritable: file or folder can't be written.
    """
    try:
        head = _head(path)
    except OSError as error:
        raise from_os(error, path, "opening the records") from error
    connection = open_writer(path, busy_s, new=head.length == 0)
    try:
        schema.complete(connection)
        missing, _, _ = schema.defects(connection)
        if missing:
            raise damaged(f"{path}: {missing[0]}")
        head, notes = _continue(path, connection, head)
        rows = connection.execute(
            "SELECT s.run_id FROM journal s WHERE s.kind = 'run_started' AND NOT EXISTS "
            "(SELECT 1 FROM journal e WHERE e.run_id = s.run_id AND e.kind = 'run_ended') "
            "ORDER BY s.seq"
        )
        unfinished = tuple(str(run) for (run,) in rows)
        standing = Standing(standing_items(connection), str(path))
        return Opened(connection, head, unfinished, standing, notes)
    except sqlite3.Error as error:
        connection.close()
        raise from_sqlite(error, path, "opening the records") from error
    except OSError as error:
        connection.close()
        if isinstance(error, OhmwardError):
            raise
        raise from_os(error, path, "writing the head file") from error
    except OhmwardError:
        connection.close()
        raise


def _not_records(path: Path, found: str) -> Refused:
    remedy = "correct the key 'records' in the station file: name a file of its own, or a new one"
    expected = "a file of records, or none yet"
    return Refused([Fault(f"the records {path}", found, expected, remedy)])


def _head(path: Path) -> Head:
    if path.is_dir():
        raise _not_records(path, "a folder")
    head = read_head(path)
    present = path.exists()
    if head is None and present and not is_database(path):
        raise _not_records(path, "a file that is no database")
    if head is None and present:
        raise damaged(f"{path}: the head file is missing, so a cut-off end couldn't be seen")
    if head is not None and head.length and not present:
        raise damaged(f"{path}: the records are gone, their head file counts {head.length} entries")
    if head is None:
        # The head goes first: records without a head are then always damage, never a crash.
        path.parent.mkdir(parents=True, exist_ok=True)
        head = Head()
        write_head(path, head)
    return head


def _continue(
    path: Path, connection: sqlite3.Connection, head: Head
) -> tuple[Head, tuple[str, ...]]:
    """The true head, after the newest entries were found to agree with the head file."""
    newest = connection.execute("SELECT coalesce(max(seq), 0) FROM journal").fetchone()[0]
    before = max(0, newest - 2 * BATCH_LIMIT)
    walk = Walk()
    if before:
        link = connection.execute("SELECT hash FROM journal WHERE seq = ?", (before,)).fetchone()
        walk.start_after(before, link[0] if link else None)
    walk.through(
        connection.execute(
            f"SELECT {COLUMNS} FROM journal WHERE seq > ? ORDER BY seq",  # noqa: S608 - constants
            (before,),
        )
    )
    damages: list[Damage] = list(walk.damages)
    notes: list[str] = []
    walk.compare(head, damages, notes)
    if damages:
        raise damaged(f"{path}: {damages[0]}")
    if walk.seq > head.length:
        head = Head(walk.seq, walk.hashes.get(walk.seq, GENESIS))
    write_head(path, head)  # also where nothing changed: a folder that can't be written shows now
    return head, tuple(notes)
