"""Serial settings that a profile gives and a station file may override."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Bits = Literal["7", "8"]
Parity = Literal["none", "even", "odd"]
StopBits = Literal["1", "2"]


@dataclass(frozen=True, slots=True)
class SerialDefaults:
    """What the instrument's own serial port is set to when it leaves the maker."""

    baud: int = 9600
    bits: Bits = "8"
    parity: Parity = "none"
    stop_bits: StopBits = "1"
