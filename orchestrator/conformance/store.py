"""The contract of ``RunStore``."""

from __future__ import annotations

import threading
from collections.abc import Callable

from orchestrator.conformance.base import Contract
from orchestrator.conformance.demands import demand
from orchestrator.conformance.subjects import StoreSubject
from orchestrator.contract import RunStore
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.entries import Stamp, alarm, alarm_reset
from orchestrator.model.record import Entry

PATIENCE_S = 10.0


class RunStoreContract(Contract[StoreSubject]):
    """Every rule of the journal. Override ``make``."""

    def test_entries_are_kept_in_order_and_whole(self, subject: StoreSubject) -> None:
        """What is read back is what was appended, in the order of appending."""
        store = subject.open()
        entries = [note(number) for number in range(100)]
        for entry in entries:
            store.append(entry)
        store.close()
        demand(
            plain(subject) == [(e.run_id, e.kind, dict(e.body)) for e in entries],
            "entries are kept in order, whole",
        )

    def test_done_means_that_others_can_read_it(self, subject: StoreSubject) -> None:
        """Before energising, the engine waits for that; a crash after it loses nothing."""
        store = subject.open()
        ticket = store.append(note(7))
        demand(within(ticket.done), "an entry becomes durable within 10 s")
        found = plain(subject)
        demand(
            found == [("run-n", "event", {"what": "note", "detail": 7})],
            "what is done is readable from outside, while the store is still open",
            found,
        )
        store.close()

    def test_done_stays_done(self, subject: StoreSubject) -> None:
        """A ticket never goes back on its word."""
        store = subject.open()
        ticket = store.append(note(1))
        within(ticket.done)
        store.close()
        demand(ticket.done() is True, "done stays done after closing")

    def test_a_later_change_of_the_body_doesn_t_reach_the_journal(
        self, subject: StoreSubject
    ) -> None:
        """Appended is as it was at that moment."""
        store, body = subject.open(), {"what": "before"}
        store.append(Entry("run-n", "event", UTC, 0.0, body))
        body["what"] = "after"
        store.close()
        found = plain(subject)[0][2]
        demand(found == {"what": "before"}, "a body is kept as it was appended", found)

    def test_unfinished_runs_are_known_after_a_crash(self, subject: StoreSubject) -> None:
        """A run that started and never ended shows, in this process and in the next."""
        store = subject.open()
        for entry in (subject.start("run-a"), subject.start("run-b"), subject.end("run-a")):
            store.append(entry)
        demand(store.unfinished() == ("run-b",), "queued entries count", store.unfinished())
        store.close()
        again = subject.open()
        demand(again.unfinished() == ("run-b",), "reopened, it still shows", again.unfinished())
        again.append(subject.end("run-b"))
        demand(again.unfinished() == (), "its end ends it", again.unfinished())
        again.close()

    def test_an_alarm_is_latched_until_a_reset_names_it(self, subject: StoreSubject) -> None:
        """In this process and in the next: nothing runs while one is latched."""
        store = subject.open()
        for reason in ("first", "second"):
            store.append(alarm("", AT, AlarmKind.LINK_LOST, reason, ""))
        told = [found.reason for found in store.alarms()]
        demand(told == ["first", "second"], "queued alarms count, the oldest first", told)
        first = store.alarms()[0].seq
        store.close()
        again = subject.open()
        demand(len(again.alarms()) == 2, "reopened, they are latched still", again.alarms())
        ticket = again.append(alarm_reset(AT, "M. Example", [first]))
        demand(within(ticket.done), "a reset becomes durable within 10 s")
        left = [found.reason for found in again.alarms()]
        demand(left == ["second"], "a reset clears what it names, nothing else", left)
        again.close()

    def test_closing_writes_what_is_queued(self, subject: StoreSubject) -> None:
        """Nothing queued gets lost, and a journal that is opened again goes on."""
        for first in (0, 50):
            store: RunStore = subject.open()
            for number in range(first, first + 50):
                store.append(note(number))
            store.close()
        told = [body["detail"] for _, _, body in plain(subject)]
        demand(told == list(range(100)), "closing writes what is queued", told)


UTC = "2026-01-01T00:00:00Z"
AT = Stamp(UTC, 0.0)


def note(number: int) -> Entry:
    """An entry that says a number."""
    return Entry("run-n", "event", UTC, 0.0, {"what": "note", "detail": number})


def plain(subject: StoreSubject) -> list[tuple[str, str, dict[str, object]]]:
    """What is stored, to compare with."""
    return [(entry.run_id, entry.kind, dict(entry.body)) for entry in subject.stored()]


def within(done: Callable[[], bool]) -> bool:
    """Whether something becomes true; a store has a thread and a disk, so this waits really."""
    pause = threading.Event()
    for _ in range(int(PATIENCE_S / 0.005)):
        if done():
            return True
        pause.wait(0.005)
    return False
