"""From the opening of a guard until the output is off and discharged: a sum of named terms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

SCAN_S = 0.01
"""Longest time between two looks at the inputs while an output is on."""

SOCKET_S = 0.005
"""For a short message over a local network or an instrument bus: assumed (no source)."""

REPLY_S = 0.05
"""For a tester's answer to a short question: assumed (no source)."""

CONTACTOR_S = 0.05
"""From an I/O output going off to a contactor behind it having opened: assumed (no source)."""

Origin = Literal["station file", "profile", "this program", "assumed"]


@dataclass(frozen=True, slots=True)
class Term:
    """One part of a stop time (s), and where its figure comes from."""

    what: str
    seconds: float
    origin: Origin


def total_s(terms: Iterable[Term]) -> float:
    """The sum (s).

    Raises:
        ValueError: a negative term.
    """
    held = tuple(terms)
    if any(term.seconds < 0 for term in held):
        raise ValueError("no part of a stop time is negative")
    return sum(term.seconds for term in held)


def serial_s(count: int, baud: int, bits: int, stop_bits: int, *, parity: bool) -> float:
    """Time (s) that so many characters take on a serial line: one start bit, data, parity, stop.

    Asynchronous characters without gaps: 8 data bits, no parity, 1 stop bit are 10 bits each.

    Raises:
        ValueError: a baud rate that isn't positive, or a negative count.
    """
    if baud <= 0 or count < 0:
        raise ValueError("baud rate and count must be positive")
    return count * (1 + bits + int(parity) + stop_bits) / baud
