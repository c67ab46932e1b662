"""The chain: how an entry is hashed, and the head file that holds its newest link."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.records.faults import damaged

GENESIS = "0" * 64
"""What the first entry names as its previous hash."""

_REPLACE_TRIES = 25
_REPLACE_WAIT_S = 0.02


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the journal as it lies in the table."""

    seq: int
    run_id: str
    kind: str
    utc: str
    monotonic_s: float
    body: str
    previous: str
    hash: str

    def computed(self, seq: int | None = None) -> str:
        """The hash that this row ought to have; with ``seq``, if it stood in that place."""
        return row_hash(
            seq=self.seq if seq is None else seq,
            run_id=self.run_id,
            kind=self.kind,
            utc=self.utc,
            monotonic_s=self.monotonic_s,
            body=self.body,
            previous=self.previous,
        )


def row_hash(
    *, seq: int, run_id: str, kind: str, utc: str, monotonic_s: float, body: str, previous: str
) -> str:
    """SHA-256 (hex) over the JSON array of the seven columns: ASCII, no spaces.

    A float is written as the shortest decimal that reads back to the same float.
    """
    fields = [seq, run_id, kind, utc, monotonic_s, body, previous]
    text = json.dumps(fields, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def canonical(body: Mapping[str, Any]) -> str:
    """The body as JSON, keys sorted, ASCII, no spaces.

    Raises:
        ValueError, TypeError: the body holds something that JSON can't (NaN, an object).
    """
    return json.dumps(
        body, ensure_ascii=True, sort_keys=True, allow_nan=False, separators=(",", ":")
    )


@dataclass(frozen=True, slots=True)
class Head:
    """How long the chain is, and the hash of its newest entry."""

    length: int = 0
    hash: str = GENESIS


def head_path(records: Path) -> Path:
    """Where the head file of some records lies."""
    return records.with_name(records.name + ".head")


def read_head(records: Path) -> Head | None:
    """The head; ``None`` if there is no head file.

    Raises:
        RecordDamaged: it is there, but isn't a head (cut short, edited).
        OSError: it can't be read.
    """
    path = head_path(records)
    try:
        text = path.read_bytes().decode("utf-8", "replace")
    except FileNotFoundError:
        return None
    try:
        content = json.loads(text)
    except ValueError as error:
        raise damaged(f"{path}: the head file is cut short or edited: found no JSON") from error
    length = content.get("length") if isinstance(content, dict) else None
    link = content.get("hash") if isinstance(content, dict) else None
    if type(length) is not int or length < 0 or not isinstance(link, str) or len(link) != 64:
        raise damaged(f"{path}: the head file is edited: found no proper length and hash in it")
    return Head(length, link)


def write_head(records: Path, head: Head) -> None:
    """Put the head on the disk, whole or not at all.

    Raises:
        OSError: it can't be written; the old head stays.
    """
    path = head_path(records)
    temporary = path.with_name(path.name + ".new")
    content = json.dumps({"length": head.length, "hash": head.hash}, indent=1) + "\n"
    with temporary.open("w", encoding="ascii", newline="\n") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    _replace(temporary, path)
    _sync_folder(path.parent)


def _replace(source: Path, target: Path) -> None:
    # On Windows a file that somebody reads just now can't be replaced: wait for them a little.
    # This runs in the writer's thread, never on the scan.
    for left in range(_REPLACE_TRIES - 1, -1, -1):
        try:
            source.replace(target)
        except PermissionError:
            if not left:
                raise
            threading.Event().wait(_REPLACE_WAIT_S)
        else:
            return


def _sync_folder(folder: Path) -> None:
    """Make the renaming durable where a folder can be opened (not on Windows)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        # Some network file systems can't sync a folder; the file itself is synced by then.
        with contextlib.suppress(OSError):
            os.fsync(descriptor)
    finally:
        os.close(descriptor)
