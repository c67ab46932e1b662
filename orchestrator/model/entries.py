"""Journal entries from model objects: what each kind of entry holds.

Decimals are written as strings, contacts as ``chain/unit/bank/channel/role``, so that every body
is plain JSON and reads the same to a program and to an auditor. All figures are in SI units.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC
from decimal import Decimal
from typing import Any, Literal

from orchestrator.clock import Clock
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.record import Entry, Identity, Reading, RunResult, StepResult
from orchestrator.model.schedule import BoundStep, Contact, LimitOrder, Schedule, StepOrder
from orchestrator.model.words import CONTACT_KINDS, Measured, Outcome

RUN_STARTED = "run_started"
STEP_STARTED = "step_started"
STEP_ENDED = "step_ended"
EVENT = "event"
TRAFFIC = "traffic"
RELAY_COUNTS = "relay_counts"
RUN_ENDED = "run_ended"
LOCATED = "located"
ALARM = "alarm"
ALARM_RESET = "alarm_reset"
SIGN_OFF = "sign_off"

INTERRUPTED = "interrupted: the program ended before the run did"
INTERRUPTED_REMEDY = "test the unit again from the beginning"

_PLAIN_WITHIN = 20
_ITEM_OUTCOMES = {"done", "failed", "not_done"}
_SIGN_OFF_KEYS = {
    "by",
    "valid",
    "simulated",
    "hashes",
    "instruments",
    "items",
    "budget_s",
    "measured_s",
    "software_version",
}


@dataclass(frozen=True, slots=True)
class Stamp:
    """When something happened: UTC as text (ISO 8601, microseconds, Z) and monotonic seconds."""

    utc: str
    monotonic_s: float

    @classmethod
    def now(cls, clock: Clock) -> Stamp:
        """The moment by this clock."""
        text = clock.utc().astimezone(UTC).isoformat(timespec="microseconds")
        return cls(text.replace("+00:00", "Z"), clock.monotonic())


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """One instrument of a run. ``simulated``: declared by the station and confirmed by its reply.
    ``calibrated``: date by the station file, or empty."""

    name: str
    identity: Identity
    simulated: bool
    profile: str = ""
    calibrated: str = ""


def decimal_text(value: Decimal) -> str:
    """A decimal in plain digits, with an exponent only where that would be very long.

    Raises:
        ValueError: it isn't finite; use a reading's bound for that.
    """
    if not value.is_finite():
        raise ValueError(f"the journal holds finite figures only, found {value}")
    return format(value, "f") if abs(value.adjusted()) <= _PLAIN_WITHIN else str(value)


def contact_text(contact: Contact) -> str:
    """A contact as one word. The role belongs to it: each role of a channel is a relay."""
    return "/".join(
        (contact.chain, contact.unit, contact.bank, str(contact.channel), contact.role.value)
    )


def unit_of(quantity: Measured) -> str:
    """The SI unit of a quantity."""
    return {
        Measured.TOTAL_CURRENT: "A",
        Measured.IN_PHASE_CURRENT: "A",
        Measured.CURRENT: "A",
        Measured.RESISTANCE: "ohm",
        Measured.VOLTAGE: "V",
        Measured.TIME: "s",
    }[quantity]


def run_started(
    run_id: str,
    at: Stamp,
    schedule: Schedule,
    *,
    serial: str,
    operator: str,
    attempt: int,
    instruments: Iterable[InstrumentLine],
    software_version: str,
    relay_state: Iterable[Contact] | None,
) -> Entry:
    """A run was accepted; written before anything is energised.

    ``relay_state``: contacts found closed at the take-over; ``None`` where no unit can tell.
    """
    closed = None if relay_state is None else sorted(contact_text(c) for c in relay_state)
    body = {
        "serial": serial,
        "operator": operator,
        "attempt": attempt,
        "simulated": schedule.simulated,
        "program": {"name": schedule.program, "revision": schedule.revision},
        "fixture": schedule.fixture,
        "station": schedule.station,
        "hashes": dict(schedule.hashes),
        "instruments": [_instrument(line) for line in instruments],
        "exemptions": [
            {"rule": rule, "instrument": instrument, "reason": reason}
            for (rule, instrument), reason in sorted(schedule.exemptions.items())
        ],
        "no_protective_earth": schedule.no_protective_earth,
        "notices": list(schedule.notices),
        "safe_ac_v": decimal_text(schedule.safe_ac_v),
        "safe_dc_v": decimal_text(schedule.safe_dc_v),
        "steps": len(schedule.steps),
        "software_version": software_version,
        "relay_state": closed,
    }
    return _entry(run_id, RUN_STARTED, at, body)


def step_started(run_id: str, at: Stamp, step: BoundStep, *, delegated: bool = False) -> Entry:
    """A step is about to be energised. ``delegated``: the tester switches, without read-back."""
    body = {
        "index": step.index,
        "name": step.name,
        "kind": step.kind.value,
        "tester": step.tester,
        "order": _order(step.order),
        "asked": _order(step.asked),
        "decision_rule": step.decision_rule,
        "taken_out": step.taken_out,
        "route": sorted(contact_text(contact) for contact in step.route.contacts),
        "apply_to": list(step.apply_to),
        "against": list(step.against),
        "others": list(step.others),
        "hazardous": step.hazardous,
        "on_failure": step.on_failure,
        "unproved_contact": step.unproved_contact,
        "leans_on": list(step.leans_on),
        "deadline_s": step.deadline_s,
        "reasons": list(step.reasons),
        "switching_delegated": delegated,
        **_searched(step.search_of),
    }
    return _entry(run_id, STEP_STARTED, at, body)


def step_ended(run_id: str, at: Stamp, result: StepResult) -> Entry:
    """How a step ended, one that was not run too."""
    body = {
        "index": result.index,
        "name": result.name,
        "outcome": result.outcome.value,
        "reason": result.reason,
        "values": [reading_body(quantity, result.values[quantity]) for quantity in result.values],
        "tester_verdict": result.tester_verdict,
        "evidence": list(result.evidence),
        "discharge": result.discharge.value,
        "residual_v": _maybe(result.residual_v),
        "duration_s": result.duration_s,
        **_searched(result.search_of),
    }
    return _entry(run_id, STEP_ENDED, at, body)


def _searched(search_of: int | None) -> dict[str, int]:
    """Only steps of a search have the key."""
    return {} if search_of is None else {"search_of": search_of}


def event(run_id: str, at: Stamp, what: str, detail: Mapping[str, Any] | None = None) -> Entry:
    """Something happened: a trip, an interlock, a take-over, an alarm, a refusal.

    ``run_id`` may be empty for what belongs to no run. ``detail`` holds JSON values and Decimals.
    """
    if not what:
        raise ValueError("an event says what happened")
    return _entry(run_id, EVENT, at, {"what": what, "detail": _plain(detail or {})})


def traffic(
    run_id: str,
    at: Stamp,
    link: str,
    lines: Iterable[tuple[float, Literal["sent", "received"], bytes]],
) -> Entry:
    """The last bytes on a link before a fault: monotonic seconds, direction, bytes."""
    body = {
        "link": link,
        "lines": [[at_s, way, data.hex(" "), visible_text(data)] for at_s, way, data in lines],
    }
    return _entry(run_id, TRAFFIC, at, body)


def relay_counts(run_id: str, at: Stamp, closings: Mapping[Contact, int]) -> Entry:
    """How often each contact was closed since the last entry of this kind: increments."""
    return _entry(
        run_id,
        RELAY_COUNTS,
        at,
        {"contacts": {contact_text(contact): count for contact, count in closings.items()}},
    )


def run_ended(run_id: str, at: Stamp, result: RunResult) -> Entry:
    """How a run ended; its last word."""
    body = {
        "serial": result.serial,
        "outcome": result.outcome.value,
        "simulated": result.simulated,
        "reason": result.reason,
        "remedy": result.remedy,
        "relays_kept": result.relays_kept,
        "steps": len(result.steps),
    }
    return _entry(run_id, RUN_ENDED, at, body)


def run_interrupted(run_id: str, at: Stamp) -> Entry:
    """The end that a later process gives to a run that never had one."""
    body = {
        "outcome": Outcome.NO_VERDICT.value,
        "reason": INTERRUPTED,
        "remedy": INTERRUPTED_REMEDY,
        "relays_kept": None,
    }
    return _entry(run_id, RUN_ENDED, at, body)


def alarm(run_id: str, at: Stamp, kind: AlarmKind, reason: str, remedy: str) -> Entry:
    """An alarm is latched, until an `alarm_reset` names its place in the journal.

    ``run_id`` is empty between runs. Without reason or remedy those of the kind are kept: an alarm
    is never refused for want of words.
    """
    body = {
        "number": kind.value,
        "title": kind.title,
        "reason": reason or kind.title,
        "remedy": remedy or kind.remedy,
    }
    return _entry(run_id, ALARM, at, body)


def alarm_reset(at: Stamp, by: str, alarms: Iterable[int], inputs: Iterable[str] = ()) -> Entry:
    """A person's reset, with the inputs closed; a reset with nothing latched is recorded too.

    Args:
        by: who.
        alarms: places (``seq``) of the alarms that it clears.
        inputs: names of the inputs that were seen closed.
    """
    if not by.strip():
        raise ValueError("a reset names the person")
    return _entry("", ALARM_RESET, at, {"by": by, "alarms": [*alarms], "inputs": [*inputs]})


def sign_off(at: Stamp, body: Mapping[str, Any]) -> Entry:
    """A commissioning has ended; a failed one too, with ``valid`` false.

    Keys of ``body``, all needed:
        by: who.
        valid: True only if every item was done.
        simulated: the station has simulated instruments.
        hashes: station, fixture, ``profile:…`` → SHA-256 (hex) of what it holds for.
        instruments: name → maker, model, serial, firmware.
        items: name, outcome (done, failed, not_done) and what was seen or measured (``seen``).
        budget_s: tester → stop time by the station's files, in seconds.
        measured_s: stop time as measured, in seconds, or None.
        software_version: of this program.

    Raises:
        ValueError: a key is missing or unknown, or ``valid`` doesn't agree with the items.
    """
    if body.keys() != _SIGN_OFF_KEYS:
        differing = ", ".join(sorted(body.keys() ^ _SIGN_OFF_KEYS))
        raise ValueError(f"a sign-off has other keys than documented: {differing}")
    outcomes = [item["outcome"] for item in body["items"]]
    if not outcomes or not set(outcomes) <= _ITEM_OUTCOMES:
        raise ValueError(f"a sign-off has items that are {sorted(_ITEM_OUTCOMES)}, got {outcomes}")
    if body["valid"] is not (set(outcomes) == {"done"}) or not str(body["by"]).strip():
        raise ValueError("a valid sign-off has a name, and every item done")
    return _entry("", SIGN_OFF, at, _plain(body))


def _entry(run_id: str, kind: str, at: Stamp, body: Mapping[str, Any]) -> Entry:
    return Entry(run_id=run_id, kind=kind, utc=at.utc, monotonic_s=at.monotonic_s, body=body)


def _instrument(line: InstrumentLine) -> dict[str, Any]:
    who = line.identity
    return {
        "name": line.name,
        "maker": who.maker,
        "model": who.model,
        "serial": who.serial,
        "firmware": who.firmware,
        "simulated": line.simulated,
        "profile": line.profile,
        "calibrated": line.calibrated,
    }


def _order(order: StepOrder) -> dict[str, Any]:
    return {
        "kind": order.kind.value,
        "level": decimal_text(order.level),
        "level_unit": "A" if order.kind in CONTACT_KINDS else "V",
        "waveform": order.waveform.value,
        "frequency": _maybe(order.frequency),
        "rise": _maybe(order.rise),
        "dwell": decimal_text(order.dwell),
        "fall": _maybe(order.fall),
        "limits": [_limit(limit) for limit in order.limits],
        "limits_during_rise": order.limits_during_rise,
        "flash_over": _maybe(order.flash_over),
        "settle": _maybe(order.settle),
        "slot": order.slot,
    }


def _limit(limit: LimitOrder) -> dict[str, str]:
    return {
        "quantity": limit.quantity.value,
        "edge": limit.edge.value,
        "value": decimal_text(limit.value),
        "unit": unit_of(limit.quantity),
    }


def reading_body(quantity: Measured, reading: Reading) -> dict[str, str | None]:
    """One value as an entry holds it."""
    return {
        "quantity": quantity.value,
        "value": _maybe(reading.value),
        "bound": reading.bound,
        "unit": unit_of(quantity),
    }


def _maybe(value: Decimal | None) -> str | None:
    return None if value is None else decimal_text(value)


def _plain(value: Any) -> Any:
    """JSON values as they are, Decimals as text, contacts as words, sets in order."""
    if isinstance(value, Decimal):
        return decimal_text(value)
    if isinstance(value, Contact):
        return contact_text(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, frozenset | set):
        return sorted((_plain(item) for item in value), key=str)
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value


def visible_text(data: bytes) -> str:
    """Bytes as text, what can't be printed escaped."""
    return "".join(chr(b) if 0x20 <= b < 0x7F and b != 0x5C else f"\\x{b:02x}" for b in data)
