"""The scan loop: one thread owns the instruments, samples inputs and advances the sequence.

One place sends stop bytes: `Engine._stop`. On a trip it is called from the scan, before anything
else, so that a read in flight or a mute tester can't delay it.
"""

from __future__ import annotations

from typing import Any

from orchestrator.contract import InputBlock, Sample
from orchestrator.errors import InstrumentFault, LinkError, LinkLost
from orchestrator.model.alarms import AlarmKind
from orchestrator.running.commands import (
    Command,
    Converse,
    Enable,
    Sequence,
    Stop,
    Stored,
    Wait,
)
from orchestrator.running.interlock import RunCancelled, Trip
from orchestrator.running.pump import Pump
from orchestrator.running.rack import Rack, TesterSeat

SCAN_S = 0.01
STORED_LOOK_S = 0.0005
KEEP_ALIVE_LOOK_S = 0.5


class Engine:
    """Drives sequences on a rack. Not thread-safe, but for `cancel`."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._pump = Pump(rack.clock, self._scan)
        self._watched: TesterSeat | None = None
        self._next_scan_s = 0.0
        self._cancel: str | None = None
        self._heeds_cancel = True
        self._enabled = False
        self.ready = False
        """Proved off, discharged and open: what the green lamp shows."""
        self.stop_sent_s: float | None = None
        """When the stop bytes of the last trip went out (monotonic s)."""

    def cancel(self, reason: str) -> None:
        """End the run safely, as soon as the next scan. May be called by a signal handler."""
        self._cancel = reason

    def forget_cancel(self) -> None:
        """What was to be cancelled has ended; the next run isn't meant."""
        self._cancel = None

    def drive(self, sequence: Sequence, *, heed_cancel: bool = True) -> Any:
        """Run a sequence to its end and return its result. Raises what it raises."""
        self._heeds_cancel = heed_cancel
        self._watched = None  # a sequence begins by itself to watch; safe-off stops everything
        answer: Any = None
        error: BaseException | None = None
        try:
            while True:
                command = sequence.send(answer) if error is None else sequence.throw(error)
                answer = error = None
                try:
                    answer = self._do(command)
                except Exception as caught:  # noqa: BLE001 - thrown into the sequence, not lost
                    error = caught
        except StopIteration as stop:
            return stop.value

    def _do(self, command: Command) -> Any:
        if isinstance(command, Stop):
            return self._ordered_stop(command)  # before anything else, a keep-alive too
        self._keep_alive()
        if isinstance(command, Converse):
            port, owner = self._rack.ports[command.port], self._rack.owners[command.port]
            return self._pump.converse(port, owner, command.talk)
        if isinstance(command, Wait):
            return self._wait(command.seconds)
        if isinstance(command, Enable):
            return self._enable(command.on)
        if isinstance(command, Stored):
            while not command.ticket.done():
                self._pump.pause(STORED_LOOK_S)
                self._keep_alive()
            return None
        return self._watch(command.tester)

    def _watch(self, tester: str | None) -> None:
        self._watched = None if tester is None else self._rack.testers[tester]
        self._next_scan_s = 0.0
        self._scan()

    def _wait(self, seconds: float) -> None:
        until_s = self._rack.clock.monotonic() + seconds
        while True:
            left_s = until_s - self._rack.clock.monotonic()
            self._pump.pause(max(min(left_s, KEEP_ALIVE_LOOK_S), 0.0))
            if left_s <= KEEP_ALIVE_LOOK_S:
                return
            self._keep_alive()

    def _scan(self) -> None:
        """Sample inputs when due. Raises Trip, after the stop bytes went out."""
        now_s = self._rack.clock.monotonic()
        if now_s < self._next_scan_s:
            return
        self._next_scan_s = now_s + SCAN_S
        for block in self._rack.inputs:
            self._rack.interlock.note(block.name, _sampled(block, now_s))
        trip = self._reason_to_stop()
        if trip is None:
            self._refresh_outputs()
            return
        self.drop_enable()
        watched, self._watched = self._watched, None
        if watched is not None:
            trip = self._stop_on(trip, watched)
        raise trip

    def drop_enable(self) -> None:
        """Take the enable away at once; the block sends it ahead of anything else."""
        self._enabled = False
        if self._rack.enable is not None:
            self._rack.enable.drop()

    def _enable(self, on: bool) -> None:
        if not on:
            self.drop_enable()
            return
        self._enabled = self._rack.enable is not None
        self._next_scan_s = 0.0
        self._scan()

    def _refresh_outputs(self) -> None:
        if self._rack.enable is not None:
            self._rack.enable.refresh(self._enabled)
        if self._rack.green_lamp is not None:
            self._rack.green_lamp.refresh(self.ready and not self._enabled)

    def _stop_on(self, trip: Trip, seat: TesterSeat) -> Trip:
        """Stop at once; a stop that can't be sent must not take the trip's place.

        Whoever waits for an answer may put up with a failing link, never with a trip; safe-off,
        which the trip leads to, sends the stop again.
        """
        try:
            self._stop(seat)
        except Exception as error:  # noqa: BLE001 - told with the trip, which is raised
            told = f"stop for tester {seat.name!r} not delivered at once: {error}"
            return type(trip)(f"{trip.reason}; {told}", trip.remedy)
        return trip

    def _reason_to_stop(self) -> Trip | None:
        if self._heeds_cancel and self._cancel is not None:
            reason, self._cancel = self._cancel, None
            return RunCancelled(reason, "nothing to mend: start a new run when you are ready")
        if self._watched is None and not self._enabled:
            return None
        now_s = self._rack.clock.monotonic()
        # Between steps nobody asks a tester: only what every scan samples can be judged then.
        only = None if self._watched is not None else self._rack.scanned
        problem = self._rack.interlock.problem(now_s, only)
        if problem:
            stop = self._rack.interlock.open_stops(now_s, self._rack.telling) == problem
            return Trip(problem, alarm=AlarmKind.EMERGENCY_STOP if stop else None)
        unsure = self._rack.enable.problem(now_s) if self._enabled and self._rack.enable else None
        if unsure:
            remedy = "check the I/O block and its cable, reset the alarm, run again"
            return Trip(f"enable output: {unsure}", remedy, AlarmKind.ENABLE_UNSURE)
        return None

    def _stop(self, seat: TesterSeat) -> None:
        """The one place that sends stop bytes; at once, before any resynchronising."""
        port = self._rack.ports[seat.port]
        # What it brings back would answer the next question. One that brings nothing leaves a
        # link that has proved in step as it is; a read cut off by a trip is dirty by itself.
        if not (seat.armed and seat.adapter.abilities.silent_stop):
            port.dirty = True
        seat.adapter.stopped()
        try:
            for data in seat.adapter.stop_bytes:
                port.send(data)
        except LinkError:
            port.dirty = True
            raise
        finally:
            seat.stopped_at_s = self.stop_sent_s = self._rack.clock.monotonic()

    def _ordered_stop(self, command: Stop) -> None:
        """A stop that the sequence orders; a lost link is reopened for it. Raises LinkLost."""
        seat = self._rack.testers[command.tester]
        try:
            self._stop(seat)
        except LinkError:
            port = self._rack.ports[seat.port]
            try:
                port.reopen()
                self._stop(seat)
            except LinkError as error:
                raise LinkLost(f"{port.name}: the stop command can't be sent ({error})") from error

    def stop_everything(self) -> tuple[str, ...]:
        """Last resort: stop bytes to every tester, whatever each link answers.

        Returns what kept a stop from being sent; the others are sent all the same.
        """
        self._watched = None
        failed = []
        for seat in self._rack.testers.values():
            try:
                self._stop(seat)
            except Exception as error:  # noqa: BLE001 - told; the others still have to be stopped
                failed.append(f"stop for tester {seat.name!r} not delivered: {error}")
        return tuple(failed)

    def _keep_alive(self) -> None:
        """Send what keeps a tester's remote mode from lapsing, where it fell due.

        One that fails is no reason to leave what is going on (a stop, above all): the tester's
        state tells of a lapse in a step, and the next set-up begins with remote mode again.
        """
        now_s = self._rack.clock.monotonic()
        for seat in self._rack.testers.values():
            every = seat.adapter.abilities.keep_alive_s
            port = self._rack.ports[seat.port]
            if every is None or not seat.armed or port.dirty:
                continue
            if now_s - port.used_at_s >= float(every):
                try:
                    self._pump.converse(port, seat.adapter, seat.adapter.keep_alive())
                except (LinkError, InstrumentFault):
                    seat.armed = False


def _sampled(block: InputBlock, now_s: float) -> Sample:
    """An input's sample; one that fails reads as open."""
    try:
        return block.sample()
    except Exception as error:  # noqa: BLE001 - somebody's input; what can't be read is open
        return Sample(False, now_s, f"can't be read: {error!r}", answered=False)
