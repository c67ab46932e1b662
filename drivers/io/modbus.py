"""A remote I/O block behind a Modbus TCP coupler, served by one thread of its own.

Each period the thread writes all outputs (FC15), reads all inputs (FC02) and reads the outputs
back (FC01). A Modbus link is never a safety channel: what is read here is shown and supervised,
the hard-wired interlock and emergency stop do the protecting.

How long ``drop`` takes, from the call to the off at the coupler:

- The coupler answers: at most the exchange in flight and the write itself, a few milliseconds.
- It is slow: the exchange in flight is given up after ``wire.EXCHANGE_WITHIN_S`` (100 ms); then
  comes a new connection and the off as the first thing over it (up to ``CONNECT_WITHIN_S`` more).
- It can't be reached: never from here. Its own watchdog (``drops_after``) drops the outputs.
- During ``silence``: when that ends, or at ``close``. Only for commissioning, nothing energised.

After any failed exchange the connection is closed, made anew at once, then after growing pauses.
Over a new connection off is written first, and an output goes on again only by an order given
after that. On Windows waits are as coarse as the system's timer (about 16 ms).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from drivers.io.checks import check_input, check_output
from drivers.io.image import Image
from drivers.io.orders import Orders
from drivers.io.places import IoContact, IoOutput
from drivers.io.wire import Failed, Wire

if TYPE_CHECKING:
    from orchestrator.clock import Clock
    from orchestrator.contract import Sample
    from orchestrator.model.station import IoEntry, IoInput

CONNECT_WITHIN_S = 0.3
"""Longest time for connecting again."""
FIRST_CONNECT_WITHIN_S = 3.0
PAUSES_S = (0.0, 0.1, 0.2, 0.5, 1.0)
"""Before connecting again, by the number of failures in a row; the last one from then on."""
CLOSE_WITHIN_S = 2.0
LONGEST_SILENCE_S = 10.0


class ModbusBlock:
    """Satisfies the port ``IoBlock``. ``start`` it once, ``close`` it in the end.

    Attributes:
        proved_off: after ``close``: whether the coupler confirmed that every output is off.
        outputs_after_silence: the outputs as the coupler reported them after a ``silence``,
            before anything was written: off proves its watchdog. ``None`` where not known.
    """

    def __init__(self, entry: IoEntry, name: str, wire: Wire, clock: Clock) -> None:
        self.name = name
        self.real = not entry.simulated
        self.proved_off = False
        self.outputs_after_silence: tuple[bool, ...] | None = None
        self._entry = entry
        self._wire = wire
        self._clock = clock
        self._period_s = float(entry.period)
        self._wake = threading.Condition()  # its lock guards orders, image and the flags below
        self._orders = Orders(entry.outputs)
        self._image = Image(name, entry)
        self._urgent = self._closing = self._resuming = False
        self._silent_until_s = float("-inf")
        self._failures = 0
        self._after_round: Callable[[], None] = _nothing
        self._thread = threading.Thread(target=self._run, name=f"I/O block {name}", daemon=True)

    # ---- the port

    def input(self, name: str, source: IoInput, clock: Clock) -> IoContact:
        """One interlock input. Raises Refused where the block has no such input."""
        del clock  # samples carry the time of the read, taken here
        check_input(self._entry, self.name, name, source)
        with self._wake:
            self._image.watch(name, source)
        return IoContact(name, self, real=self.real)

    def output(self, name: str, number: int) -> IoOutput:
        """One output. Raises Refused where the block has no such output."""
        check_output(self._entry, self.name, name, number)
        return IoOutput(name, number, self, real=self.real)

    def bits(self) -> tuple[bool, ...] | None:
        with self._wake:
            return self._image.bits(self._clock.monotonic())

    def silence(self, seconds: float) -> None:
        """Send nothing for so long (10 s at most); a drop waits as well, ``close`` doesn't."""
        with self._wake:
            until_s = self._clock.monotonic() + min(max(seconds, 0.0), LONGEST_SILENCE_S)
            self._silent_until_s, self._resuming = until_s, True
            self.outputs_after_silence = None

    def close(self) -> None:
        with self._wake:
            self._closing = True
            self._wake.notify_all()
        if self._thread.is_alive():
            self._thread.join(CLOSE_WITHIN_S)
        elif not self._image.closed:  # never started
            self._farewell()

    # ---- what the inputs and outputs ask

    def sample(self, name: str) -> Sample:
        """The input as last read and judged."""
        with self._wake:
            return self._image.sample(name)

    def refresh(self, number: int, on: bool) -> None:
        """Order an output for the next 100 ms."""
        with self._wake:
            self._orders.refresh(number, on, self._clock.monotonic())

    def drop(self, number: int) -> None:
        """Off at once; wakes the thread."""
        with self._wake:
            self._orders.drop(number)
            self._urgent = True
            self._wake.notify_all()

    def seen(self, number: int) -> bool | None:
        """The output as the coupler reported it."""
        with self._wake:
            return self._image.seen(number, self._clock.monotonic())

    def problem(self, number: int, now_s: float) -> str | None:
        """Why it can't be relied on."""
        with self._wake:
            if not self._thread.is_alive() and not self._image.closed:
                return f"I/O block {self.name!r}: the thread that serves it has ended"
            return self._image.problem(number, now_s)

    # ---- the thread

    def start(self, after_round: Callable[[], None] | None = None) -> None:
        """First contact (connect, all off, first read), then the thread.

        Waits until the life sign is seen, but no longer than it may take; without it the inputs
        stay open. ``after_round`` is called after each good round, for measuring.

        Raises:
            Failed: the coupler isn't reached or answers otherwise; the connection is closed.
        """
        self._after_round = after_round or _nothing
        self._wire.connect(FIRST_CONNECT_WITHIN_S)
        self._all_off()
        self._round()
        self._thread.start()
        sign = self._entry.life_sign
        if sign is not None:
            with self._wake:  # notified after each round
                self._wake.wait_for(
                    lambda: self._image.alive or self._image.closed, float(sign.changes_within)
                )

    def _run(self) -> None:
        due_s = self._clock.monotonic() + self._period_s
        try:
            while self._wait(due_s):
                pause_s = self._turn()
                now_s = self._clock.monotonic()
                if pause_s is None:  # in step with the last turn, so that no delay adds up
                    due_s = min(max(due_s + self._period_s, now_s), now_s + self._period_s)
                else:
                    due_s = now_s + pause_s
        finally:
            self._farewell()

    def _wait(self, due_s: float) -> bool:
        """Wait in real time until the next turn, a drop or the end; False at the end."""
        with self._wake:
            while not self._closing:
                now_s = self._clock.monotonic()
                until_s = now_s if self._urgent else due_s
                if self._silent_until_s > now_s:
                    until_s = max(due_s, self._silent_until_s)
                if until_s <= now_s:
                    break
                self._wake.wait(until_s - now_s)
            self._urgent = False
            return not self._closing

    def _turn(self) -> float | None:
        """One round, over a new connection where needed; the pause after a failure (s)."""
        try:
            anew = not self._wire.is_open
            if anew:
                self._wire.connect(CONNECT_WITHIN_S)
            if self._resuming:
                self._look_after_silence()
                anew = True
            if anew:
                self._all_off()
            self._round()
        except Failed as error:
            return self._failed(error)
        self._failures = 0
        self._after_round()
        return None

    def _failed(self, error: Failed) -> float:
        with self._wake:
            now_s = self._clock.monotonic()
            self._image.failed(str(error), now_s)
            self._orders.forget(now_s)
        pause_s = PAUSES_S[min(self._failures, len(PAUSES_S) - 1)]
        self._failures += 1
        return pause_s

    def _round(self) -> None:
        entry = self._entry
        self._write()
        self._write_urgent()
        if self._is_silent():
            return
        at_s = self._clock.monotonic()  # before it is asked: the age is never understated
        bits = self._wire.read_inputs(entry.first_input, entry.inputs)
        with self._wake:
            self._image.took_inputs(bits, at_s)
        self._write_urgent()
        if self._is_silent():
            return
        at_s = self._clock.monotonic()
        bits = self._wire.read_outputs(entry.first_output, entry.outputs)
        with self._wake:
            self._image.took_outputs(bits, at_s)
            self._wake.notify_all()

    def _write(self) -> None:
        with self._wake:
            wanted, drops = self._orders.wanted(self._clock.monotonic())
            levels = self._image.with_life(wanted)
        self._wire.write_outputs(self._entry.first_output, levels)
        with self._wake:
            self._orders.confirmed(drops)
            self._image.written = levels

    def _write_urgent(self) -> None:
        """A drop that came during the last exchange goes ahead of the rest."""
        while self._take_urgent():
            self._write()

    def _take_urgent(self) -> bool:
        with self._wake:
            urgent, self._urgent = self._urgent and not self._silent(), False
            return urgent

    def _all_off(self) -> None:
        """Off to every output; orders given up to now count no more."""
        off = (False,) * self._entry.outputs
        with self._wake:
            _, drops = self._orders.wanted(self._clock.monotonic())
        self._wire.write_outputs(self._entry.first_output, off)
        with self._wake:
            self._orders.confirmed(drops)
            self._orders.forget(self._clock.monotonic())
            self._image.written = off

    def _look_after_silence(self) -> None:
        entry = self._entry
        bits = self._wire.read_outputs(entry.first_output, entry.outputs)
        with self._wake:
            self.outputs_after_silence, self._resuming = bits, False

    def _silent(self) -> bool:
        return self._silent_until_s > self._clock.monotonic()

    def _is_silent(self) -> bool:
        with self._wake:
            return self._silent()

    def _farewell(self) -> None:
        """Every output off, looked at, and the connection closed; twice if need be."""
        entry = self._entry
        for _ in range(2):
            try:
                if not self._wire.is_open:
                    self._wire.connect(CONNECT_WITHIN_S)
                self._wire.write_outputs(entry.first_output, (False,) * entry.outputs)
                seen = self._wire.read_outputs(entry.first_output, entry.outputs)
            except Failed as error:
                with self._wake:
                    self._image.failed(str(error), self._clock.monotonic())
                continue
            self.proved_off = not any(seen)
            break
        self._wire.close()
        with self._wake:
            self._image.closed = True
            self._wake.notify_all()


def _nothing() -> None:
    """Nobody measures."""
