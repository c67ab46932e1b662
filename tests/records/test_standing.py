"""Alarms and sign-offs: latched across processes, reset by name, and never by half."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.clock import VirtualClock
from orchestrator.contract import RunStore
from orchestrator.errors import RecordDamaged, Refused
from orchestrator.model import entries
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.entries import Stamp
from orchestrator.model.record import Entry
from orchestrator.records.reader import all_alarms, all_runs, all_sign_offs, show_run
from orchestrator.records.standing import Standing, item_of
from orchestrator.records.store import SqliteStore
from orchestrator.records.verify import verify

AT = Stamp.now(VirtualClock())
LINK = AlarmKind.LINK_LOST


def alarm(kind: AlarmKind = LINK, run_id: str = "", reason: str = "no answer") -> Entry:
    return entries.alarm(run_id, AT, kind, reason, "look at the cable")


def body(**more: Any) -> dict[str, Any]:
    return {
        "by": "R. Vane",
        "valid": True,
        "simulated": True,
        "hashes": {"station": "aa" * 32, "fixture": "bb" * 32, "profile:tall": "cc" * 32},
        "instruments": {"ht": {"maker": "M", "model": "T", "serial": "1", "firmware": "2"}},
        "items": [{"name": "guard opened", "outcome": "done", "seen": "open after 0.2 s"}],
        "budget_s": {"ht": 0.9},
        "measured_s": 0.31,
        "software_version": "0",
        **more,
    }


FAILED = [{"name": "guard opened", "outcome": "failed", "seen": "nothing within 60 s"}]


def test_an_alarm_counts_from_its_appending(path: Path) -> None:
    """Before the disk has it, and in the place where it will lie."""
    with SqliteStore(path) as store:
        port: RunStore = store
        assert port.alarms() == ()
        store.append(entries.event("", AT, "take_over"))
        blocker = sqlite3.connect(path, isolation_level=None, timeout=5)
        blocker.execute("BEGIN IMMEDIATE")
        ticket = store.append(alarm())
        (latched,) = store.alarms()
        durable = ticket.done()
        blocker.execute("ROLLBACK")
        blocker.close()
    assert not durable
    assert (latched.seq, latched.kind, latched.reason) == (2, LINK, "no answer")
    assert [view.seq for view in all_alarms(path)] == [2]


def test_an_alarm_survives_the_process_until_a_reset_names_it(path: Path) -> None:
    """Of two alarms, the one that was reset is gone, the other stays, oldest first."""
    with SqliteStore(path) as store:
        for kind in (LINK, AlarmKind.RELAYS_DIFFER, AlarmKind.UNCONFIRMED):
            store.append(alarm(kind))
    with SqliteStore(path) as store:
        assert [latched.seq for latched in store.alarms()] == [1, 2, 3]
        assert store.append(entries.alarm_reset(AT, "R. Vane", [2], ["guard"])).wait(10)
        assert [latched.seq for latched in store.alarms()] == [1, 3]
    with SqliteStore(path) as store:
        assert [latched.kind for latched in store.alarms()] == [LINK, AlarmKind.UNCONFIRMED]


def test_an_alarm_survives_a_process_that_is_killed(path: Path) -> None:
    """What a ticket said is durable is latched in the next process, whatever ended the first."""
    code = (
        "import os, sys; from pathlib import Path\n"
        "from orchestrator.records.store import SqliteStore\n"
        "from orchestrator.model import entries\n"
        "from orchestrator.model.alarms import AlarmKind\n"
        "from orchestrator.model.entries import Stamp\n"
        "store = SqliteStore(Path(sys.argv[1]))\n"
        "at = Stamp('2026-01-01T00:00:00Z', 0.0)\n"
        "store.append(entries.alarm('', at, AlarmKind.LINK_LOST, 'x', 'y')).wait(10)\n"
        "os._exit(9)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    assert done.returncode == 9
    with SqliteStore(path) as store:
        assert [latched.kind for latched in store.alarms()] == [LINK]


def test_a_reset_that_never_reached_the_disk_resets_nothing(path: Path) -> None:
    """The station stays latched, in this process too."""
    store = SqliteStore(path, busy_s=0.05)
    assert store.append(alarm()).wait(10)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    ticket = store.append(entries.alarm_reset(AT, "R. Vane", [1]))
    with pytest.raises(OSError, match="locked"):
        ticket.wait(10)
    assert [latched.seq for latched in store.alarms()] == [1]
    blocker.execute("ROLLBACK")
    blocker.close()
    with pytest.raises(OSError, match="locked"):
        store.close()


def test_nobody_resets_what_is_still_to_come(path: Path) -> None:
    """A reset that names a later place leaves the alarm that comes there latched."""
    with SqliteStore(path) as store:
        store.append(entries.alarm_reset(AT, "R. Vane", [1, 2, 3]))
        store.append(alarm()).wait(10)
        assert [latched.seq for latched in store.alarms()] == [2]
    assert [view.reset_by for view in all_alarms(path)] == [""]


class _Ticket:
    durable = True


@given(st.lists(st.one_of(st.none(), st.sets(st.integers(1, 12))), max_size=12))
def test_read_again_the_same_is_latched(history: list[set[int] | None]) -> None:
    """Alarms (None) and resets (sets of places) in any order: what stands in this process, what a
    later one finds and what the list shows is the same, and is what the rule says."""
    queued = [
        alarm() if step is None else entries.alarm_reset(AT, "R. Vane", sorted(step))
        for step in history
    ]
    from orchestrator.records.chain import canonical
    from orchestrator.records.standing import alarm_views

    items = [item_of(seq, e, canonical(e.body)) for seq, e in enumerate(queued, 1)]
    live = Standing((), "records")
    for item in items:
        live.appended(item, _Ticket())
    rule = [
        seq
        for seq, step in enumerate(history, 1)
        if step is None and not any(seq in (later or ()) for later in history[seq:])
    ]
    assert [latched.seq for latched in live.alarms()] == rule
    assert live.alarms() == Standing(items, "records").alarms()
    assert [view.seq for view in alarm_views(items) if not view.reset_utc] == rule


def test_words_that_an_alarm_lacks_come_from_its_kind() -> None:
    """An alarm is never refused for want of words."""
    told = entries.alarm("", AT, AlarmKind.UNCONFIRMED, "", "").body
    assert told["reason"] == AlarmKind.UNCONFIRMED.title
    assert told["remedy"] == AlarmKind.UNCONFIRMED.remedy


def test_a_reset_names_a_person() -> None:
    """Nobody's reset isn't journaled."""
    with pytest.raises(ValueError, match="person"):
        entries.alarm_reset(AT, " ", [1])


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"items": FAILED}, "every item done"),
        ({"valid": False}, "every item done"),
        ({"items": [], "valid": True}, "has items"),
        ({"items": [{"name": "x", "outcome": "fine"}], "valid": False}, "has items"),
        ({"by": ""}, "a name"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_a_sign_off_agrees_with_itself(more: dict[str, Any], told: str) -> None:
    """No valid stamp over an item that isn't done, no stamp without a name, no unknown key."""
    with pytest.raises(ValueError, match=told):
        entries.sign_off(AT, body(**more))


