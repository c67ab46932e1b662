"""The I/O block of the simulated bench: no thread, no network, in the bench's own time.

A turn (write, read, read back) is made when the scan calls and a period has passed. If the scan
stops calling, nothing refreshes the device any more and its own watchdog drops the outputs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from drivers.io.checks import check_input, check_output
from drivers.io.image import Image
from drivers.io.modbus import LONGEST_SILENCE_S
from drivers.io.orders import Orders
from drivers.io.places import IoContact, IoOutput

if TYPE_CHECKING:
    from orchestrator.clock import Clock
    from orchestrator.contract import Sample
    from orchestrator.model.station import IoEntry, IoInput

Bits = tuple[bool, ...]
GRAIN_S = 1e-9
"""Sums of periods in binary miss each other by less."""
FIRST_TURNS = 4
"""Enough to see the life sign change both ways: turn, see, turn back, see."""


class Device(Protocol):
    """The simulated device, as a coupler shows it. ``None``: no answer."""

    def exchange(self, outputs: Bits) -> tuple[Bits, Bits] | None:
        """Write all outputs; all inputs and outputs as they read then."""
        ...

    def read_outputs(self) -> Bits:
        """The outputs as they read now."""
        ...


class SimulatedBlock:
    """Satisfies the port ``IoBlock``; ``proved_off`` and ``outputs_after_silence``: see modbus."""

    real = False

    def __init__(self, entry: IoEntry, name: str, device: Device, clock: Clock) -> None:
        self.name = name
        self.proved_off = False
        self.outputs_after_silence: Bits | None = None
        self._entry = entry
        self._device = device
        self._clock = clock
        self._period_s = float(entry.period)
        self._orders = Orders(entry.outputs)
        self._image = Image(name, entry)
        self._off_first = True
        self._resuming = False
        self._silent_until_s = self._due_s = float("-inf")
        for _ in range(FIRST_TURNS):
            self._turn()

    # ---- the port

    def input(self, name: str, source: IoInput, clock: Clock) -> IoContact:
        """One interlock input. Raises Refused where the block has no such input."""
        del clock
        check_input(self._entry, self.name, name, source)
        self._image.watch(name, source)
        return IoContact(name, self, real=False)

    def output(self, name: str, number: int) -> IoOutput:
        """One output. Raises Refused where the block has no such output."""
        check_output(self._entry, self.name, name, number)
        return IoOutput(name, number, self, real=False)

    def bits(self) -> Bits | None:
        self._turn_if_due()
        return self._image.bits(self._clock.monotonic())

    def silence(self, seconds: float) -> None:
        until_s = self._clock.monotonic() + min(max(seconds, 0.0), LONGEST_SILENCE_S)
        self._silent_until_s, self._resuming = until_s, True
        self.outputs_after_silence = None

    def close(self) -> None:
        if self._image.closed:
            return
        answer = self._device.exchange((False,) * self._entry.outputs)
        self.proved_off = answer is not None and not any(answer[1])
        self._image.closed = True

    # ---- what the inputs and outputs ask

    def sample(self, name: str) -> Sample:
        """The input as last read and judged."""
        self._turn_if_due()
        return self._image.sample(name)

    def refresh(self, number: int, on: bool) -> None:
        """Order an output for the next 100 ms."""
        self._orders.refresh(number, on, self._clock.monotonic())
        self._turn_if_due()

    def drop(self, number: int) -> None:
        """Off at once."""
        self._orders.drop(number)
        if not self._image.closed and not self._silent():
            self._turn()

    def seen(self, number: int) -> bool | None:
        """The output as the device reported it."""
        return self._image.seen(number, self._clock.monotonic())

    def problem(self, number: int, now_s: float) -> str | None:
        """Why it can't be relied on."""
        return self._image.problem(number, now_s)

    # ---- a turn

    def _silent(self) -> bool:
        return self._silent_until_s > self._clock.monotonic()

    def _turn_if_due(self) -> None:
        if self._image.closed or self._silent():
            return
        if self._clock.monotonic() >= self._due_s - GRAIN_S:
            self._turn()

    def _turn(self) -> None:
        now_s = self._clock.monotonic()
        self._due_s = now_s + self._period_s
        if self._resuming:
            self.outputs_after_silence = self._device.read_outputs()
            self._resuming, self._off_first = False, True
        wanted, drops = self._orders.wanted(now_s)
        if self._off_first:
            levels = (False,) * len(wanted)
        else:
            levels = self._image.with_life(wanted)
        answer = self._device.exchange(levels)
        if answer is None:
            self._image.failed("no reply", now_s)
            self._off_first = True
            return
        if self._off_first:
            self._orders.forget(now_s)
        self._off_first = False
        self._orders.confirmed(drops)
        self._image.written = levels
        inputs, outputs = answer
        self._image.took_inputs(inputs, now_s)
        self._image.took_outputs(outputs, now_s)
