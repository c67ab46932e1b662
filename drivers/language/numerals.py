"""Numbers on the wire: written exactly or in the direction asked, read leniently, never guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import (
    ROUND_CEILING,
    ROUND_FLOOR,
    ROUND_HALF_UP,
    Context,
    Decimal,
    DivisionByZero,
    InvalidOperation,
    Overflow,
)
from enum import Enum
from typing import Any, Final, Literal, Protocol

from drivers.language.fields import Rounding

EXACT = Context(
    prec=300, rounding=ROUND_HALF_UP, traps=[InvalidOperation, DivisionByZero, Overflow]
)
LONGEST_NUMBER = 64
SPREAD_LIMIT = 1000
LARGEST = Decimal("9.9E37")
"""From here on a number on the wire is a token or nonsense, never a value (SCPI-1999 7.2.1)."""

_MODES = {"up": ROUND_CEILING, "down": ROUND_FLOOR, "nearest": ROUND_HALF_UP}


class Marker(Enum):
    """What isn't a value."""

    UNKNOWN = "a word the dialect doesn't list"
    NO_MATCH = "doesn't match"


UNKNOWN: Final = Marker.UNKNOWN
NO_MATCH: Final = Marker.NO_MATCH


@dataclass(frozen=True, slots=True)
class Ambiguous:
    """Stands in place of a value that can't be told; rendering refuses it with the reason."""

    reason: str


class Refused(ValueError):
    """A codec can't write a value."""

    def __init__(self, found: str, expected: str, remedy: str) -> None:
        super().__init__(f"found {found}, expected {expected}; {remedy}")
        self.found, self.expected, self.remedy = found, expected, remedy


class Codec(Protocol):
    """Writes and reads the values of one field. ``width``: characters, ``None`` if it varies."""

    @property
    def width(self) -> int | None: ...

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        """The wire text. Raises Refused."""
        ...

    def decode(self, text: str, power: int = 0) -> Any:
        """The value, or NO_MATCH. Never raises."""
        ...

    def holds(self, literal: str) -> bool:
        """True if the wire text of some value could hold this literal."""
        ...


_POINT = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3}(?![0-9]))?")
_COMMA = re.compile(r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]{1,3}(?![0-9]))?")
_WHOLE = re.compile(r"[+-]?[0-9]+")
_HEX = re.compile(r"[0-9A-Fa-f]+")
_BINARY = re.compile(r"[01]+")

Style = Literal["count", "decimals", "exponent", "significant", "free", "hex", "binary"]


