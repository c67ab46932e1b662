"""Ctrl-C and its kin during a run: they ask for a safe end, they never cut one short."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any, Self

# SIGHUP: the terminal was closed; SIGQUIT: Ctrl-\; SIGBREAK: Windows' Ctrl-Break. Left alone, each
# would end the process with an output on.
_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK")
_SUSPENDING = ("SIGTSTP",)


class Signals:
    """Handlers from `__enter__` to `__exit__`; use in the main thread.

    Before `arm` a signal interrupts as Ctrl-C does (nothing is energised yet). From then on it
    calls ``cancel``, once; more of them only tell that the station is being made safe.

    Args:
        tell: called with a text to show. Must not block and may be called within anything.
    """

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        self._cancel: Callable[[str], None] | None = None
        self._cancelled = False
        self._before: dict[int, Any] = {}

    def arm(self, cancel: Callable[[str], None]) -> None:
        """From now on end the run safely."""
        self._cancel = cancel

    def disarm(self) -> None:
        """From now on interrupt as Ctrl-C does: somebody is asked, nothing runs."""
        self._cancel = None

    def __enter__(self) -> Self:
        for name in _ENDING:
            self._take(name, self._ended)
        for name in _SUSPENDING:
            self._take(name, self._suspended)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()

    def _take(self, name: str, handler: Callable[[int, FrameType | None], None]) -> None:
        number = getattr(signal, name, None)
        # What our parent had us ignore (nohup, a job in the background) stays ignored.
        if number is None or signal.getsignal(number) in (signal.SIG_IGN, None):
            return
        self._before[number] = signal.signal(number, handler)

    def _ended(self, number: int, _: FrameType | None) -> None:
        if self._cancel is None:
            raise KeyboardInterrupt
        if self._cancelled:
            self._tell("still making safe…; this can't be cut short")
            return
        self._cancelled = True
        self._cancel(f"stopped by {signal.Signals(number).name}")
        self._tell("stopping: making safe…")

    def _suspended(self, _number: int, __: FrameType | None) -> None:
        self._tell("a run can't be suspended: the output would stay on; Ctrl-C ends it safely")
