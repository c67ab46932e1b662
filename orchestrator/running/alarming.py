"""Which alarm a fault latches: pure, from the fault, where it struck and how safe-off ended."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from orchestrator.errors import (
    Fault,
    InstrumentFault,
    LinkError,
    OhmwardError,
    Refused,
    RelayMismatch,
)
from orchestrator.model.alarms import Alarm, AlarmKind
from orchestrator.running.guards import UnsafeSchedule
from orchestrator.running.interlock import Trip
from orchestrator.running.safe_off import SafeOff
from orchestrator.running.states import WATCHED, Phase


@dataclass(frozen=True, slots=True)
class Struck:
    """A fault, the phase it struck in, and whether a step had been begun by then."""

    fault: BaseException | None
    phase: Phase
    begun: bool


def alarm_of(struck: Struck, off: SafeOff) -> AlarmKind | None:
    """The alarm to latch, or ``None``.

    A station that couldn't be made safe always latches one. Otherwise a trip latches while a run
    was under way; a failing link or instrument only with an output on. What somebody ended, and
    what was refused before anything moved, latches nothing.
    """
    if not off.confirmed:
        return AlarmKind.UNCONFIRMED
    if not off.opened or isinstance(struck.fault, RelayMismatch):
        return AlarmKind.RELAYS_DIFFER
    hot = struck.phase in WATCHED
    if isinstance(struck.fault, UnsafeSchedule):
        return None
    if isinstance(struck.fault, Trip):
        return struck.fault.alarm if hot or struck.begun else None
    if struck.fault is None or not hot:
        return None
    if isinstance(struck.fault, LinkError):
        return AlarmKind.LINK_LOST
    if isinstance(struck.fault, InstrumentFault):
        return AlarmKind.INSTRUMENT_FAULT
    ended = isinstance(struck.fault, OhmwardError | KeyboardInterrupt)
    return None if ended else AlarmKind.INTERNAL_FAULT


def require_none(alarms: Iterable[Alarm]) -> None:
    """Nothing runs while an alarm is latched. Raises Refused, naming each."""
    faults = [
        Fault(
            what=f"alarm {alarm.kind.value}, {alarm.kind.title}",
            found=f"latched since {alarm.utc}: {alarm.reason}",
            expected="no latched alarm",
            remedy=f"{alarm.remedy} (ohmward reset STATION --by NAME)",
        )
        for alarm in alarms
    ]
    if faults:
        raise Refused(faults)