def test_the_newest_sign_off_is_found_with_its_time(path: Path) -> None:
    """A failed one too: it says that the station isn't signed off."""
    with SqliteStore(path) as store:
        assert store.sign_off() is None
        store.append(entries.sign_off(AT, body()))
        store.append(entries.sign_off(AT, body(valid=False, items=FAILED))).wait(10)
        assert [stamp["valid"] for stamp in store.sign_offs()] == [False, True]
    with SqliteStore(path) as store:
        stamp = store.sign_off()
    assert stamp is not None
    assert (stamp["valid"], stamp["utc"], stamp["seq"]) == (False, AT.utc, 2)
    assert [view.valid for view in all_sign_offs(path)] == [False, True]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE journal SET body = replace(body, '[1]', '[2]') WHERE kind = 'alarm_reset'",
        "UPDATE journal SET body = replace(body, 'no answer', 'nothing') WHERE kind = 'alarm'",
        "UPDATE journal SET body = replace(body, 'failed', 'done') WHERE kind = 'sign_off'",
    ],
)
def test_a_changed_alarm_reset_or_sign_off_is_found_however_old(
    path: Path, tamper: Callable[..., None], change: str
) -> None:
    """Opening holds each against its hash, also those before the newest entries; verify too."""
    with SqliteStore(path) as store:
        store.append(alarm())
        store.append(entries.alarm_reset(AT, "R. Vane", [1]))
        store.append(entries.sign_off(AT, body(valid=False, items=FAILED)))
        for _ in range(600):
            store.append(entries.event("", AT, "note"))
    tamper(path, change)
    with pytest.raises(RecordDamaged, match="alarms and sign-offs can't be trusted"):
        SqliteStore(path)
    assert not verify(path).ok


def test_a_damaged_reset_is_shown_as_no_reset(path: Path, tamper: Callable[..., None]) -> None:
    """Whoever reads the list sees the alarm latched."""
    with SqliteStore(path) as store:
        store.append(alarm())
        store.append(entries.alarm_reset(AT, "R. Vane", [7]))
    tamper(path, "UPDATE journal SET body = replace(body, '[7]', '[1]') WHERE seq = 2")
    assert [view.reset_utc for view in all_alarms(path)] == [""]


