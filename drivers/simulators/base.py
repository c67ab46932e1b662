"""What every simulated instrument has: bytes in, bytes out when they are due, power, faults."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from drivers.simulators.faults import FaultPlan

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench


class Instrument(ABC):
    """One simulated instrument. Time comes from the bench's clock alone.

    All public methods may be called from any thread; the bench's lock orders them.

    Attributes:
        name: its name on the bench.
        faults: what is to go wrong on its link.
        link_up: False once the fault plan dropped the link; `link_restored` brings it back.
    """

    boot_s: float = 0.0
    """How long it stays deaf after power came on (not at the bench's start)."""
    end: bytes = b"\n"
    """The byte that ends each of its messages."""
    newcomer_wins: bool = False
    """Over TCP: whether a second client takes over or is turned away."""

    def __init__(self, bench: Bench, name: str) -> None:
        self.bench = bench
        self.name = name
        self.faults = FaultPlan()
        self.link_up = True
        self._outbox: deque[tuple[float, bytes]] = deque()
        self._caught: list[tuple[float, bytes]] | None = None
        self._ready_s = bench.now_s

    # ---- the link's side

    def feed(self, data: bytes) -> None:
        """Bytes from the controller, in any chunks."""
        with self.bench.lock:
            self.bench.catch_up()
            if self.link_up and self.bench.now_s >= self._ready_s:
                self._received(data)

    def take(self) -> bytes:
        """Bytes to the controller that are due by now."""
        with self.bench.lock:
            self.bench.catch_up()
            now_s, due = self.bench.now_s, bytearray()
            # Picoseconds of grace: a clock advanced by (due - now) may land a rounding short.
            while self._outbox and self._outbox[0][0] <= now_s + 1e-9:
                due += self._outbox.popleft()[1]
            return bytes(due)

    def next_due(self) -> float | None:
        """When the next byte is due (monotonic, s); None when nothing is on its way."""
        with self.bench.lock:
            self.bench.catch_up()
            return self._outbox[0][0] if self._outbox else None

    def link_lost(self) -> None:
        """The controller went away."""
        with self.bench.lock:
            self.bench.catch_up()
            self._outbox.clear()
            self._controller_gone()

    def link_restored(self) -> None:
        """The controller is there again."""
        with self.bench.lock:
            self.bench.catch_up()
            self.link_up = not self.faults.unplugged

    def power_cycle(self) -> None:
        """Power off and on again at once."""
        with self.bench.lock:
            self.bench.catch_up()
            self._outbox.clear()
            self._ready_s = self.bench.now_s + self.boot_s
            self._powered_up()

    # ---- the instrument's side

    def emit(self, data: bytes, after_s: float) -> None:
        """Send bytes so many seconds from now (never before what was sent earlier)."""
        if self._caught is not None:
            self._caught.append((after_s, data))
        else:
            self._post(data, after_s)

    def answer(self, message: bytes, work: Callable[[], None]) -> None:
        """Work off one whole message; what `work` emits passes through the fault plan."""
        if not self.faults.before(message) or self.bench.now_s < self._ready_s:
            return
        self._caught = []
        try:
            work()
            answers = tuple(self._caught)
        finally:
            self._caught = None
        drops = self.faults.drops_link(message)
        for after_s, data in self.faults.after(message, answers):
            self._post(data, after_s)
        if drops:
            self.link_up = False
            self._outbox.clear()
            self._controller_gone()

    def _post(self, data: bytes, after_s: float) -> None:
        due_s = self.bench.now_s + after_s
        if self._outbox:
            due_s = max(due_s, self._outbox[-1][0])
        self._outbox.append((due_s, data))

    @abstractmethod
    def _received(self, data: bytes) -> None:
        """Bytes came in."""

    @abstractmethod
    def _powered_up(self) -> None:
        """Power came back: forget what isn't kept."""

    def _controller_gone(self) -> None:  # noqa: B027 - doing nothing is the usual case
        """The link closed; most instruments don't notice."""


class LineInstrument(Instrument):
    """An instrument whose messages end with one byte.

    Attributes:
        longest: bytes kept of a line; what goes beyond is noticed, not kept.
    """

    longest: int = 300

    def __init__(self, bench: Bench, name: str) -> None:
        super().__init__(bench, name)
        self._line = bytearray()
        self._too_long = False

    def _received(self, data: bytes) -> None:
        for byte in data:
            if byte == self.end[0]:
                line, too_long = bytes(self._line), self._too_long
                self._line.clear()
                self._too_long = False
                self._line_came(line, too_long)
            elif len(self._line) < self.longest:
                self._line.append(byte)
            else:
                self._too_long = True

    def _line_came(self, line: bytes, too_long: bool) -> None:
        self.answer(line, lambda: self._work(line, too_long))

    def reply(self, line: str, after_s: float) -> None:
        """Send one line, end added."""
        self.emit(line.encode("ascii") + self.end, after_s)

    def _powered_up(self) -> None:
        self._line.clear()
        self._too_long = False

    @abstractmethod
    def _work(self, line: bytes, too_long: bool) -> None:
        """Carry out one line and `reply` to it."""


def simulated(serial: str) -> str:
    """The serial number, if it says that the instrument is a simulation.

    Raises:
        ValueError: it doesn't begin with 'SIM-'; it might be taken for a real instrument's.
    """
    if not serial.startswith("SIM-"):
        raise ValueError(f"a simulation's serial number begins with 'SIM-': {serial!r}")
    return serial
