"""Runs a conversation against a simulated instrument on a virtual clock, without an engine."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Protocol

from orchestrator.clock import VirtualClock
from orchestrator.contract import Receive, Reply, Send, Talk
from orchestrator.errors import LinkError, TimedOut
from orchestrator.running.framing import FrameReader


class Speaks(Protocol):
    """The link's side of an instrument: a simulator, or a `Fake`."""

    def feed(self, data: bytes) -> None: ...

    def take(self) -> bytes: ...

    def next_due(self) -> float | None: ...


Answers = Iterable[bytes | tuple[float, bytes]]


class Fake:
    """An instrument by rote: each message gets what `answers` returns, at once or after s."""

    def __init__(
        self, clock: VirtualClock, answers: Callable[[bytes], Answers], end: bytes = b"\n"
    ) -> None:
        self._clock, self._answers, self._end = clock, answers, end
        self._heard = b""
        self._due: list[tuple[float, bytes]] = []
        self.messages: list[bytes] = []

    def feed(self, data: bytes) -> None:
        self._heard += data
        while self._end in self._heard:
            message, _, self._heard = self._heard.partition(self._end)
            self.messages.append(message)
            for answer in self._answers(message):
                delay_s, told = answer if isinstance(answer, tuple) else (0.0, answer)
                self.say(told, delay_s)

    def say(self, data: bytes, after_s: float = 0.0) -> None:
        """Something unasked, after so many seconds."""
        self._due.append((self._clock.monotonic() + after_s, data))
        self._due.sort(key=lambda entry: entry[0])

    def take(self) -> bytes:
        now_s, due = self._clock.monotonic() + 1e-9, b""
        while self._due and self._due[0][0] <= now_s:
            due += self._due.pop(0)[1]
        return due

    def next_due(self) -> float | None:
        return self._due[0][0] if self._due else None


class Pump:
    """The engine's part: link, deadline, clock. ``sent`` keeps what went out."""

    def __init__(self, instrument: Speaks, clock: VirtualClock) -> None:
        self.instrument = instrument
        self.clock = clock
        self.reader = FrameReader()
        self.sent: list[bytes] = []

    def send(self, data: bytes) -> None:
        self.sent.append(data)
        self.instrument.feed(data)

    def run(self, talk: Talk[Any]) -> Any:
        answer: Reply | None = None
        error: LinkError | None = None
        while True:
            try:
                wanted = talk.send(answer) if error is None else talk.throw(error)
            except StopIteration as stop:
                return stop.value
            answer = error = None
            if isinstance(wanted, Send):
                self.send(wanted.data)
            elif isinstance(wanted, Receive):
                try:
                    answer = self._receive(wanted)
                except LinkError as caught:
                    error = caught
            else:
                self.clock.sleep(wanted.seconds)

    def _receive(self, wanted: Receive) -> Reply | None:
        until_s = self.clock.monotonic() + wanted.within_s
        while True:
            self.reader.feed(self.instrument.take())
            reply = self.reader.take(wanted.frame)
            if reply is not None:
                return reply
            left_s = until_s - self.clock.monotonic()
            if left_s <= 1e-9:
                break
            due = self.instrument.next_due()
            ahead_s = left_s if due is None else min(left_s, max(due - self.clock.monotonic(), 0))
            self.clock.sleep(max(ahead_s, 1e-6))
        if wanted.silence_ok and not self.reader.pending:
            return None
        raise TimedOut("no whole answer", received=self.reader.pending)

    def drain(self, seconds: float = 0.05) -> bytes:
        self.clock.sleep(seconds)
        self.reader.feed(self.instrument.take())
        return self.reader.drain()
