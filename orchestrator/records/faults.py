"""Errors of the records that `orchestrator.errors` doesn't hold, and how SQLite's become ours."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import ClassVar

from orchestrator.errors import OhmwardError, RecordDamaged

_DAMAGED_REMEDY = (
    "run 'ohmward records verify', keep the damaged files aside (records, -wal and .head), "
    "then begin new records under another name or from a backup"
)


class RecordsUnwritable(OhmwardError, OSError):
    """The records can't be written or read: disk full, locked, read-only, no such folder.

    What was on the disk before stays as it was. After this the store takes no more entries: open
    it again once the cause is gone; a run that was under way then ends as ``no_verdict``.
    """

    default_remedy: ClassVar[str] = "see that the disk has room and that the folder can be written"


def damaged(what: str) -> RecordDamaged:
    """RecordDamaged with the remedy that fits an opening or reading that was refused."""
    return RecordDamaged(what, remedy=_DAMAGED_REMEDY)


_BY_CODE = {
    sqlite3.SQLITE_FULL: ("the disk is full", "make room on the disk, then start again"),
    sqlite3.SQLITE_BUSY: (
        "another program holds the records locked",
        "close the other program (a database viewer, a backup), then start again",
    ),
    sqlite3.SQLITE_LOCKED: (
        "another program holds the records locked",
        "close the other program (a database viewer, a backup), then start again",
    ),
    sqlite3.SQLITE_READONLY: (
        "the records are read-only",
        "give this user the right to write the file and its folder, then start again",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "the file can't be opened",
        "check the path of the records in the station file, and the rights of its folder",
    ),
    sqlite3.SQLITE_IOERR: (
        "the disk failed or is full",
        "check room and health of the disk, then start again",
    ),
}


def from_sqlite(error: sqlite3.Error, path: Path, doing: str) -> OhmwardError:
    """SQLite's error in our terms; ``doing`` completes 'while …'."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    if primary == sqlite3.SQLITE_NOTADB:
        what = "found no database: not a file of records, or its beginning was overwritten"
        return damaged(f"{path}: {what}, while {doing} ({error})")
    if primary == sqlite3.SQLITE_CORRUPT:
        return damaged(f"{path}: found damage in the file itself while {doing} ({error})")
    cause, remedy = _BY_CODE.get(primary or -1, ("the database refused", None))
    return RecordsUnwritable(f"{path}: {cause} while {doing} ({error})", remedy=remedy)


def from_os(error: OSError, path: Path, doing: str) -> RecordsUnwritable:
    """The operating system's error in our terms."""
    reason = error.strerror or str(error)
    return RecordsUnwritable(f"{path}: {reason} while {doing}")
