"""The journal and the shipped inputs keep their contracts."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Sequence
from pathlib import Path

from drivers.adapters.inputs import file_input, simulated_input
from drivers.simulators.bench import Bench
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.conformance import (
    InputBlockContract,
    InputSubject,
    RunStoreContract,
    StoreSubject,
)
from orchestrator.contract import RunStore
from orchestrator.model.record import Entry
from orchestrator.model.station import FileInput, SimulatedInput
from orchestrator.records.store import SqliteStore

UTC = "2026-01-01T00:00:00Z"


class SqliteSubject(StoreSubject):
    """The SQLite journal, read back by plain SQL over a connection of its own."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self._folder = tempfile.TemporaryDirectory()
        self._path = Path(self._folder.name) / "records.sqlite"
        self._opened: list[SqliteStore] = []

    def open(self) -> RunStore:
        store = SqliteStore(self._path)
        self._opened.append(store)
        return store

    def stored(self) -> Sequence[Entry]:
        connection = sqlite3.connect(self._path)
        try:
            rows = connection.execute(
                "SELECT run_id, kind, utc, monotonic_s, body FROM journal ORDER BY seq"
            ).fetchall()
        finally:
            connection.close()
        return [
            Entry(run_id, kind, utc, at_s, json.loads(body))
            for run_id, kind, utc, at_s, body in rows
        ]

    def start(self, run_id: str) -> Entry:
        return Entry(run_id, "run_started", UTC, 0.0, {"serial": "S-1", "simulated": True})

    def end(self, run_id: str) -> Entry:
        return Entry(run_id, "run_ended", UTC, 0.0, {"outcome": "no_verdict"})

    def close(self) -> None:
        for store in self._opened:
            store.close()
        self._folder.cleanup()


class TestSqlite(RunStoreContract):
    def make(self) -> StoreSubject:
        return SqliteSubject()


class FileSubject(InputSubject):
    """The file input, for trials."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self._folder = tempfile.TemporaryDirectory()
        self._path = Path(self._folder.name) / "guard.txt"
        source = FileInput(kind="file", path="guard.txt")
        folder = Path(self._folder.name)
        self.block = file_input("guard", source, folder=folder, clock=self.clock)

    def put(self, closed: bool) -> None:
        self._path.write_text("closed" if closed else "open", encoding="ascii")

    def make_unreadable(self) -> None:
        self._path.unlink()

    def close(self) -> None:
        self._folder.cleanup()


class TestFile(InputBlockContract):
    def make(self) -> InputSubject:
        return FileSubject()


class GuardSubject(InputSubject):
    """The guard of the simulated bench."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self._bench = Bench(self.clock)
        source = SimulatedInput(kind="simulated")
        self.block = simulated_input("guard", source, guard=self._bench, clock=self.clock)

    def put(self, closed: bool) -> None:
        self._bench.guard_closed = closed


class TestSimulatedGuard(InputBlockContract):
    def make(self) -> InputSubject:
        return GuardSubject()
