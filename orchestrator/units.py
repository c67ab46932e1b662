"""The closed list of units, by dimension. Whatever isn't here can't be written in any file."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType


class Dimension(StrEnum):
    """What a quantity measures; the value is the word used in messages."""

    VOLTAGE = "voltage"
    CURRENT = "current"
    RESISTANCE = "resistance"
    TIME = "time"
    FREQUENCY = "frequency"
    LENGTH = "length"
    CAPACITANCE = "capacitance"
    ENERGY = "energy"
    POWER = "power"
    TEMPERATURE = "temperature"
    AREA = "area"
    SLOPE = "slope"


WRITTEN: Mapping[Dimension, tuple[tuple[int, str], ...]] = {
    Dimension.VOLTAGE: ((-6, "uV"), (-3, "mV"), (0, "V"), (3, "kV")),
    Dimension.CURRENT: ((-9, "nA"), (-6, "uA"), (-3, "mA"), (0, "A"), (3, "kA")),
    Dimension.RESISTANCE: (
        (-6, "uohm"),
        (-3, "mohm"),
        (0, "ohm"),
        (3, "kohm"),
        (6, "Mohm"),
        (9, "Gohm"),
        (12, "Tohm"),
    ),
    Dimension.TIME: ((-6, "us"), (-3, "ms"), (0, "s")),
    Dimension.FREQUENCY: ((0, "Hz"), (3, "kHz")),
    Dimension.LENGTH: ((-3, "mm"), (0, "m"), (3, "km")),
    Dimension.CAPACITANCE: ((-12, "pF"), (-9, "nF"), (-6, "uF"), (-3, "mF"), (0, "F")),
    Dimension.ENERGY: ((-6, "uJ"), (-3, "mJ"), (0, "J")),
    Dimension.POWER: ((-3, "mW"), (0, "W"), (3, "kW")),
    Dimension.TEMPERATURE: ((0, "degC"),),
    Dimension.AREA: ((0, "mm2"),),
    Dimension.SLOPE: ((0, "V/s"), (3, "kV/s")),
}
"""Units used for writing, smallest first: (power of ten, name)."""

# Read, but never written.
_READ_ONLY: Mapping[str, tuple[Dimension, Decimal]] = {
    "min": (Dimension.TIME, Decimal(60)),
    "h": (Dimension.TIME, Decimal(3600)),
    "cm": (Dimension.LENGTH, Decimal("0.01")),
    "°C": (Dimension.TEMPERATURE, Decimal(1)),
    "mm²": (Dimension.AREA, Decimal(1)),
}


def _spellings(name: str) -> tuple[str, ...]:
    """The unit's own name, with the ohm sign, and with the micro sign, each in both code points."""
    names = [name]
    if name.endswith("ohm"):
        names += [name[:-3] + "\N{GREEK CAPITAL LETTER OMEGA}", name[:-3] + "\N{OHM SIGN}"]
    if name.startswith("u"):
        names += [micro + n[1:] for n in tuple(names) for micro in ("\N{MICRO SIGN}", "\u03bc")]
    return tuple(names)


def _all_units() -> dict[str, tuple[Dimension, Decimal]]:
    units = {
        spelling: (dimension, Decimal(1).scaleb(power))
        for dimension, written in WRITTEN.items()
        for power, name in written
        for spelling in _spellings(name)
    }
    return units | dict(_READ_ONLY)


UNITS: Mapping[str, tuple[Dimension, Decimal]] = MappingProxyType(_all_units())
"""Every unit that may be written: its dimension, and its size in the dimension's base unit."""

EXAMPLE: Mapping[Dimension, str] = {
    Dimension.VOLTAGE: "1.5 kV",
    Dimension.CURRENT: "10 mA",
    Dimension.RESISTANCE: "100 mohm",
    Dimension.TIME: "0.5 s",
    Dimension.FREQUENCY: "50 Hz",
    Dimension.LENGTH: "2.5 m",
    Dimension.CAPACITANCE: "10 nF",
    Dimension.ENERGY: "350 mJ",
    Dimension.POWER: "500 W",
    Dimension.TEMPERATURE: "23 degC",
    Dimension.AREA: "1.5 mm2",
    Dimension.SLOPE: "500 V/s",
}
"""One quantity of each dimension, for messages."""