def test_an_alarm_of_an_unknown_kind_refuses_the_station(path: Path) -> None:
    """An alarm that this program can't name is not passed over."""
    with SqliteStore(path) as store:
        store.append(alarm())
        made = Entry("", "alarm", AT.utc, 0.0, {"number": 99, "reason": "x", "remedy": "y"})
        with pytest.raises(Refused, match="number 99"):
            store.append(made)
        store.append(alarm())
        assert [latched.seq for latched in store.alarms()] == [1, 2]
    with SqliteStore(path) as store:
        assert [latched.seq for latched in store.alarms()] == [1, 2]
    assert verify(path).ok


def test_a_run_shows_its_alarms_with_their_reset(path: Path, make_run: Callable[..., Any]) -> None:
    """The reset belongs to no run, yet the run's alarm tells of it."""
    run = make_run("run-a", VirtualClock())
    with SqliteStore(path) as store:
        for entry in (*run[:-1], alarm(run_id="run-a"), run[-1], alarm(AlarmKind.EMERGENCY_STOP)):
            store.append(entry)
        store.append(entries.alarm_reset(AT, "R. Vane", [7, 9], ["guard", "stop"]))
    (seen,) = show_run(path, "run-a").alarms
    assert (seen.number, seen.reset_by, seen.reset_inputs) == (6, "R. Vane", ("guard", "stop"))
    assert [run.alarms for run in all_runs(path)] == [(seen,)]


VIEWS = ("alarms", "alarm_resets", "sign_offs", "sign_off_items")


def test_an_auditor_reads_alarms_resets_and_sign_offs_by_sql(path: Path) -> None:
    """Views in plain columns: an alarm beside its first reset, a sign-off beside its items."""
    with SqliteStore(path) as store:
        store.append(alarm())
        store.append(alarm(AlarmKind.RELAYS_DIFFER))
        store.append(entries.alarm_reset(AT, "R. Vane", [1], ["guard"]))
        store.append(entries.alarm_reset(AT, "S. Holm", [1]))
        store.append(entries.sign_off(AT, body()))
    connection = sqlite3.connect(path)
    try:
        found = {
            view: connection.execute(f"SELECT * FROM {view} ORDER BY seq").fetchall()
            for view in VIEWS
        }
        numbers = connection.execute("SELECT seq, number, reset_seq, reset_by FROM alarms")
        assert numbers.fetchall() == [(1, 6, 3, "R. Vane"), (2, 7, None, None)]
    finally:
        connection.close()
    assert found["alarm_resets"][0] == (3, AT.utc, "R. Vane", "[1]", '["guard"]')
    assert found["sign_off_items"] == [(5, 0, "guard opened", "done", "open after 0.2 s")]
    assert found["sign_offs"][0][:5] == (5, AT.utc, "R. Vane", 1, 1)


@pytest.fixture
def older(filled: Path) -> Path:
    """Records as the version before made them: without the views and the index."""
    connection = sqlite3.connect(filled, isolation_level=None)
    for view in VIEWS:
        connection.execute(f"DROP VIEW {view}")
    connection.execute("DROP INDEX standing")
    connection.close()
    return filled


def test_records_of_the_version_before_are_sound_and_readable(older: Path) -> None:
    """Reading makes nothing and misses nothing; verify tells what isn't there yet."""
    report = verify(older)
    assert report.ok
    assert any("'alarms' isn't there yet" in note for note in report.notes)
    assert all_alarms(older) == ()
    assert all_sign_offs(older) == ()


def test_records_of_the_version_before_get_the_views_when_opened(older: Path) -> None:
    """The next opening for writing makes them; then the records are as new ones."""
    with SqliteStore(older) as store:
        store.append(alarm()).wait(10)
        assert len(store.alarms()) == 1
    assert verify(older).notes == ()
    connection = sqlite3.connect(older)
    try:
        assert connection.execute("SELECT number FROM alarms").fetchall() == [(6,)]
    finally:
        connection.close()


def test_an_altered_view_is_damage(path: Path) -> None:
    """A view that hides alarms isn't passed over."""
    with SqliteStore(path) as store:
        store.append(alarm())
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("DROP VIEW alarms")
    connection.execute("CREATE VIEW alarms AS SELECT * FROM journal WHERE 0")
    connection.close()
    assert "'alarms' is altered" in verify(path).damages[0].what
    with pytest.raises(RecordDamaged, match="altered"):
        SqliteStore(path)


def test_opening_looks_for_alarms_by_index(path: Path) -> None:
    """It doesn't read a whole journal for a few alarms."""
    with SqliteStore(path):
        pass
    connection = sqlite3.connect(path)
    try:
        plan = connection.execute(
            "EXPLAIN QUERY PLAN SELECT j.seq FROM journal j "
            "WHERE j.kind IN ('alarm', 'alarm_reset', 'sign_off') ORDER BY j.seq"
        ).fetchall()
    finally:
        connection.close()
    assert any("standing" in str(line) for line in plan)
