"""A simulated I/O block: inputs, outputs, a watchdog, and a log of every output's change.

The outputs exist twice: as the coupler's image, which is what it reports, and at the terminals
behind the backplane, which is what the rack gets and what the log holds. With a frozen backplane
the coupler goes on answering and its image follows, but the terminals and the inputs stand still.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.clock import Clock

Bits = tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class OutputChange:
    """A terminal changed. ``cause``: 'written', 'watchdog' or 'power'."""

    at_s: float
    output: int
    on: bool
    cause: str


class SimulatedIo:
    """One block. Safe for several threads.

    Args:
        clock: a `VirtualClock` carries the watchdog along as it advances; with the computer's
            clock somebody must look now and then (the server does).
        drops_after_s: without a write for so long every output drops.
        levels: input → what gives its level, the bench's guard for one.
        wires: input → output whose terminal is wired to it.

    Attributes:
        mute: carries out what it hears, answers nothing (in the same process; see io_serve else).
        deaf: doesn't even hear.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        inputs: int = 8,
        outputs: int = 8,
        drops_after_s: float = 0.2,
        levels: Mapping[int, Callable[[], bool]] | None = None,
        wires: Mapping[int, int] | None = None,
    ) -> None:
        self.mute = self.deaf = False
        self.drops_after_s = drops_after_s
        self._clock = clock
        self._lock = threading.RLock()  # never held while a level or a listener is asked
        self._set = [False] * inputs
        self._levels = dict(levels or {})
        self._wires = dict(wires or {})
        self._image = [False] * outputs
        self._terminals = [False] * outputs
        self._written_s = clock.monotonic()
        self._frozen: Bits | None = None
        self._log: list[OutputChange] = []
        self._listeners: list[Callable[[int, bool], None]] = []
        follow = getattr(clock, "on_advance", None)
        if follow is not None:
            follow(lambda _: self.catch_up())

    # ---- the coupler's side

    def exchange(self, outputs: Bits) -> tuple[Bits, Bits] | None:
        """Write all, read all; ``None`` where nothing is answered."""
        if self.deaf:
            return None
        self.write_outputs(0, outputs)
        return None if self.mute else (self.read_inputs(), self.read_outputs())

    def write_outputs(self, first: int, levels: Bits) -> None:
        """Write coils from ``first`` on; feeds the watchdog.

        Raises:
            IndexError: there are no such outputs.
        """
        with self._lock:
            if first + len(levels) > len(self._image):
                raise IndexError(f"{len(self._image)} outputs, not {first + len(levels)}")
            changes = self._drop_if_due()
            now_s = self._clock.monotonic()
            self._written_s = now_s
            self._image[first : first + len(levels)] = levels
            changes += self._to_terminals(now_s, "written")
        self._tell(changes)

    def read_inputs(self) -> Bits:
        """All discrete inputs."""
        self.catch_up()
        given = {number: level() for number, level in self._levels.items()}
        with self._lock:
            if self._frozen is not None:
                return self._frozen
            bits = list(self._set)
            for number, level in given.items():
                bits[number] = level
            for number, output in self._wires.items():
                bits[number] = self._terminals[output]
            return tuple(bits)

    def read_outputs(self) -> Bits:
        """All coils as the coupler reports them."""
        self.catch_up()
        with self._lock:
            return tuple(self._image)

    # ---- the rack's side

    @property
    def terminals(self) -> Bits:
        """The outputs as the rack gets them."""
        self.catch_up()
        with self._lock:
            return tuple(self._terminals)

    @property
    def log(self) -> tuple[OutputChange, ...]:
        """Every change of a terminal so far, in order."""
        self.catch_up()
        with self._lock:
            return tuple(self._log)

    def set_input(self, number: int, level: bool) -> None:
        """Give an input a level (inputs without a level or a wire of their own)."""
        with self._lock:
            self._set[number] = level

    def on_output(self, listener: Callable[[int, bool], None]) -> None:
        """Have somebody told (number, level) when a terminal changes."""
        self._listeners.append(listener)

    def freeze(self, frozen: bool) -> None:
        """Stop or free the backplane."""
        held = self.read_inputs() if frozen else None
        with self._lock:
            self._frozen = held
            changes = self._to_terminals(self._clock.monotonic(), "written")
        self._tell(changes)

    def power_cycle(self) -> None:
        """Every output drops, and the image is empty."""
        with self._lock:
            self._image = [False] * len(self._image)
            self._frozen = None
            changes = self._to_terminals(self._clock.monotonic(), "power")
        self._tell(changes)

    def catch_up(self) -> None:
        """Let the watchdog act, if its time has come."""
        with self._lock:
            changes = self._drop_if_due()
        self._tell(changes)

    # ---- within

    def _drop_if_due(self) -> list[OutputChange]:
        due_s = self._written_s + self.drops_after_s
        if not any(self._image) or self._clock.monotonic() < due_s:
            return []
        self._image = [False] * len(self._image)
        return self._to_terminals(due_s, "watchdog")

    def _to_terminals(self, at_s: float, cause: str) -> list[OutputChange]:
        if self._frozen is not None:
            return []
        changes = [
            OutputChange(at_s, number, level, cause)
            for number, level in enumerate(self._image)
            if level != self._terminals[number]
        ]
        self._terminals = list(self._image)
        self._log += changes
        return changes

    def _tell(self, changes: list[OutputChange]) -> None:
        for change in changes:
            for listener in self._listeners:
                listener(change.output, change.on)
