"""Carries notices from the scan thread to screen and log.

A terminal can stand still (Ctrl-S, a full pipe). Written to from the scan thread it would hold up
a stop; so it is written to from a thread of its own, and a screen that fails ends no run.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from orchestrator.clock import Clock
from orchestrator.running.rack import Notice

TOLD = "told"
"""Kind of a notice that only holds a ``text`` for the person at the screen."""


@dataclass(frozen=True, slots=True)
class Stamped:
    """A notice with the moment it came."""

    utc: str
    monotonic_s: float
    notice: Notice


Taker = Callable[[Stamped], None]


class Feed:
    """Hands every notice to every taker, in order, in a thread of its own.

    A taker that raises gets no more; `failures` holds what it raised.
    """

    def __init__(self, clock: Clock, takers: Iterable[Taker]) -> None:
        self._clock = clock
        self._takers = list(takers)
        # SimpleQueue: `put` may be called by a signal handler that interrupted a `put`.
        self._queue: queue.SimpleQueue[Stamped | None] = queue.SimpleQueue()
        self.failures: list[Exception] = []
        self._thread = threading.Thread(target=self._work, name="feed", daemon=True)
        self._thread.start()

    def show(self, notice: Notice) -> None:
        """Take a notice; never blocks."""
        utc = self._clock.utc().isoformat(timespec="milliseconds").replace("+00:00", "Z")
        self._queue.put(Stamped(utc, self._clock.monotonic(), notice))

    def tell(self, text: str) -> None:
        """Show a text; may be called by a signal handler."""
        self.show(Notice(TOLD, {"text": text}))

    def close(self) -> None:
        """Wait until all is shown, however long a terminal stands still."""
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        while (item := self._queue.get()) is not None:
            for taker in tuple(self._takers):
                try:
                    taker(item)
                except Exception as error:  # noqa: BLE001 - kept, and told at the end
                    self._takers.remove(taker)
                    self.failures.append(error)
