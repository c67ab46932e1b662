"""A journal for runs in virtual time: waiting for the disk must not let that time pass.

The engine waits for a ticket by letting its clock advance. A virtual clock would run away then, by
as many seconds as the disk takes looks, differently on every run.
"""

from __future__ import annotations

from orchestrator.model.alarms import Alarm
from orchestrator.model.record import Entry
from orchestrator.records.store import SqliteStore, WriteTicket

LONGEST_WAIT_S = 60.0


class PatientTicket:
    """A ticket whose `done` waits for the disk, in real time."""

    def __init__(self, ticket: WriteTicket) -> None:
        self._ticket = ticket

    def done(self) -> bool:
        """True once durable; blocks. Raises what the writer failed with."""
        return self._ticket.wait(LONGEST_WAIT_S)


class PatientStore:
    """The same journal, with tickets that wait; satisfies the port ``RunStore``."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store

    def append(self, entry: Entry) -> PatientTicket:
        """Queue one entry, in order."""
        return PatientTicket(self._store.append(entry))

    def unfinished(self) -> tuple[str, ...]:
        """Ids of runs that have no end yet."""
        return self._store.unfinished()

    def alarms(self) -> tuple[Alarm, ...]:
        """What is latched."""
        return self._store.alarms()

    def close(self) -> None:
        """Write what is queued and close."""
        self._store.close()
