"""Verifying the chain from the first entry to the head file.

It finds damage and careless edits. Somebody who can write both files and computes the hashes
anew leaves no trace here; a copy of the head file kept elsewhere would show it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.errors import RecordDamaged
from orchestrator.records import schema
from orchestrator.records.chain import GENESIS, Head, Row, head_path, read_head
from orchestrator.records.database import COLUMNS, reading, to_row
from orchestrator.records.faults import from_os

BATCH_LIMIT = 256
"""Most entries in one commit; so many at most may be ahead of the head file after a crash."""

_MAGIC = b"SQLite format 3\x00"  # sqlite.org/fileformat2.html, 1.3.1
_MOST_DAMAGES = 1000
_MOVED_WITHIN = 200
_MOST_SEARCHED = 50


@dataclass(frozen=True, slots=True)
class Damage:
    """One place where the records don't agree with their chain. ``seq`` is ``None`` where no
    entry is meant but a file or a table; ``run_id`` is empty where no run is known."""

    seq: int | None
    run_id: str
    what: str

    def __str__(self) -> str:
        place = "records" if self.seq is None else f"entry {self.seq}"
        run = f" (run {self.run_id})" if self.run_id else ""
        return f"{place}{run}: {self.what}"


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What a verification found. ``length``: entries that lie in the table."""

    ok: bool
    length: int
    damages: tuple[Damage, ...]
    notes: tuple[str, ...]


def verify(path: Path) -> VerifyReport:
    """Read the whole journal once and compare it with its chain and head; changes nothing.

    Raises:
        Refused: there is no file.
        RecordsUnwritable: it can't be read (rights, lock).
    """
    damages: list[Damage] = []
    notes: list[str] = []
    head = _head(path, damages)  # before the snapshot, so that a live writer is only ever ahead
    walk = Walk()
    if path.is_file() and not _is_database(path):
        what = f"{path.name} is no database: no file of records, or its beginning was overwritten"
        return VerifyReport(False, 0, (*damages, Damage(None, "", what)), ())
    try:
        with reading(path) as connection:
            missing, added, older = schema.defects(connection)
            damages.extend(Damage(None, "", what) for what in missing)
            notes.extend((*older, *added))
            damages.extend(_structure(connection))
            if ("table", "journal") in schema.objects(connection):
                select = f"SELECT {COLUMNS} FROM journal ORDER BY seq"  # noqa: S608 - constants
                walk.through(connection.execute(select))
                damages.extend(walk.damages)
    except RecordDamaged as error:
        damages.extend(walk.damages)
        damages.append(
            Damage(None, walk.last_run, f"the file can't be read past entry {walk.seq}: {error}")
        )
    else:
        if head is not None:
            walk.compare(head, damages, notes)
    if len(damages) > _MOST_DAMAGES:
        notes.append(f"{len(damages)} damages found, the first {_MOST_DAMAGES} are listed")
    shown = tuple(damages[:_MOST_DAMAGES])
    return VerifyReport(not damages, walk.count, shown, tuple(notes))


def is_database(path: Path) -> bool:
    """Whether a file begins as SQLite's do, or is empty as a new one is. Raises OSError."""
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) in {b"", _MAGIC}


def _is_database(path: Path) -> bool:
    try:
        return is_database(path)
    except OSError as error:
        raise from_os(error, path, "reading the records") from error


def _head(path: Path, damages: list[Damage]) -> Head | None:
    try:
        head = read_head(path)
    except RecordDamaged as error:
        damages.append(Damage(None, "", str(error)))
        return None
    except OSError as error:
        raise from_os(error, head_path(path), "reading the head file") from error
    if head is None:
        what = f"the head file {head_path(path).name} is missing: a cut-off end can't be seen"
        damages.append(Damage(None, "", what))
    return head


def _structure(connection: sqlite3.Connection) -> Iterator[Damage]:
    for (line,) in connection.execute("PRAGMA quick_check(10)"):
        if line != "ok":
            yield Damage(None, "", f"the database file is damaged: {line}")


