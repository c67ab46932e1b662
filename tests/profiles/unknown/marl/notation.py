"""Frames, figures and stored steps of the Ostwyn Marl 8, after its manual, sections 2 to 4."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import reduce
from operator import xor
from typing import Final

from drivers.simulators.output_models import Kind, Order
from drivers.simulators.relays import RETURN, SOURCE

STX, ETX, NAK, CAN = 0x02, 0x03, 0x15, 0x18
SLOTS: Final = 40
CHANNELS: Final = 8
D = Decimal
_ROLES: Final = re.compile(r"[OR.]{8}", re.ASCII)


class Refused(Exception):
    """The Marl answers with a minus and a number (manual, section 7)."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def lrc(body: bytes) -> int:
    """XOR of all characters of the body and of ETX."""
    return reduce(xor, body, ETX)


def frame(body: str) -> bytes:
    """A whole frame."""
    raw = body.encode("ascii")
    return bytes([STX]) + raw + bytes([ETX, lrc(raw)])


def mantissa(value: float) -> str:
    """'d,dddd;+dd': mantissa with four decimals, exponent to ten as a field of its own."""
    if value == 0 or not math.isfinite(value):
        return "0,0000;+00"
    figures, exponent = f"{value:.4e}".split("e")
    return f"{figures.replace('.', ',')};{int(exponent):+03d}"


@dataclass(frozen=True, slots=True)
class Field:
    """A number in a step: digits before and behind the comma, range."""

    before: str
    behind: int
    least: str
    most: str
    or_zero: bool = False

    def read(self, text: str) -> Decimal:
        """Raises Refused 03 (form) or 04 (range)."""
        tail = rf",\d{{{self.behind}}}" if self.behind else ""
        if re.fullmatch(rf"\d{{{self.before}}}{tail}", text, re.ASCII) is None:
            raise Refused(3)
        value = D(text.replace(",", "."))
        if self.or_zero and value == 0:
            return value
        if not D(self.least) <= value <= D(self.most):
            raise Refused(4)
        return value

    def show(self, value: Decimal) -> str:
        """As the Marl shows it: no leading zeros but where the number of digits is fixed."""
        text = f"{value:.{self.behind}f}".replace(".", ",")
        if "," not in self.before:
            text = text.zfill(int(self.before) + (self.behind + 1 if self.behind else 0))
        return text


@dataclass(frozen=True, slots=True)
class Format:
    """The fields of one kind of step; scales turn its numbers into V, A and ohm."""

    kind: Kind
    level: Field
    limit: Field
    limit_scale: str
    upper_needed: bool
    lower_needed: bool
    times: bool = True
    frequency: bool = False


_TIME: Final = Field("1,2", 1, "0.1", "99.9")
_FALL: Final = Field("1,2", 1, "0.1", "99.9", or_zero=True)
_DWELL: Final = Field("1,3", 1, "0.2", "999.9", or_zero=True)
_MILLIAMPERE: Final = Field("1,2", 3, "0.001", "20")
FORMATS: Final = {
    "A": Format(
        Kind.STAND_AC, Field("4", 0, "100", "4000"), _MILLIAMPERE, "1e-3", True, False, True, True
    ),
    "D": Format(
        Kind.STAND_DC, Field("4", 0, "100", "5000"), Field("1,2", 3, "0.001", "10"), "1e-3",
        True, False,
    ),
    "R": Format(
        Kind.INSUL, Field("4", 0, "50", "1000"), Field("1,4", 1, "0.1", "9999.9"), "1e6",
        False, True,
    ),
    "K": Format(
        Kind.CONT, Field("1", 2, "0.1", "1"), Field("1,2", 2, "0.01", "50"), "1",
        True, False, times=False,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """A stored step, numbers as they stood on the wire."""

    letter: str
    level: Decimal
    rise_s: Decimal | None
    dwell_s: Decimal
    fall_s: Decimal | None
    upper: Decimal | None
    lower: Decimal | None
    frequency_hz: int | None
    roles: str

    @property
    def format(self) -> Format:
        return FORMATS[self.letter]

    def text(self) -> str:
        """The fields behind the slot's number."""
        limit = self.format.limit

        def shown(value: Decimal | None, field: Field) -> str:
            return "X" if value is None else field.show(value)

        return ";".join(
            (
                self.letter,
                self.format.level.show(self.level),
                shown(self.rise_s, _TIME),
                _DWELL.show(self.dwell_s),
                shown(self.fall_s, _FALL),
                shown(self.upper, limit),
                shown(self.lower, limit),
                "X" if self.frequency_hz is None else str(self.frequency_hz),
                self.roles,
            )
        )

    def routing(self) -> dict[int, str]:
        """Channel to 'source' or 'return'."""
        bus = {"O": SOURCE, "R": RETURN}
        return {at: bus[role] for at, role in enumerate(self.roles, 1) if role in bus}

    def order(self) -> Order:
        """What the output is to do."""
        scale = float(self.format.limit_scale)

        def limit(value: Decimal | None) -> float | None:
            return None if value is None else float(value) * scale

        return Order(
            kind=self.format.kind,
            level=float(self.level),
            rise_s=0.05 if self.rise_s is None else float(self.rise_s),
            dwell_s=float(self.dwell_s),
            fall_s=0.0 if self.fall_s is None else float(self.fall_s),
            frequency_hz=float(self.frequency_hz or 50),
            upper=limit(self.upper),
            lower=limit(self.lower),
            upper_in_rise=self.format.kind is Kind.STAND_AC,
        )


def read_step(fields: tuple[str, ...]) -> Step:
    """A step from the nine fields behind the slot's number. Raises Refused."""
    if len(fields) != 9:
        raise Refused(2)
    letter, level, rise, dwell, fall, upper, lower, hertz, roles = fields
    if letter not in FORMATS:
        raise Refused(3)
    form = FORMATS[letter]
    step = Step(
        letter=letter,
        level=form.level.read(level),
        rise_s=_given(rise, _TIME, form.times, form.times),
        dwell_s=_DWELL.read(dwell),
        fall_s=_given(fall, _FALL, form.times, form.times),
        upper=_given(upper, form.limit, True, form.upper_needed),
        lower=_given(lower, form.limit, True, form.lower_needed),
        frequency_hz=_hertz(hertz, form.frequency),
        roles=roles,
    )
    if step.upper is not None and step.lower is not None and step.lower >= step.upper:
        raise Refused(4)
    if _ROLES.fullmatch(roles) is None or (roles != "." * CHANNELS and {"O", "R"} - set(roles)):
        raise Refused(5)
    return step


def _given(text: str, field: Field, allowed: bool, needed: bool) -> Decimal | None:
    if text == "X":
        if needed:
            raise Refused(3)
        return None
    if not allowed:
        raise Refused(3)
    return field.read(text)


def _hertz(text: str, wanted: bool) -> int | None:
    if text not in ({"50", "60"} if wanted else {"X"}):
        raise Refused(3)
    return int(text) if wanted else None
