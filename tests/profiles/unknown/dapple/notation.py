"""Telegrams and figures of the Quorrick Dapple, after its manual, sections 2 and 3."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Final

_THREE: Final = r"([1-9]\.\d\d|[1-9]\d\.\d|[1-9]\d\d)"
_CURRENT: Final = re.compile(_THREE + r"(nA|uA|mA)", re.ASCII)
_MILLIOHM: Final = re.compile(_THREE + r"mOHM", re.ASCII)
_VOLT: Final = re.compile(r"(\d{2,4})V|(\d\.\d{3})kV", re.ASCII)
_SLOPE: Final = re.compile(r"(\d{2,4})V/s", re.ASCII)
_SECONDS: Final = re.compile(r"(\d{1,3}\.\d)s", re.ASCII)
_AMPERE: Final = re.compile(r"(\d{1,2}\.\d)A", re.ASCII)
_SCALE: Final = {"nA": Decimal("1e-9"), "uA": Decimal("1e-6"), "mA": Decimal("1e-3")}


class Refused(Exception):
    """The Dapple says NO with a number (manual, section 6)."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def checksum(telegram: bytes) -> bytes:
    """Sum of all characters, the asterisk included, modulo 256, as two upper-case hex digits."""
    return b"%02X" % (sum(telegram) % 256)


def telegram(station: int, body: str) -> bytes:
    """Station, body, asterisk and checksum; without an end."""
    text = f"{station:02d}{body}*".encode("ascii")
    return text + checksum(text)


def _match(pattern: re.Pattern[str], text: str) -> re.Match[str]:
    found = pattern.fullmatch(text)
    if found is None:
        raise Refused(3)
    return found


def current(text: str) -> Decimal:
    """A current in A. Raises Refused."""
    found = _match(_CURRENT, text)
    return Decimal(found[1]) * _SCALE[found[2]]


def bond_limit(text: str) -> Decimal:
    """A bonding resistance in ohm. Raises Refused."""
    return Decimal(_match(_MILLIOHM, text)[1]) / 1000


def volts(text: str) -> Decimal:
    """A voltage in V. Raises Refused."""
    found = _match(_VOLT, text)
    return Decimal(found[1]) if found[1] else Decimal(found[2]) * 1000


def slope(text: str) -> Decimal:
    """A slope in V/s. Raises Refused."""
    return Decimal(_match(_SLOPE, text)[1])


def seconds(text: str) -> Decimal:
    """A time in s. Raises Refused."""
    return Decimal(_match(_SECONDS, text)[1])


def amperes(text: str) -> Decimal:
    """A bonding current in A. Raises Refused."""
    return Decimal(_match(_AMPERE, text)[1])


def figures(value: float, digits: int, units: tuple[tuple[str, float], ...]) -> str:
    """A value with so many significant figures in the smallest unit that keeps it below 1000."""
    for unit, scale in units:
        rounded = float(f"{value / scale:.{digits - 1}e}")
        if rounded < 1000 or unit == units[-1][0]:
            before = 1 if rounded < 1 else int(math.log10(rounded)) + 1
            return f"{rounded:.{max(0, digits - before)}f}{unit}"
    raise ValueError("no units")


def show_volts(value: float) -> str:
    """Below 1 kV in whole V, from there in kV with three decimals."""
    return f"{value:.0f}V" if round(value) < 1000 else f"{value / 1000:.3f}kV"


def show_current(value: float) -> str:
    """Three figures in nA, uA or mA."""
    return figures(value, 3, (("nA", 1e-9), ("uA", 1e-6), ("mA", 1e-3)))
