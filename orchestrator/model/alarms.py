"""Alarms: what is latched until a person resets it, by number, with what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class AlarmKind(IntEnum):
    """The numbers are kept for good: a line, a label at the station may name them."""

    INTERLOCK_OPENED = 1
    UNCONFIRMED = 2
    TRIP_LATCHED = 3
    UNORDERED_OUTPUT = 4
    PROTECTIONS_LOST = 5
    LINK_LOST = 6
    RELAYS_DIFFER = 7
    EMERGENCY_STOP = 8
    ENABLE_UNSURE = 9
    INTERNAL_FAULT = 10
    OVERTIME = 11
    INSTRUMENT_FAULT = 12

    @property
    def title(self) -> str:
        """The alarm in a few words."""
        return _TEXTS[self][0]

    @property
    def remedy(self) -> str:
        """What a person does about it."""
        return _TEXTS[self][1]


_TEXTS: dict[AlarmKind, tuple[str, str]] = {
    AlarmKind.INTERLOCK_OPENED: (
        "interlock opened with an output on, or in the middle of a run",
        "find out who or what opened it, close it, then reset",
    ),
    AlarmKind.UNCONFIRMED: (
        "off and discharged not confirmed",
        (
            "keep away: it may be live or charged. Leave the guard closed, wait, discharge by the "
            "means your site provides, then reset"
        ),
    ),
    AlarmKind.TRIP_LATCHED: (
        "a tester has latched a safety trip",
        "find out what tripped it, close every input, then reset",
    ),
    AlarmKind.UNORDERED_OUTPUT: (
        "an output was on without an order",
        "find who started it (front panel, second computer) and lock that out, then reset",
    ),
    AlarmKind.PROTECTIONS_LOST: (
        "a tester has lost its protections",
        "find out why it was without power or changed by hand, then reset",
    ),
    AlarmKind.LINK_LOST: (
        "a tester stopped answering with its output on, or between runs",
        "check its power and its cable, then reset",
    ),
    AlarmKind.RELAYS_DIFFER: (
        "relays don't stand as ordered",
        "check the relay units, their address switches and their wiring, then reset",
    ),
    AlarmKind.EMERGENCY_STOP: (
        "an emergency stop is open",
        "clear the danger, release the emergency stop, then reset",
    ),
    AlarmKind.ENABLE_UNSURE: (
        "the enable output can't be relied on",
        "check the I/O block, its power and its cable, then reset",
    ),
    AlarmKind.INTERNAL_FAULT: (
        "internal fault of this program with an output on",
        "send the report to whoever looks after this program, then reset",
    ),
    AlarmKind.OVERTIME: (
        "a tester did not end in time",
        "check the tester and the times that its profile sends, then reset",
    ),
    AlarmKind.INSTRUMENT_FAULT: (
        "a tester contradicted an order with its output on, or about to be",
        "read what it said in the record, check the tester and its profile, then reset",
    ),
}


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as recorded. ``seq``: its place in the journal; ``utc``: ISO 8601."""

    seq: int
    kind: AlarmKind
    utc: str
    reason: str
    remedy: str
    run_id: str = ""