@dataclass(slots=True)
class Walk:
    """A walk along the chain: what it has seen. ``hashes``, ``runs``: of the last few entries."""

    seq: int = 0
    count: int = 0
    link: str | None = GENESIS
    last_run: str = ""
    damages: list[Damage] = field(default_factory=list)
    hashes: dict[int, str] = field(default_factory=dict)
    runs: dict[int, str] = field(default_factory=dict)

    def through(self, rows: Iterable[tuple[Any, ...]]) -> None:
        """Check the rows one after the other."""
        for values in rows:
            self._one(values)

    def start_after(self, seq: int, link: str | None) -> None:
        """Begin in the middle, trusting what lies before."""
        self.seq, self.link = seq, link
        if link is not None:
            self.hashes[seq] = link

    def _one(self, values: tuple[Any, ...]) -> None:
        self.count += 1
        seq, run = int(values[0]), str(values[1])
        if seq <= 0:
            self.damages.append(Damage(seq, run, "this entry was inserted from outside"))
            return
        self._gap(seq, run)
        row = to_row(values)
        # After a changed row the next one is still held against its stored hash: a changed body
        # is one damage, not two. After a moved row there is nothing to hold it against.
        link = None if row is None else row.hash
        if row is None:
            self.damages.append(Damage(seq, run, "the row was changed: a column has a wrong type"))
        elif row.computed() != row.hash:
            place = _written_as(row) if len(self.damages) < _MOST_SEARCHED else None
            if place is None:
                what = "the row was changed after it was written: its hash doesn't fit"
            else:
                what, link = f"the rows were reordered: this was written as entry {place}", None
            self.damages.append(Damage(seq, run, what))
        elif self.link is not None and row.previous != self.link:
            self._break(row)
        self.seq, self.last_run, self.link = seq, run, link
        self.runs[seq] = run
        if link is not None:
            self.hashes[seq] = link
        for table in (self.hashes, self.runs):
            table.pop(seq - 2 * BATCH_LIMIT, None)

    def _gap(self, seq: int, run: str) -> None:
        first, last = self.seq + 1, seq - 1
        if first > last:
            return
        which = f"entry {first} is" if first == last else f"entries {first} to {last} are"
        between = f"after run {self.last_run or '-'} and before run {run or '-'}"
        inside = run if run == self.last_run or first == 1 else self.last_run
        self.damages.append(Damage(first, inside, f"{which} missing, {between}"))
        self.link = None

    def _break(self, row: Row) -> None:
        if row.seq == 1:
            self.damages.append(Damage(1, row.run_id, "this isn't the beginning of a chain"))
            return
        what = f"the row was replaced, its hash too: entry {row.seq} follows on from another one"
        self.damages.append(Damage(row.seq - 1, self.last_run, what))

    def compare(self, head: Head, damages: list[Damage], notes: list[str]) -> None:
        """Hold the end of the walk against the head file."""
        if self.seq < head.length:
            first, last = self.seq + 1, head.length
            which = (
                f"the newest entry {last} is"
                if first == last
                else f"the newest entries {first} to {last} are"
            )
            what = f"{which} missing (cut off): the head file counts {last}"
            damages.append(Damage(first, self.last_run, what))
            return
        known = GENESIS if head.length == 0 else self.hashes.get(head.length)
        extra = self.seq - head.length
        if extra > BATCH_LIMIT:
            what = f"{extra} entries lie beyond the head file, more than one commit can leave"
            damages.append(Damage(head.length + 1, self.last_run, what))
        elif known is not None and known != head.hash:
            what = "the head file names another hash for this entry: one of the two was replaced"
            damages.append(Damage(head.length, self.runs.get(head.length, ""), what))
        elif extra > 0:
            notes.append(
                f"{extra} entries ({head.length + 1} to {self.seq}) lie beyond the head file and "
                "continue its chain: a crash between commit and head file leaves this; so would "
                "entries appended by somebody else"
            )


def _written_as(row: Row) -> int | None:
    """Where a row with a wrong hash belongs, if it is whole and only in a wrong place."""
    for place in range(max(1, row.seq - _MOVED_WITHIN), row.seq + _MOVED_WITHIN + 1):
        if row.computed(place) == row.hash:
            return place
    return None
