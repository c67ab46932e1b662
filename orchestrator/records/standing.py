"""What outlives a run: latched alarms and sign-offs, as the journal tells them.

An alarm counts from the moment it is appended; a reset or sign-off only once it is on the disk, so
that a failing disk leaves a station latched and unsigned, never the other way round.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from orchestrator.errors import Fault, Refused
from orchestrator.model import entries
from orchestrator.model.alarms import Alarm, AlarmKind
from orchestrator.model.record import Entry
from orchestrator.records.faults import damaged
from orchestrator.records.views import AlarmView, Item, SignOffView

KINDS = (entries.ALARM, entries.ALARM_RESET, entries.SIGN_OFF)


class Durable(Protocol):
    """Whether an entry is on the disk; never raises."""

    @property
    def durable(self) -> bool: ...


class Standing:
    """Alarms and sign-offs of one journal. Not thread-safe: the store guards it.

    Args:
        items: the journal's entries of `KINDS`, oldest first.
        where: the records, for messages.

    Raises:
        RecordDamaged: one of them was changed.
        Refused: one is of a kind of alarm that this program doesn't know.
    """

    def __init__(self, items: Iterable[Item], where: str) -> None:
        self._where = where
        self._alarms: dict[int, Alarm] = {}
        self._sign_offs: list[Mapping[str, Any]] = []
        self._waiting: list[tuple[Item, Durable]] = []
        for item in items:
            if item.damage:
                what = "so that alarms and sign-offs can't be trusted"
                raise damaged(f"{where}: {item.damage}, {what}")
            self._apply(item)

    def appended(self, item: Item, ticket: Durable) -> None:
        """Told of each entry of `KINDS` that was queued, in order."""
        if item.kind == entries.ALARM:
            self._apply(item)
        else:
            self._waiting.append((item, ticket))

    def alarms(self) -> tuple[Alarm, ...]:
        """What is latched, oldest first."""
        self._settle()
        return tuple(self._alarms.values())

    def sign_offs(self) -> tuple[Mapping[str, Any], ...]:
        """Bodies of all sign-offs with their ``utc`` and ``seq``, the newest first."""
        self._settle()
        return tuple(reversed(self._sign_offs))

    def _settle(self) -> None:
        while self._waiting and self._waiting[0][1].durable:
            self._apply(self._waiting.pop(0)[0])

    def _apply(self, item: Item) -> None:
        if item.kind == entries.ALARM:
            self._alarms[item.seq] = self._alarm(item)
        elif item.kind == entries.ALARM_RESET:
            for seq in _numbers(item.body.get("alarms")):
                if seq < item.seq:  # nobody resets what is still to come
                    self._alarms.pop(seq, None)
        else:
            self._sign_offs.append({**item.body, "utc": item.utc, "seq": item.seq})

    def _alarm(self, item: Item) -> Alarm:
        number = item.body.get("number")
        if type(number) is not int or number not in set(AlarmKind):
            fault = Fault(
                what=f"the alarm in entry {item.seq} of the records {self._where}",
                found=f"number {number!r}",
                expected=f"a number from {min(AlarmKind):d} to {max(AlarmKind):d}",
                remedy="open the station with the version of this program that wrote it",
            )
            raise Refused([fault])
        reason, remedy = str(item.body.get("reason")), str(item.body.get("remedy"))
        return Alarm(item.seq, AlarmKind(number), item.utc, reason, remedy, item.run_id)


def item_of(seq: int, entry: Entry, body: str) -> Item:
    """An entry just queued, its body as frozen JSON."""
    at_s = entry.monotonic_s
    return Item(seq, entry.run_id, entry.kind, entry.utc, at_s, json.loads(body), "")


def alarm_views(items: Iterable[Item]) -> tuple[AlarmView, ...]:
    """Every alarm ever, oldest first, with its reset. A damaged reset resets nothing."""
    known = tuple(items)
    resets: dict[int, Item] = {}
    for item in known:
        if item.kind == entries.ALARM_RESET and not item.damage:
            for seq in _numbers(item.body.get("alarms")):
                if seq < item.seq:
                    resets.setdefault(seq, item)
    return tuple(
        _alarm_view(item, resets.get(item.seq)) for item in known if item.kind == entries.ALARM
    )


def _alarm_view(item: Item, reset: Item | None) -> AlarmView:
    number = item.body.get("number")
    return AlarmView(
        seq=item.seq,
        run_id=item.run_id,
        utc=item.utc,
        number=number if isinstance(number, int) else 0,
        title=_text(item.body.get("title")),
        reason=_text(item.body.get("reason")),
        remedy=_text(item.body.get("remedy")),
        reset_utc=reset.utc if reset else "",
        reset_by=_text(reset.body.get("by")) if reset else "",
        reset_inputs=_words(reset.body.get("inputs")) if reset else (),
        damage=item.damage,
    )


def sign_off_views(items: Iterable[Item]) -> tuple[SignOffView, ...]:
    """Every sign-off, the newest first. A damaged one doesn't hold."""
    found = [
        SignOffView(
            seq=item.seq,
            utc=item.utc,
            by=_text(item.body.get("by")),
            valid=item.body.get("valid") is True and not item.damage,
            simulated=item.body.get("simulated") is not False,
            body=item.body,
            damage=item.damage,
        )
        for item in items
        if item.kind == entries.SIGN_OFF
    ]
    return tuple(reversed(found))


def _numbers(value: object) -> tuple[int, ...]:
    return tuple(n for n in value if type(n) is int) if isinstance(value, list) else ()


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _words(value: object) -> tuple[str, ...]:
    return tuple(map(str, value)) if isinstance(value, list) else ()
