"""The only place that asks the time or sleeps.

Everything else gets a `Clock` handed in, so that a simulated bench runs an hour of dwell in
milliseconds, the same every time (a lint rule bans the `time` functions elsewhere).
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What time it is, and how to let it pass."""

    def monotonic(self) -> float:
        """Seconds since an arbitrary start; never runs backwards."""
        ...

    def utc(self) -> datetime:
        """The date and time, aware, in UTC. May jump when the computer's clock is set."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass; zero or less returns at once."""
        ...


class SystemClock:
    """The computer's clock."""

    def monotonic(self) -> float:
        return time.perf_counter()  # same base as monotonic(), but finer than 15 ms on Windows

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)


class VirtualClock:
    """Time that passes only when told to; the same on every run.

    `sleep` doesn't wait: it advances the time at once. Listeners (simulated instruments) are
    called after each advance with the new `monotonic()` value, in order of registration, in the
    thread that advanced. A listener may read the clock, but must not advance it.

    Safe for several readers and one thread that advances.
    """

    def __init__(self, start_utc: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> None:
        if start_utc.tzinfo is None:
            raise ValueError("start_utc must carry its time zone")
        self._start_utc = start_utc.astimezone(UTC)
        self._now_s = 0.0
        self._lock = threading.Lock()  # guards the figures; never held while a listener runs
        self._advancing = threading.RLock()
        self._listeners: tuple[Callable[[float], None], ...] = ()
        self._notifying = False

    def monotonic(self) -> float:
        with self._lock:
            return self._now_s

    def utc(self) -> datetime:
        return self._start_utc + timedelta(seconds=self.monotonic())

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            self.advance(seconds)

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass at once.

        Raises:
            ValueError: `seconds` is negative or not finite.
            RuntimeError: called by a listener.
        """
        if not math.isfinite(seconds) or seconds < 0:
            raise ValueError(f"time runs forwards: can't advance by {seconds!r} s")
        with self._advancing:
            if self._notifying:
                raise RuntimeError("a listener must not advance the clock that calls it")
            with self._lock:
                self._now_s += seconds
                now_s, listeners = self._now_s, self._listeners
            self._notifying = True
            try:
                for listener in listeners:
                    listener(now_s)
            finally:
                self._notifying = False

    def on_advance(self, callback: Callable[[float], None]) -> None:
        """Call `callback(monotonic_s)` after each advance."""
        with self._lock:
            self._listeners = (*self._listeners, callback)
