"""What happens on the bench by itself, in the order of its time."""

from __future__ import annotations

import heapq
from collections.abc import Callable

from orchestrator.clock import Clock, VirtualClock


class Timer:
    """One thing due at a time; `cancel` makes it not happen."""

    __slots__ = ("action", "cancelled", "due_s")

    def __init__(self, due_s: float, action: Callable[[], None]) -> None:
        self.due_s = due_s
        self.action = action
        self.cancelled = False

    def cancel(self) -> None:
        """Not needed any more."""
        self.cancelled = True


class Timers:
    """Events in order of their due times, worked off late but with the time they were due.

    Lazy: nothing runs until `catch_up`. Whoever looks at the bench calls it first, so that the
    bench is always found as it would be now, however long nobody looked.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._heap: list[tuple[float, int, Timer]] = []
        self._serial = 0
        self._event_s: float | None = None
        self._latest_s = clock.monotonic()

    @property
    def now_s(self) -> float:
        """The time of the event being worked off, else the clock's."""
        return self._clock.monotonic() if self._event_s is None else self._event_s

    def at(self, due_s: float, action: Callable[[], None]) -> Timer:
        """Have `action` happen at a time (a past one: at the next `catch_up`)."""
        timer = Timer(due_s, action)
        self._serial += 1
        heapq.heappush(self._heap, (due_s, self._serial, timer))
        return timer

    def after(self, seconds: float, action: Callable[[], None]) -> Timer:
        """Have `action` happen so many seconds from now."""
        return self.at(self.now_s + seconds, action)

    def catch_up(self) -> None:
        """Work off everything due by now; harmless when called from within an event."""
        if self._event_s is not None:
            return
        now_s = self._clock.monotonic()
        try:
            while self._heap and self._heap[0][0] <= now_s:
                due_s, _, timer = heapq.heappop(self._heap)
                self._event_s = self._latest_s = max(due_s, self._latest_s)
                if not timer.cancelled:
                    timer.action()
        finally:
            self._event_s = None
        self._latest_s = now_s

    def follow(self, catch_up: Callable[[], None]) -> None:
        """Have `catch_up` called whenever virtual time is advanced."""
        if isinstance(self._clock, VirtualClock):
            self._clock.on_advance(lambda _: catch_up())
