"""Opening the database: for the one writer, or read-only for everybody else."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from orchestrator.errors import Fault, OhmwardError, Refused
from orchestrator.records import schema
from orchestrator.records.chain import Row
from orchestrator.records.faults import RecordsUnwritable, damaged, from_sqlite

_OLDEST_SQLITE = (3, 37, 0)  # STRICT tables

COLUMNS = "seq, run_id, kind, utc, monotonic_s, body, previous, hash"
_TYPES = (int, str, str, str, float, str, str, str)


def _decode(raw: bytes) -> str:
    # A damaged byte must reach the verifier as damage, not as a decoding error.
    return raw.decode("utf-8", "surrogateescape")


def open_writer(path: Path, busy_s: float, *, new: bool) -> sqlite3.Connection:
    """The writer's connection, in WAL mode with every commit synced; made for use by one thread
    at a time. ``new``: tables may be made, as the head file counts no entry yet.

    Raises:
        RecordsUnwritable: the file or folder can't be written.
        RecordDamaged: the file is no database, or not one of ours.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise RecordsUnwritable(
            f"{path}: found SQLite {sqlite3.sqlite_version}, expected 3.37 or newer",
            remedy="use a Python that brings a newer SQLite",
        )
    connection: sqlite3.Connection | None = None
    try:
        connection = sqlite3.connect(
            path, timeout=busy_s, isolation_level=None, check_same_thread=False
        )
        connection.text_factory = _decode
        mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if str(mode).lower() != "wal":
            raise RecordsUnwritable(
                f"{path}: found journal mode '{mode}', expected WAL",
                remedy="keep the records on a local disk, not on a network share",
            )
        connection.execute("PRAGMA synchronous = FULL")
        if new and not schema.objects(connection):
            schema.create(connection)
        check_version(connection, path)
        # Read-only or locked shows here, not in a run. BEGIN alone succeeds on a read-only file.
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(f"PRAGMA user_version = {schema.VERSION:d}")
        connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        raise from_sqlite(error, path, "opening the records") from error
    except OhmwardError:
        if connection is not None:
            connection.close()
        raise
    return connection


def check_version(connection: sqlite3.Connection, path: Path) -> None:
    """Raises RecordDamaged if these tables are of another layout than this program's."""
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    if found != schema.VERSION:
        raise damaged(
            f"{path}: found layout {found}, expected {schema.VERSION}: not records of ours, "
            "or of another version of this program"
        )


@contextlib.contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection holding one snapshot; what goes wrong with it comes out in our terms.

    Raises:
        Refused: there are no records at this path.
        RecordDamaged, RecordsUnwritable: the file can't be read as records.
    """
    if not path.is_file():
        raise Refused(
            [
                Fault(
                    what="the records",
                    found=f"{'a folder' if path.is_dir() else 'no file'} at {path}",
                    expected="a file of records",
                    remedy="check the path in the station file; the first run makes the file",
                )
            ]
        )
    try:
        connection = _open_readonly(path)
        try:
            yield connection
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise from_sqlite(error, path, "reading the records") from error


def _open_readonly(path: Path) -> sqlite3.Connection:
    uri = path.resolve().as_uri()
    try:
        return _begin(f"{uri}?mode=ro")
    except sqlite3.OperationalError:
        # In a folder that can't be written SQLite can't make its -shm file. With no -wal file
        # left nobody is writing, and the main file alone is the whole truth.
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size > 0:
            raise
        return _begin(f"{uri}?mode=ro&immutable=1")


def _begin(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0)
    try:
        connection.text_factory = _decode
        connection.execute("BEGIN")
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()  # takes the snapshot
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def to_row(values: tuple[Any, ...]) -> Row | None:
    """The values of `COLUMNS` as a row; ``None`` if a column has a wrong type."""
    if tuple(type(value) for value in values) != _TYPES:
        return None
    return Row(*values)
