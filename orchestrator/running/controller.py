"""Runs on a rack: take over, run a schedule, safe-off on every exit, record all of it."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Generator, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from orchestrator.errors import OhmwardError
from orchestrator.model import entries
from orchestrator.model.alarms import Alarm, AlarmKind
from orchestrator.model.record import Entry, RunResult, StepResult
from orchestrator.model.schedule import Contact, Route, Schedule
from orchestrator.model.words import Outcome
from orchestrator.running.alarming import Struck, alarm_of, require_none
from orchestrator.running.batch import finish, note, tell_located, unproved
from orchestrator.running.commands import Command
from orchestrator.running.engine import Engine
from orchestrator.running.idle import idle_watch
from orchestrator.running.interlock import RunCancelled, Trip
from orchestrator.running.rack import Notice, Rack, RunState
from orchestrator.running.routing import Unconfirmed
from orchestrator.running.safe_off import SafeOff, safe_off
from orchestrator.running.sequence import Searching, outcome_of, run_schedule
from orchestrator.running.states import Phase
from orchestrator.running.take_over import TripLatched, every_input_problem, take_over

T = TypeVar("T")
Show = Callable[[Notice], None]
STORED_LOOK_S = 0.0005


def quiet(_: Notice) -> None:
    """Show nothing."""


@dataclass(frozen=True, slots=True)
class Request:
    """One unit to be tested. ``attempt`` counts from 1."""

    serial: str
    operator: str = ""
    attempt: int = 1


@dataclass(frozen=True, slots=True)
class _End:
    """How driving ended. ``fault``: the trip or fault that ended it, if one did."""

    off: SafeOff
    fault: BaseException | None = None
    alarm: AlarmKind | None = None

    @property
    def reason(self) -> str:
        if self.fault is None:
            return self.off.reason
        internal = not isinstance(self.fault, Trip | OhmwardError)
        text = f"internal fault: {self.fault!r}" if internal else str(self.fault)
        return f"{text}; {self.off.reason}" if self.off.reason else text

    @property
    def remedy(self) -> str:
        latched = self.alarm.remedy if self.alarm is not None else ""
        return self.off.remedy or latched or getattr(self.fault, "remedy", "")


class _Screen:
    """Shows notices. ``calm``: a display that fails is kept for later, so that it can't come
    between a fault and safe-off or the record."""

    def __init__(self, show: Show) -> None:
        self._show = show
        self.calm = False
        self.failure: Exception | None = None

    def __call__(self, notice: Notice) -> None:
        try:
            self._show(notice)
        except Exception as error:
            if not self.calm:
                raise
            self.failure = self.failure or error


class Controller:
    """One station's life: `take_over` once, then any number of `run`, each ending safe.

    After a run that ended by a fault or with relays kept, the next `run` takes over again first.
    A latched alarm lets nothing run until somebody's `reset`, by this process or a later one.
    """

    def __init__(self, rack: Rack, *, version: str, show: Show = quiet) -> None:
        self.rack = rack
        self.engine = Engine(rack)
        self._version = version
        self._show = _Screen(show)
        self._ready = False
        self._found_closed: frozenset[Contact] = frozenset()

    def cancel(self, reason: str) -> None:
        """End what runs, safely. May be called from a signal handler or another thread."""
        self.engine.cancel(reason)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """What is latched."""
        return self.rack.store.alarms()

    def make_ready(self) -> None:
        """Take over, unless the station is known to be safe and ready. Raises as `take_over`."""
        if not self._ready:
            self.take_over()

    def take_over(self) -> None:
        """First contact; then old runs without an end are closed as ``no_verdict``.

        Raises Refused while an alarm is latched; Trip, LinkError, InstrumentFault: relays are then
        as found, or opened when cold.
        """
        self._take_over(resetting=False)

    def _take_over(self, *, resetting: bool) -> RunState:
        self._set_ready(False)
        if not resetting:
            require_none(self.alarms)  # a relay may only be opened again on a person's word
        run = RunState(self.rack, "", self._show, crashed=bool(self.rack.store.unfinished()))
        try:
            self.engine.drive(take_over(run, resetting=resetting))
        except (Unconfirmed, TripLatched) as trip:
            unsure = isinstance(trip, Unconfirmed)
            kind = AlarmKind.UNCONFIRMED if unsure else AlarmKind.TRIP_LATCHED
            self._latch(kind, trip.reason, trip.remedy)
            raise
        finally:
            self.engine.drop_enable()
        self._found_closed = frozenset(run.found_closed)
        for run_id in self.rack.store.unfinished():
            self._store(entries.run_interrupted(run_id, self._stamp()))
        self._set_ready(True)
        return run

    def reset(self, by: str) -> tuple[Alarm, ...]:
        """A person's act: take over, end the testers' latched trips, clear the alarms.

        Only with every input closed. Nothing starts by it. Returns what was cleared.

        Raises:
            Trip, LinkError, InstrumentFault: an input is open or the station isn't proved safe;
                everything latched stays so.
        """
        alarms = self.alarms
        run = self._take_over(resetting=True)
        try:
            problem = self.engine.drive(every_input_problem(run))
        finally:
            self.engine.drop_enable()
        if problem:
            raise Trip(problem, "close every input, then reset again")
        seqs, inputs = [alarm.seq for alarm in alarms], self.rack.interlock.inputs
        self._store(entries.alarm_reset(self._stamp(), by, seqs, inputs))
        return alarms

    def prove(self, sequence: Callable[[RunState], Generator[Command, Any, T]]) -> T:
        """Drive a sequence of a commissioning at the ready station; safe-off if it fails."""
        self.make_ready()
        run = RunState(self.rack, "", self._show, Phase.READY, Route())
        self._set_ready(False)
        try:
            found: T = self.engine.drive(sequence(run))
        except BaseException as fault:
            self._fail_safe(run, Struck(fault, Phase.READY, begun=False))
            raise
        finally:
            self.engine.drop_enable()
        if run.closings:
            self._store(entries.relay_counts("", self._stamp(), run.closings))
        self._set_ready(True)
        return found

    def store_entry(self, make: Callable[[entries.Stamp], Entry]) -> None:
        """Store an entry that belongs to no run, and wait until it is durable."""
        self._store(make(self._stamp()))

    def idle(self, until: Callable[[], bool]) -> None:
        """Watch between runs until told to end, or cancelled.

        Raises Found (a Trip) after the station was made safe and the alarm latched; what
        `take_over` raises.
        """
        self.make_ready()
        run = RunState(self.rack, "", self._show, Phase.READY, Route())
        try:
            self.engine.drive(idle_watch(run, until))
        except BaseException as fault:
            self.engine.drop_enable()
            if isinstance(fault, RunCancelled):
                raise
            self._fail_safe(run, Struck(fault, Phase.ENERGISED, begun=True))
            raise
        finally:
            self.engine.forget_cancel()

    def _fail_safe(self, run: RunState, struck: Struck) -> None:
        """What was done between runs has failed: make safe, record, latch where that is due."""
        self._set_ready(False)
        self._show.calm, self._show.failure = True, None
        try:
            off = self._make_safe(run)
            fault = struck.fault
            self._note_fault(run, type(fault).__name__, str(fault) or repr(fault))
            self._latch_for(run, struck, off)
        finally:
            self._show.calm = False

    def run(
        self, schedule: Schedule, request: Request, searching: Searching | None = None
    ) -> RunResult:
        """Run a schedule on one unit, ending safe.

        ``searching`` finds the pair behind a step that failed and has ``on_failure: locate``.

        A failing link or instrument, a trip, a cancel end as ``no_verdict`` with reason and
        remedy. Raises what `take_over` raises, RecordDamaged where nothing can be stored, and a
        fault of this program itself, but only after safe-off.
        """
        require_none(self.alarms)
        self.make_ready()
        run = RunState(self.rack, str(uuid.uuid4()), self._show, Phase.READY, Route())
        for name, seat in self.rack.testers.items():
            seat.bleed_s = schedule.bleed_s.get(name, seat.bleed_s)
        self._store(self._started(run, schedule, request))
        self._note_watched(run)
        self._show.calm, self._show.failure = False, None
        self._set_ready(False)  # no green lamp before safe-off has proved it again
        end = self._run_and_make_safe(run, schedule, searching)
        result = self._finish(run, schedule, request, end)
        self.engine.forget_cancel()
        self._show.calm = False
        if end.fault is not None and not isinstance(end.fault, Trip | OhmwardError):
            raise end.fault
        if self._show.failure is not None:
            raise self._show.failure
        return result

    def _started(self, run: RunState, schedule: Schedule, request: Request) -> Entry:
        found, self._found_closed = self._found_closed, frozenset()
        return entries.run_started(
            run.run_id,
            self._stamp(),
            schedule,
            serial=request.serial,
            operator=request.operator,
            attempt=request.attempt,
            instruments=self.instruments(),
            software_version=self._version,
            relay_state=found,
        )

    def _run_and_make_safe(
        self, run: RunState, schedule: Schedule, searching: Searching | None
    ) -> _End:
        fault: BaseException | None = None
        try:
            self.engine.drive(run_schedule(run, schedule, searching))
        except BaseException as error:  # noqa: BLE001 - reported or raised again after safe-off
            fault = error
        struck = Struck(fault, run.phase, begun=bool(run.begun))
        self._show.calm = True
        off = self._make_safe(run)  # before anything else: no telling, no storing comes first
        self._set_ready(off.opened and fault is None)
        if fault is not None:
            self._note_fault(run, type(fault).__name__, str(fault) or repr(fault))
        if not off.opened:
            self._note_fault(run, "safe-off incomplete", off.reason)
        return self._latch_for(run, struck, off)

    def _set_ready(self, ready: bool) -> None:
        self._ready = self.engine.ready = ready

    def _latch_for(self, run: RunState, struck: Struck, off: SafeOff) -> _End:
        end = _End(off, struck.fault, alarm_of(struck, off))
        if end.alarm is not None:
            self._latch(end.alarm, end.reason, end.remedy, run.run_id)
        return end

    def _latch(self, kind: AlarmKind, reason: str, remedy: str, run_id: str = "") -> None:
        """Record an alarm; the same one, still latched and with the same reason, once."""
        if any(alarm.kind is kind and alarm.reason == reason for alarm in self.alarms):
            return
        self._store(entries.alarm(run_id, self._stamp(), kind, reason, remedy))
        self._show(Notice("alarm", {"alarm": kind, "reason": reason, "remedy": remedy}))

    def _make_safe(self, run: RunState) -> SafeOff:
        with suppress(Exception):  # a block must not come between a fault and the stops
            self.engine.drop_enable()
        try:
            off: SafeOff = self.engine.drive(safe_off(run), heed_cancel=False)
        except BaseException as error:  # noqa: BLE001 - the last resort is still a stop
            failed = self.engine.stop_everything()
            sent = "; ".join(failed) or "stop commands were sent"
            return SafeOff(
                False,
                False,
                f"safe-off itself failed ({error!r}); {sent}",
                "keep away until the station has been proved off and discharged by a person",
            )
        return off

    def _note_watched(self, run: RunState) -> None:
        levels = self.rack.watched_levels()
        if levels:
            note(run, entries.event(run.run_id, self._stamp(), "watched inputs", levels))

    def _note_fault(self, run: RunState, what: str, reason: str) -> None:
        at = self._stamp()
        note(run, entries.event(run.run_id, at, what, {"reason": reason}))
        self._show(Notice("event", {"what": what, "reason": reason}))
        for port in self.rack.ports.values():
            lines = [(line.at_s, line.way, line.data) for line in port.traffic()]
            note(run, entries.traffic(run.run_id, at, port.name, lines))

    def _finish(self, run: RunState, schedule: Schedule, request: Request, end: _End) -> RunResult:
        self._close_steps(run, schedule, end.reason)
        outcome = outcome_of(run.results, whole=end.fault is None and end.off.opened)
        reason, remedy = end.reason, end.remedy
        if not reason and outcome is Outcome.NO_VERDICT:
            reason, remedy = _unproved(run.results)
        result = RunResult(
            run_id=run.run_id,
            serial=request.serial,
            outcome=outcome,
            steps=tuple(sorted(run.results, key=lambda r: r.index)),
            simulated=schedule.simulated,
            reason=reason,
            remedy=remedy,
            relays_kept=not end.off.opened,
            located=tuple(run.located),
        )
        self._note_watched(run)
        note(run, entries.relay_counts(run.run_id, self._stamp(), run.closings))
        self._store(entries.run_ended(run.run_id, self._stamp(), result))
        self._show(Notice("run_ended", {"result": result}))
        return result

    def _close_steps(self, run: RunState, schedule: Schedule, reason: str) -> None:
        """Steps without a result: begun ones have no verdict, the others were not run."""
        done = {result.index for result in (*run.results, *run.search_results)}
        for step in (*schedule.steps, *run.search_steps):
            if step.index not in done:
                outcome = Outcome.NO_VERDICT if step.index in run.begun else Outcome.NOT_RUN
                finish(run, unproved(step, outcome, reason))
        if run.unended_search is not None:
            tell_located(run, run.unended_search(reason))

    def _store(self, entry: Entry) -> None:
        """Append and wait; nothing is energised here."""
        ticket = self.rack.store.append(entry)
        while not ticket.done():
            self.rack.clock.sleep(STORED_LOOK_S)

    def _stamp(self) -> entries.Stamp:
        return entries.Stamp.now(self.rack.clock)

    def instruments(self) -> list[entries.InstrumentLine]:
        """Who answered at the last take-over."""
        lines = [
            entries.InstrumentLine(seat.name, seat.identity, seat.simulated)
            for seat in self.rack.testers.values()
            if seat.identity is not None
        ]
        for chain in self.rack.chains.values():
            lines.extend(
                entries.InstrumentLine(f"{chain.name}/{unit}", identity, chain.simulated)
                for unit, identity in chain.identities.items()
            )
        return lines


def _unproved(results: Iterable[StepResult]) -> tuple[str, str]:
    """Reason and remedy of a run that went to its end, but with a step whose proof is missing."""
    for result in results:
        if result.outcome is Outcome.NO_VERDICT:
            reason = f"step {result.name!r} has no verdict: {result.reason}"
            return reason, "mend what keeps it from being proved, then test the unit again"
    return "not every step was run", "mend what kept them from being run, then test the unit again"
