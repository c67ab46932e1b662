"""Settings of the Pell: fixed-width digits in the counts of the kind."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from drivers.simulators.output_models import Kind, Order, Reading


class Refusal(Exception):
    """A line is refused; `code` is the two-digit number after R."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True, slots=True)
class KindTraits:
    """Counts and ranges of one kind of test.

    `range_counts`: of the measuring range; more is told as over range.
    """

    kind: Kind
    level_unit: float
    least_level: int
    most_level: int
    limit_unit: float
    most_limit: int
    range_counts: int

    def reading(self, reading: Reading) -> float | None:
        """The reading in counts, not rounded; infinite for an open lead, None where none is."""
        value = reading.total_a if self.kind.withstand else reading.resistance_ohm
        if reading.open_lead:
            return math.inf
        return None if value is None else value / self.limit_unit


KINDS = {
    "1": KindTraits(Kind.BOND_AC, 0.1, 10, 300, 1e-4, 10000, 20000),
    "2": KindTraits(Kind.CONT, 0.01, 10, 100, 1e-3, 20000, 50000),
    "3": KindTraits(Kind.INSUL, 10.0, 5, 100, 1e5, 50000, 50000),
    "4": KindTraits(Kind.STAND_AC, 10.0, 10, 400, 1e-5, 4000, 4500),
    "5": KindTraits(Kind.STAND_DC, 10.0, 10, 600, 1e-5, 1000, 1200),
}
WIDTHS = {"SK": 1, "SL": 4, "SF": 2, "SR": 3, "SD": 3, "SW": 3, "SH": 5, "SM": 5}
OFF_UPPER, OFF_LOWER = 99999, 0


@dataclass
class Setup:
    """All settings; None: unset."""

    kind: str | None = None
    level: int | None = None
    frequency: int = 50
    times: dict[str, int | None] = field(
        default_factory=lambda: {"SR": None, "SD": None, "SW": None}
    )
    upper: int = OFF_UPPER
    lower: int = OFF_LOWER

    def set(self, letters: str, digits: str) -> None:
        """Carry out a set-up line other than SK.

        Raises:
            Refusal: R04 or R07; the old setting stays.
        """
        count = int(digits)
        if letters in self.times:
            least = {"SR": 1, "SD": 3, "SW": 0}[letters]
            if count < least and not (letters == "SD" and count == 0):
                raise Refusal(4)
            self.times[letters] = count
            return
        if self.kind is None:
            raise Refusal(7)
        traits = KINDS[self.kind]
        if letters == "SL":
            self.level = _within(count, traits.least_level, traits.most_level)
        elif letters == "SF":
            if not traits.kind.ac or count not in {50, 60}:
                raise Refusal(4)
            self.frequency = count
        elif letters == "SH":
            self.upper = count if count == OFF_UPPER else _within(count, 1, traits.most_limit)
        else:
            self.lower = count if count == OFF_LOWER else _within(count, 1, traits.most_limit)

    def choose(self, kind: str) -> Setup:
        """The set-up after SK.

        Raises:
            Refusal: R04, no such kind.
        """
        if kind not in KINDS:
            raise Refusal(4)
        return Setup(kind)

    def told(self) -> str:
        """The 26 characters of QS."""
        ac = self.kind is not None and KINDS[self.kind].kind.ac
        parts = (
            self.kind or "-",
            _digits(self.level, 4),
            f"{self.frequency:02d}" if ac else "00",
            *(_digits(self.times[name], 3) for name in ("SR", "SD", "SW")),
            f"{self.upper:05d}",
            f"{self.lower:05d}",
        )
        return "".join(parts)

    def order(self) -> Order:
        """The test as set up.

        Raises:
            Refusal: R07.
        """
        rise, dwell, fall = (self.times[name] for name in ("SR", "SD", "SW"))
        if self.kind is None or self.level is None:
            raise Refusal(7)
        if rise is None or dwell is None or fall is None:
            raise Refusal(7)
        traits = KINDS[self.kind]
        no_upper, no_lower = self.upper == OFF_UPPER, self.lower == OFF_LOWER
        missing = no_lower if traits.kind is Kind.INSUL else no_upper
        if missing or not (no_upper or no_lower or self.lower < self.upper):
            raise Refusal(7)
        return Order(
            kind=traits.kind,
            level=self.level * traits.level_unit,
            rise_s=rise / 10,
            dwell_s=dwell / 10,
            fall_s=fall / 10,
            frequency_hz=float(self.frequency),
            upper=None if no_upper else self.upper * traits.limit_unit,
            lower=None if no_lower else self.lower * traits.limit_unit,
        )


def _within(count: int, least: int, most: int) -> int:
    if not least <= count <= most:
        raise Refusal(4)
    return count


def _digits(value: int | None, width: int) -> str:
    return "-" * width if value is None else f"{value:0{width}d}"
