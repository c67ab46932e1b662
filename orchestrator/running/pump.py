"""Carries one conversation over one port, sampling inputs between slices of every wait.

Cuts no corner on a stop: whoever scans may raise out of any wait, the link then counts as dirty.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from orchestrator.clock import Clock
from orchestrator.contract import Receive, RelayMatrix, Reply, SafetyTester, Send, Talk
from orchestrator.errors import InstrumentFault, LinkError, LinkLost, OhmwardError, TimedOut
from orchestrator.running.ports import Port

SLICE_S = 0.01
QUIET_S = 0.05
REOPEN_PAUSES_S = (0.1, 0.5)


class Pump:
    """Runs conversations. ``scan`` is called at least every SLICE_S; it may raise."""

    def __init__(self, clock: Clock, scan: Callable[[], None]) -> None:
        self._clock = clock
        self._scan = scan

    def converse(self, port: Port, owner: SafetyTester | RelayMatrix, talk: Talk[Any]) -> Any:
        """Run a conversation to its end; a dirty link is resynchronised first.

        Raises what the conversation raises, LinkError, and whatever ``scan`` raises.
        """
        if port.dirty:
            try:
                self.resynchronise(port, owner)
            except BaseException:
                talk.close()
                raise
        return self._run(port, talk)

    def resynchronise(self, port: Port, owner: SafetyTester | RelayMatrix) -> None:
        """Drain through the owner's event rules, prove the link in step; reopen if it isn't.

        Raises LinkLost when even a reopened link doesn't answer.
        """
        last: OhmwardError | None = None
        for pause_s in (0.0, *REOPEN_PAUSES_S):
            try:
                if pause_s:
                    self.pause(pause_s)
                    port.reopen()
                self._drain(port, owner)
                self._run(port, owner.resync())
            except OhmwardError as error:
                last = error
                continue
            port.dirty = False
            return
        raise LinkLost(f"{port.name}: no answer after draining and reopening ({last})") from last

    def pause(self, seconds: float) -> None:
        """Let time pass in slices."""
        until_s = self._clock.monotonic() + seconds
        while True:
            self._scan()
            left_s = until_s - self._clock.monotonic()
            if left_s <= 0:
                return
            self._clock.sleep(min(left_s, SLICE_S))

    def _drain(self, port: Port, owner: SafetyTester | RelayMatrix) -> None:
        until_s = self._clock.monotonic() + QUIET_S
        while self._clock.monotonic() < until_s:
            self._scan()
            port.listen(min(SLICE_S, QUIET_S))
        owner.absorb(port.drain())

    def _run(self, port: Port, talk: Talk[Any]) -> Any:
        answer: Reply | None = None
        error: LinkError | None = None
        try:
            while True:
                wanted = talk.send(answer) if error is None else talk.throw(error)
                answer = error = None
                try:
                    if isinstance(wanted, Send):
                        port.send(wanted.data)
                    elif isinstance(wanted, Receive):
                        answer = self._receive(port, wanted)
                    else:
                        self.pause(wanted.seconds)
                except LinkError as caught:
                    port.dirty = True
                    error = caught
        except StopIteration as stop:
            return stop.value
        except InstrumentFault:
            raise  # it answered, whole: the link is in step
        except BaseException:
            port.dirty = True
            talk.close()
            raise

    def _receive(self, port: Port, wanted: Receive) -> Reply | None:
        until_s = self._clock.monotonic() + wanted.within_s
        while True:
            reply = port.take(wanted.frame)
            if reply is not None:
                return reply
            self._scan()
            left_s = until_s - self._clock.monotonic()
            if left_s <= 0:
                break
            port.listen(min(left_s, SLICE_S))
        if wanted.silence_ok and not port.pending:
            return None
        received = port.pending
        arrived = f"only {received!r} arrived" if received else "nothing arrived"
        raise TimedOut(
            f"{port.name}: no whole answer within {wanted.within_s:.3g} s, {arrived}",
            received=received,
        )
