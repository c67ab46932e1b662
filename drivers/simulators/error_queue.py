"""Error queue and event register of an instrument that follows SCPI-1999 and IEEE 488.2."""

from __future__ import annotations

from collections import deque

POWER_ON, COMMAND, EXECUTION, DEVICE, QUERY, COMPLETE = 128, 32, 16, 8, 4, 1

TEXTS = {
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -138: "Suffix not allowed",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -284: "Program currently running",
    -350: "Queue overflow",
}


class ScpiError(Exception):
    """A message is refused; `number` goes into the queue."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def event_bit(number: int) -> int:
    """The event register's bit for an error number.

    SCPI-1999 volume 2, 21.8: -1xx command error, -2xx execution error, -3xx and positive numbers
    device-dependent error, -4xx query error (IEEE 488.2, 11.5.1 for the weights).
    """
    return {1: COMMAND, 2: EXECUTION, 4: QUERY}.get(-number // 100, DEVICE)


class ErrorQueue:
    """First in, first out; on overflow the newest entry becomes -350 (SCPI-1999, 21.8.1).

    Args:
        texts: the instrument's own (positive) numbers with their texts.
        longest: entries it holds.
    """

    def __init__(self, texts: dict[int, str], longest: int = 16) -> None:
        self._texts = TEXTS | texts
        self._longest = longest
        self._entries: deque[int] = deque()
        self.events = 0

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, number: int) -> None:
        """Enter an error and set its event bit."""
        self.events |= event_bit(number)
        if len(self._entries) >= self._longest:
            self._entries[-1] = -350
            self.events |= event_bit(-350)
        else:
            self._entries.append(number)

    def next(self) -> str:
        """The oldest entry, removed by reading."""
        if not self._entries:
            return '0,"No error"'
        number = self._entries.popleft()
        return f'{number},"{self._texts[number]}"'

    def take_events(self) -> int:
        """The event register; reading clears it."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """Empty queue and event register."""
        self._entries.clear()
        self.events = 0
