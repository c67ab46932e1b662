"""Reading records back: lists of runs, one run whole, relay totals.

Every row that is read is held against its own hash and its neighbour's. A run with a damaged row
is shown, but never as a pass: its outcome reads ``no_verdict`` and `damage` says which entry. An
entry deleted without trace nearby is found by `verify` only.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from itertools import product
from pathlib import Path
from typing import Any

from orchestrator.errors import Fault, Refused
from orchestrator.model.entries import ALARM, ALARM_RESET
from orchestrator.records.chain import GENESIS
from orchestrator.records.database import COLUMNS, check_version, reading, to_row
from orchestrator.records.faults import damaged
from orchestrator.records.standing import KINDS, alarm_views, sign_off_views
from orchestrator.records.views import (
    AlarmView,
    Item,
    RunSummary,
    RunView,
    SignOffView,
    add_counts,
    summary_of,
    view_of,
)

_RESET = (ALARM_RESET,)

_ROWS = (
    "SELECT j." + ", j.".join(COLUMNS.split(", ")) + ", b.hash "
    "FROM journal j LEFT JOIN journal b ON b.seq = j.seq - 1 WHERE "
)

_SEARCH_STEPS = "j.kind = 'step_started' AND json_extract(j.body, '$.search_of') IS NOT NULL "
_OF_SERIAL = (
    "SELECT run_id FROM journal WHERE kind = 'run_started' AND json_extract(body, '$.serial') = ?"
)


def list_runs(path: Path, serial: str | None = None, limit: int = 50) -> tuple[RunSummary, ...]:
    """The newest runs, newest first; of one serial number if given.

    A list judges by the first and last entry of each run; `show_run` looks at all of them.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    found: list[RunSummary] = []
    with reading(path) as connection:
        check_version(connection, path)
        runs = connection.execute(
            "SELECT run_id FROM journal WHERE kind = 'run_started' ORDER BY seq DESC"
        )
        for (run_id,) in runs:
            if len(found) >= limit:
                break
            summary = summary_of(run_id, tuple(_items(connection, run_id, ends_only=True)))
            if serial is None or summary.serial == serial:
                found.append(summary)
    return tuple(found)


def show_run(path: Path, run_id_or_prefix: str) -> RunView:
    """One run by its id or an unambiguous beginning of it.

    Raises:
        Refused: no file, no such run, or several. RecordDamaged, RecordsUnwritable: unreadable.
    """
    with reading(path) as connection:
        check_version(connection, path)
        run_id = _resolve(connection, run_id_or_prefix)
        return _whole(connection, run_id)


def all_runs(path: Path, serial: str | None = None) -> Iterator[RunView]:
    """Every run whole, oldest first, one at a time in memory.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    with reading(path) as connection:
        check_version(connection, path)
        starts = connection.execute(
            "SELECT run_id FROM journal WHERE kind = 'run_started' ORDER BY seq"
        )
        for (run_id,) in starts:
            view = _whole(connection, run_id)
            if serial is None or view.summary.serial == serial:
                yield view


def all_alarms(path: Path) -> tuple[AlarmView, ...]:
    """Every alarm ever latched, oldest first, with who reset it and when.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    with reading(path) as connection:
        check_version(connection, path)
        return alarm_views(standing_items(connection))