@dataclass(frozen=True, slots=True)
class NumberCodec:
    """A number.

    Attributes:
        factor: SI units for one on the wire. digits: decimals, significant, hex or binary digits;
            of a count the exact width in digits, or ``None``.
        width: total width; pad: what fills it. comma: decimal comma. plus: always signed.
        negative: whether values below zero may be written.
        suffix: unit text behind the number; units: texts accepted there, with their sizes.
        spread: units to choose from when writing, smallest first; the number stays below 1000.
        whole: yields ``int``. mirrored: the leftmost binary digit is bit 0.
    """

    factor: Decimal = Decimal(1)
    style: Style = "count"
    digits: int | None = None
    width: int | None = None
    pad: Literal["0", " "] | None = None
    comma: bool = False
    plus: bool = False
    negative: bool = True
    suffix: str = ""
    units: Mapping[str, Decimal] = field(default_factory=dict)
    spread: tuple[tuple[str, Decimal], ...] = ()
    whole: bool = False
    upper: bool = True
    mirrored: bool = False

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        number = self._number(value)
        if number < 0 and not self.negative:
            raise Refused(f"{number}", "zero or more", "this format has no sign")
        if self.spread:
            return self._encode_spread(number, rounding)
        count = EXACT.divide(number, EXACT.scaleb(self.factor, power))
        if abs(count) >= LARGEST:
            raise Refused(f"{number:E}", "below 9.9E37", "such a number means 'none' to many")
        if self.style in ("hex", "binary"):
            return self._encode_base(count)
        rounded = self._round(count, rounding)
        if rounded != count and rounding == "exact":
            raise Refused(
                f"{number:f}",
                f"a value the wire carries, such as {self._example(count, power)}",
                "quantise it first, in the direction that is safe",
            )
        return self._fit(self._written(rounded), number)

    def _encode_spread(self, number: Decimal, rounding: Rounding) -> str:
        """In the unit that keeps the number from 1 to below 1000; rounded first, since that may
        carry it into the next unit."""
        rounded = self._round(number, rounding)
        if rounded != number and rounding == "exact":
            example = replace(self, factor=Decimal(1))._example(number, 0)
            raise Refused(
                f"{number:f}",
                f"a value the wire carries, such as {example}",
                "quantise it first, in the direction that is safe",
            )
        fitting = [unit for unit in self.spread if abs(rounded) >= unit[1]]
        text, size = (fitting or self.spread)[-1 if fitting else 0]
        count = EXACT.divide(rounded, size)
        if abs(count) >= SPREAD_LIMIT:
            raise Refused(f"{number:f}", f"below {SPREAD_LIMIT} {text}", "ask a smaller value")
        return replace(self, spread=(), suffix=text, factor=size).encode(rounded, "exact")

    def wire_number(self, raw: Decimal) -> str:
        """A number that stands on the wire as it is, not scaled. Raises Refused."""
        return self._fit(self._written(self._round(raw, "nearest")), raw)

    def _number(self, value: Any) -> Decimal:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise Refused(f"{value!r:.60}", "a number", "hand over a Decimal in SI units")
        if self.whole and value != int(value):
            raise Refused(str(value), "a whole number", "only whole numbers go here")
        number = Decimal(value)
        if not number.is_finite() or len(number.as_tuple().digits) > 150:
            raise Refused(f"{number!s:.40}", "a finite number of at most 150 digits", "round it")
        if number and not -60 <= number.adjusted() <= 37:
            raise Refused(f"{number:E}", "a size from 1E-60 to 9.9E37", "ask another value")
        return number

    def _example(self, count: Decimal, power: int) -> str:
        pair = [self._round(count, way) for way in ("down", "up")]
        size = EXACT.scaleb(self.factor, power)
        return " or ".join(f"{EXACT.multiply(c, size).normalize():f}" for c in pair)

    def _round(self, count: Decimal, rounding: Rounding) -> Decimal:
        if self.style == "free":
            if rounding == "nearest":  # a measured value; six digits are plenty
                return Context(prec=6, rounding=ROUND_HALF_UP).plus(count)
            return EXACT.plus(count).normalize(EXACT)
        mode = _MODES.get(rounding, ROUND_HALF_UP)
        top = count.adjusted() if count else 0
        if self.style == "decimals":
            last = -(self.digits or 0)
        elif self.style == "exponent":
            last = top - (self.digits or 0)
        elif self.style == "significant":
            last = top - (self.digits or 1) + 1
        else:
            last = 0
        rounded = count.quantize(Decimal(1).scaleb(last), rounding=mode, context=EXACT)
        if rounded and rounded.adjusted() > top and self.style in ("exponent", "significant"):
            rounded = rounded.quantize(Decimal(1).scaleb(last + 1), context=EXACT)
        return rounded

    def _written(self, rounded: Decimal) -> str:
        sign = "-" if rounded < 0 else "+" if self.plus else ""
        size = abs(rounded)
        if self.style == "exponent":
            top = size.adjusted() if size else 0
            mantissa = EXACT.scaleb(size, -top).quantize(
                Decimal(1).scaleb(-(self.digits or 0)), context=EXACT
            )
            body = f"{mantissa:f}E{top:+03d}"
        else:
            body = f"{size:f}"
        if self.style == "count" and self.digits is not None:
            if len(body) > self.digits:
                raise Refused(body, f"at most {self.digits} digits", "it doesn't fit the wire")
            body = body.zfill(self.digits)
        if self.comma:
            body = body.replace(".", ",")
        if self.pad == "0" and self.width is not None:
            body = body.rjust(self.width - len(sign) - len(self.suffix), "0")
        return sign + body + self.suffix

    def _fit(self, text: str, number: Decimal) -> str:
        if self.width is None:
            return text
        if len(text) > self.width:
            raise Refused(
                f"{number:f}, written {text!r}",
                f"at most {self.width} characters",
                "it doesn't fit the wire",
            )
        return text.rjust(self.width)

    def _encode_base(self, count: Decimal) -> str:
        digits = self.digits or 1
        if count != int(count) or count < 0:
            raise Refused(f"{count}", "a whole number, zero or more", "it doesn't fit the wire")
        if self.style == "hex":
            body = f"{int(count):0{digits}{'X' if self.upper else 'x'}}"
        else:
            body = f"{int(count):0{digits}b}"
        if len(body) > digits:
            raise Refused(body, f"at most {digits} digits", "it doesn't fit the wire")
        return body[::-1] if self.mirrored else body

    def decode(self, text: str, power: int = 0) -> Any:
        found = self.split(text)
        return NO_MATCH if found is None else self.scaled(found, power)

    def scaled(self, found: tuple[Decimal, Decimal], power: int = 0) -> Any:
        """The value of what `split` found, or NO_MATCH."""
        raw, size = found
        if abs(raw) >= LARGEST:
            return NO_MATCH
        value = EXACT.multiply(raw, EXACT.scaleb(size, power) if power else size)
        if not self.whole:
            return value
        return int(value) if value == int(value) else NO_MATCH

    def split(self, text: str) -> tuple[Decimal, Decimal] | None:
        """The number as it stands on the wire, and what one of it is in SI units."""
        if self.width is not None and len(text) != self.width:
            return None
        body = text.lstrip(" ")
        if len(body) > LONGEST_NUMBER:
            return None
        if self.style in ("hex", "binary"):
            return self._split_base(body)
        pattern = _WHOLE if self.style == "count" else _COMMA if self.comma else _POINT
        match = pattern.match(body)
        if match is None:
            return None
        size = self._size(body[match.end() :])
        if size is None:
            return None
        return Decimal(match.group().replace(",", ".")), size

    def _size(self, rest: str) -> Decimal | None:
        if not self.suffix:
            return self.factor if not rest else None
        return self.units.get(rest.strip(" "))

    def _split_base(self, body: str) -> tuple[Decimal, Decimal] | None:
        pattern = _HEX if self.style == "hex" else _BINARY
        if pattern.fullmatch(body) is None or len(body) != self.digits:
            return None
        digits = body[::-1] if self.mirrored else body
        return Decimal(int(digits, 16 if self.style == "hex" else 2)), self.factor

    def holds(self, literal: str) -> bool:
        if self.width is not None:
            return False
        inside = "0123456789" + ("," if self.comma else "." if self.style != "count" else "")
        if self.style in ("exponent", "hex"):
            inside += "eE+-" if self.style == "exponent" else "abcdefABCDEF"
        return literal[:1] in inside or any(literal in unit for unit in self.units)
