"""Holds an adapter's conversations over a link that a rule may spoil, and watches their manners."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar

from orchestrator.clock import Clock
from orchestrator.conformance.demands import Broken, demand
from orchestrator.contract import (
    Link,
    Pause,
    Receive,
    RelayMatrix,
    Reply,
    SafetyTester,
    Send,
    Talk,
)
from orchestrator.errors import InstrumentFault, LinkError, LinkLost
from orchestrator.running.ports import Port
from orchestrator.running.pump import Pump

T = TypeVar("T")

MOST_TURNS = 20_000
LONGEST_S = 180.0
"""The rule is that there is a bound; a chain of many units that all stay mute comes near it."""
LONGEST_WAIT_S = 60.0


class Tap:
    """A link in whose way something may stand. Satisfies the port ``Link``.

    Attributes:
        sent: every message as the adapter sent it.
        deaf: nothing reaches the instrument. mute: nothing comes back. lost: the link is gone.
        on_send, on_receive: change what passes.
    """

    def __init__(self, link: Link, clock: Clock) -> None:
        self.name = link.name
        self.sent: list[bytes] = []
        self.on_send: Callable[[bytes], bytes] | None = None
        self.on_receive: Callable[[bytes], bytes] | None = None
        self.deaf = self.mute = self.lost = False
        self._link = link
        self._clock = clock

    def send(self, data: bytes) -> None:
        if self.lost:
            raise LinkLost(f"{self.name}: the connection is gone")
        self.sent.append(data)
        if self.on_send is not None:
            data = self.on_send(data)
        if data and not self.deaf:
            self._link.send(data)

    def receive(self, within_s: float) -> bytes:
        if self.lost:
            raise LinkLost(f"{self.name}: the connection is gone")
        until_s = self._clock.monotonic() + within_s
        data = self._link.receive(within_s)
        if data and self.mute:
            self._clock.sleep(until_s - self._clock.monotonic())
            return b""
        if data and self.on_receive is not None:
            return self.on_receive(data)
        return data

    def reopen(self) -> None:
        if self.lost:
            raise LinkLost(f"{self.name}: the connection is gone")
        self._link.reopen()

    def close(self) -> None:
        self._link.close()

    def restore(self) -> None:
        """All well again."""
        self.deaf = self.mute = self.lost = False
        self.on_send = self.on_receive = None


class Talker:
    """Holds conversations of one adapter as the engine does, and demands manners of them."""

    def __init__(self, owner: SafetyTester | RelayMatrix, link: Link, clock: Clock) -> None:
        self.tap = Tap(link, clock)
        self.clock = clock
        self._owner = owner
        self._port = Port(self.tap, clock)
        self._pump = Pump(clock, lambda: None)

    def hold(self, talk: Talk[T], also: tuple[type[Exception], ...] = ()) -> T:
        """Hold a conversation to its end.

        Raises LinkError, InstrumentFault, what ``also`` allows, and Broken for anything else.
        """
        began_s = self.clock.monotonic()
        allowed: tuple[type[Exception], ...] = (LinkError, InstrumentFault, Broken, *also)
        try:
            result: T = self._pump.converse(self._port, self._owner, _mannerly(talk))
        except allowed:
            raise
        except Exception as error:
            raise Broken(
                "a conversation raises a LinkError or an InstrumentFault and nothing else; "
                f"found {type(error).__name__}: {error}"
            ) from error
        finally:
            took_s = self.clock.monotonic() - began_s
        demand(took_s <= LONGEST_S, "a conversation ends within a bounded time", took_s)
        return result

    def outcome(self, talk: Talk[T]) -> T | LinkError | InstrumentFault:
        """What it returned, or the error it ended with."""
        try:
            return self.hold(talk)
        except (LinkError, InstrumentFault) as error:
            return error

    def spoilt(
        self, spoil: Callable[[Tap], None], talk: Talk[T]
    ) -> T | LinkError | InstrumentFault:
        """The outcome with something in the link's way; afterwards all is well and in step."""
        spoil(self.tap)
        try:
            return self.outcome(talk)
        finally:
            self.tap.restore()
            self.back_in_step()

    def stop(self) -> None:
        """Send a tester's stop bytes as the engine does: nobody waits, late bytes are absorbed."""
        owner = self._owner
        for data in getattr(owner, "stop_bytes", ()):
            self._port.send(data)
        getattr(owner, "stopped", lambda: None)()
        self._port.dirty = True

    def drain(self, for_s: float) -> bytes:
        """What comes unasked in so many seconds."""
        until_s = self.clock.monotonic() + for_s
        while (left_s := until_s - self.clock.monotonic()) > 0:
            self._port.listen(min(left_s, 0.01))
        return self._port.drain()

    def back_in_step(self) -> None:
        """Drain and resynchronise, as after a time-out. Raises LinkLost."""
        self._pump.resynchronise(self._port, self._owner)


def mute(tap: Tap) -> None:
    """Nothing comes back."""
    tap.mute = True


def lose(tap: Tap) -> None:
    """The connection goes."""
    tap.lost = True


def garble(tap: Tap) -> None:
    """Every byte comes back changed."""
    tap.on_receive = lambda data: bytes(byte ^ 0x55 for byte in data)


def replace_by(garbage: bytes) -> Callable[[Tap], None]:
    """This comes in place of every piece of an answer."""

    def spoil(tap: Tap) -> None:
        tap.on_receive = lambda _: garbage

    return spoil


def precede_by(garbage: bytes) -> Callable[[Tap], None]:
    """This comes before every piece of an answer."""

    def spoil(tap: Tap) -> None:
        tap.on_receive = lambda data: garbage + data

    return spoil


SPOILINGS = {"silence": mute, "a garbled answer": garble}
"""Ways in which answers may get lost, by name."""


def _mannerly(talk: Talk[T]) -> Talk[T]:
    """The same conversation; raises Broken where it asks for what no engine can give."""
    answer: Reply | None = None
    error: BaseException | None = None
    for _ in range(MOST_TURNS):
        try:
            wanted = talk.send(answer) if error is None else talk.throw(error)
        except StopIteration as stop:
            result: T = stop.value
            return result
        answer = error = None
        _check(wanted)
        try:
            answer = yield wanted
        except LinkError as caught:
            error = caught
        except GeneratorExit:
            talk.close()
            raise
    talk.close()
    raise Broken(f"a conversation ends within {MOST_TURNS} turns")


def _check(wanted: object) -> None:
    if isinstance(wanted, Send):
        demand(bool(wanted.data), "Send carries at least one byte", wanted)
    elif isinstance(wanted, Receive):
        demand(
            math.isfinite(wanted.within_s) and 0 < wanted.within_s <= LONGEST_WAIT_S,
            f"Receive waits for a positive time of at most {LONGEST_WAIT_S:g} s",
            wanted,
        )
    elif isinstance(wanted, Pause):
        demand(
            math.isfinite(wanted.seconds) and 0 <= wanted.seconds <= LONGEST_WAIT_S,
            f"Pause takes from 0 to {LONGEST_WAIT_S:g} s",
            wanted,
        )
    else:
        raise Broken(f"a conversation yields Send, Receive or Pause; found {wanted!r}")