def all_sign_offs(path: Path) -> tuple[SignOffView, ...]:
    """Every recorded commissioning, newest first.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    with reading(path) as connection:
        check_version(connection, path)
        return sign_off_views(standing_items(connection))


def standing_items(connection: sqlite3.Connection) -> Iterator[Item]:
    """All alarms, resets and sign-offs, oldest first, each held against its hash."""
    kinds = ", ".join(f"'{kind}'" for kind in KINDS)
    return _read(connection.execute(f"{_ROWS}j.kind IN ({kinds}) ORDER BY j.seq"))


def relay_totals(path: Path) -> Mapping[str, int]:
    """How often each contact has closed since these records began, by contact.

    Raises:
        Refused: no file. RecordDamaged: an entry with counts was changed; unreadable.
    """
    totals: dict[str, int] = {}
    with reading(path) as connection:
        check_version(connection, path)
        rows = connection.execute(_ROWS + "j.kind = 'relay_counts' ORDER BY j.seq")
        for item in _read(rows):
            if item.damage:
                raise damaged(f"{path}: {item.damage}, so that relay counts can't be trusted")
            add_counts(totals, item)
    return totals


def search_exposures(path: Path, serial: str) -> Mapping[tuple[str, str], int]:
    """How often search steps on a unit put two points on opposite sides, over all its runs.

    A step counts once it was journaled, run to its end or not. The two points of a pair stand in
    the order of their names.

    Raises:
        Refused: no file. RecordDamaged: such an entry was changed; unreadable.
    """
    totals: Counter[tuple[str, str]] = Counter()
    with reading(path) as connection:
        check_version(connection, path)
        rows = connection.execute(
            _ROWS + _SEARCH_STEPS + f"AND j.run_id IN ({_OF_SERIAL}) ORDER BY j.seq",
            (serial,),
        )
        for item in _read(rows):
            if item.damage:
                raise damaged(f"{path}: {item.damage}, so that exposures can't be counted")
            here, there = item.body.get("apply_to") or (), item.body.get("against") or ()
            totals.update((min(pair), max(pair)) for pair in product(here, there))
    return totals


def stressing_runs(path: Path, serial: str, program: str) -> int:
    """How many runs of a program, of whatever revision, put a unit under a voltage: those in which
    an insulation or withstand step of the program was journaled, run to its end or not.

    Raises:
        Refused: no file. RecordDamaged: such a run's entry was changed; unreadable.
    """
    with reading(path) as connection:
        check_version(connection, path)
        started = connection.execute(
            f"{_ROWS}j.kind = 'run_started' AND j.run_id IN ({_OF_SERIAL}) ORDER BY j.seq",
            (serial,),
        )
        runs = []
        for item in _read(started):
            if item.damage:
                raise damaged(f"{path}: {item.damage}, so that runs can't be counted")
            if (item.body.get("program") or {}).get("name") == program:
                runs.append(item.run_id)
        return sum(_has_stressed(connection, run_id) for run_id in runs)


def _has_stressed(connection: sqlite3.Connection, run_id: str) -> bool:
    found = connection.execute(
        "SELECT 1 FROM journal WHERE run_id = ? AND kind = 'step_started' "
        "AND json_extract(body, '$.kind') NOT IN ('bonding', 'continuity') LIMIT 1",
        (run_id,),
    )
    return found.fetchone() is not None


def _resolve(connection: sqlite3.Connection, prefix: str) -> str:
    rows = connection.execute(
        "SELECT run_id FROM journal WHERE kind = 'run_started' "
        "AND substr(run_id, 1, length(?1)) = ?1 ORDER BY seq DESC LIMIT 6",
        (prefix,),
    )
    found = [str(run_id) for (run_id,) in rows]
    if prefix in found:
        return prefix
    if prefix and len(found) == 1:
        return found[0]
    listed = "no run" if not found else f"several: {', '.join(found)}"
    raise Refused(
        [
            Fault(
                what=f"run '{prefix}'",
                found=listed,
                expected="the id of one run, or a beginning that only it has",
                remedy="list the runs with 'ohmward records list'",
            )
        ]
    )


def _items(
    connection: sqlite3.Connection, run_id: str, *, ends_only: bool = False
) -> Iterator[Item]:
    kinds = "AND j.kind IN ('run_started', 'run_ended') " if ends_only else ""
    rows = connection.execute(f"{_ROWS}j.run_id = ? {kinds}ORDER BY j.seq", (run_id,))
    return _read(rows)


def _whole(connection: sqlite3.Connection, run_id: str) -> RunView:
    items = tuple(_items(connection, run_id))
    alarms: tuple[AlarmView, ...] = ()
    if any(item.kind == ALARM for item in items):
        resets = connection.execute(f"{_ROWS}j.run_id = '' AND j.kind = ? ORDER BY j.seq", _RESET)
        alarms = alarm_views((*items, *_read(resets)))
    return view_of(run_id, items, alarms)


def _read(rows: Iterable[tuple[Any, ...]]) -> Iterator[Item]:
    for values in rows:
        row = to_row(values[:-1])
        before = GENESIS if values[0] == 1 else values[-1]
        if row is None or row.computed() != row.hash:
            damage = f"entry {values[0]} was changed"
        elif row.previous != before:
            damage = f"entry {values[0] - 1} is missing or was replaced"
        else:
            damage = ""
        body = _body(str(values[5]))
        if body is None:
            damage, body = f"entry {values[0]} can't be read", {}
        at_s = values[4] if isinstance(values[4], float) else 0.0
        seq, run_id, kind, utc = values[:4]
        yield Item(int(seq), str(run_id), str(kind), str(utc), at_s, body, damage)


def _body(text: str) -> Mapping[str, Any] | None:
    try:
        body = json.loads(text)
    except ValueError:
        return None
    return body if isinstance(body, dict) else None
