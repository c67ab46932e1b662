"""A link with its unread bytes, its traffic of the last seconds, and whether it is in step."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from orchestrator.clock import Clock
from orchestrator.contract import Frame, Link, Reply
from orchestrator.running.framing import FrameReader

KEPT_S = 30.0
KEPT_LINES = 4000


@dataclass(frozen=True, slots=True)
class TrafficLine:
    """Bytes that went one way at one time (monotonic seconds)."""

    at_s: float
    way: Literal["sent", "received"]
    data: bytes


class Port:
    """One link as the engine uses it. ``dirty``: late bytes may still come; resynchronise.

    ``listener`` is told of each message; it must neither block nor raise.
    """

    def __init__(
        self, link: Link, clock: Clock, listener: Callable[[str, TrafficLine], None] | None = None
    ) -> None:
        self.link = link
        self._listener = listener
        self.dirty = False
        self.used_at_s = clock.monotonic()
        self._clock = clock
        self._reader = FrameReader()
        self._lines: deque[TrafficLine] = deque(maxlen=KEPT_LINES)

    @property
    def name(self) -> str:
        """The link's name."""
        return self.link.name

    def send(self, data: bytes) -> None:
        """Send all. Raises LinkLost, TimedOut."""
        self.used_at_s = self._clock.monotonic()
        line = TrafficLine(self.used_at_s, "sent", data)
        self._lines.append(line)
        self.link.send(data)  # first, so that nothing stands before a stop
        self._tell(line)

    def take(self, frame: Frame) -> Reply | None:
        """A whole message out of what has arrived, if there is one."""
        return self._reader.take(frame)

    def listen(self, within_s: float) -> bool:
        """Wait at most so long for bytes; True if any came. Raises LinkLost."""
        data = self.link.receive(within_s)
        if not data:
            return False
        line = TrafficLine(self._clock.monotonic(), "received", data)
        self._lines.append(line)
        self._reader.feed(data)
        self._tell(line)
        return True

    def _tell(self, line: TrafficLine) -> None:
        if self._listener is not None:
            self._listener(self.name, line)

    @property
    def pending(self) -> bytes:
        """Bytes that have arrived and belong to no message yet."""
        return self._reader.pending

    def drain(self) -> bytes:
        """Take out all that has arrived."""
        return self._reader.drain()

    def reopen(self) -> None:
        """Close and open the link; what was unread is gone with it. Raises LinkLost."""
        self._reader.drain()
        self.link.reopen()

    def traffic(self) -> tuple[TrafficLine, ...]:
        """The last seconds of traffic, oldest first."""
        since_s = self._clock.monotonic() - KEPT_S
        return tuple(line for line in self._lines if line.at_s >= since_s)
