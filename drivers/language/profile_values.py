"""Values as profiles write them: quantities, ranges, escaped bytes, one item or a list."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from orchestrator.documents import Strict, refuse
from orchestrator.model.abilities import Rating, Span
from orchestrator.quantities import UNITS, Dimension, Quantity, QuantityError, QuantityField

LONGEST_TEMPLATE = 400
_ESCAPE = re.compile(r"\\(r|n|t|0|\\|x[0-9A-Fa-f]{2}|.|$)")
_PLAIN_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "0": "\0", "\\": "\\"}


def unescape(text: str) -> str:
    r"""Resolve \r \n \t \0 \\ and \xNN; every character of the result is one byte.

    Raises:
        ValueError: another escape.
    """

    def one(match: re.Match[str]) -> str:
        word = match[1]
        if word.startswith("x") and len(word) == 3:
            return chr(int(word[1:], 16))
        if word not in _PLAIN_ESCAPES:
            raise ValueError(f"\\{word}")
        return _PLAIN_ESCAPES[word]

    return _ESCAPE.sub(one, text)


def _escapes(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return unescape(value)
    except ValueError as error:
        remedy = "in single quotes write \\r, \\n, \\t, \\0, \\\\ or \\xNN"
        raise refuse(
            found=f"the escape {error}", expected="a known escape", remedy=remedy
        ) from None


def _wire_text(value: object) -> object:
    text = _escapes(value)
    if not isinstance(text, str):
        return text
    if any(ord(character) > 0xFF for character in text):
        remedy = "write other bytes as \\xNN"
        raise refuse(found=repr(value), expected="characters of one byte", remedy=remedy)
    return text


def one_or_more(value: object) -> object:
    """A single item where a list is allowed."""
    return [value] if isinstance(value, str | dict) else value


def any_quantity(text: str) -> Quantity:
    """A quantity whose unit says the dimension ('40 mA').

    Raises:
        QuantityError: not a number with a known unit.
    """
    unit = text.lstrip("+-0123456789.").strip()
    known = UNITS.get(unit)
    if known is None:
        remedy = "write a number and a unit, such as '40 mA'"
        raise QuantityError(repr(text), "a quantity", remedy)
    return Quantity.of(text, known[0])


def _quantity(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return any_quantity(value)
    except QuantityError as error:
        raise refuse(found=error.found, expected=error.expected, remedy=error.remedy) from error


def _span(value: object) -> object:
    """'100 V .. 4000 V'."""
    if not isinstance(value, str):
        return value
    parts = value.split(" .. ")
    remedy = "write it as '100 V .. 4000 V'"
    if len(parts) != 2:
        raise refuse(
            found=repr(value), expected="two quantities with ' .. ' between", remedy=remedy
        )
    least, most = _quantity(parts[0]), _quantity(parts[1])
    if not isinstance(least, Quantity) or not isinstance(most, Quantity):
        return (least, most)
    if least.dimension is not most.dimension or least > most:
        expected = "the smaller one first, both of one kind"
        raise refuse(found=repr(value), expected=expected, remedy=remedy)
    return (least, most)


WireText = Annotated[str, BeforeValidator(_wire_text)]
"""Bytes as text (Latin-1) with our escapes."""
Template = Annotated[str, BeforeValidator(_escapes), Field(max_length=LONGEST_TEMPLATE)]
"""Text with fields, and the same escapes."""
Templates = Annotated[tuple[Template, ...], BeforeValidator(one_or_more)]
WireTexts = Annotated[tuple[WireText, ...], BeforeValidator(one_or_more)]
Words = Annotated[tuple[str, ...], BeforeValidator(one_or_more)]
AnyQuantity = Annotated[Quantity, BeforeValidator(_quantity)]
QuantitySpan = Annotated[tuple[AnyQuantity, AnyQuantity], BeforeValidator(_span)]
Duration = Annotated[Quantity, QuantityField(Dimension.TIME, "0 s", "600 s")]
Volts = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "0 V", "100 kV")]
Amperes = Annotated[Quantity, QuantityField(Dimension.CURRENT, "0 A", "1 kA")]
Hertz = Annotated[Quantity, QuantityField(Dimension.FREQUENCY, "1 Hz", "1 kHz")]
Conditions = dict[str, Words]
"""Field → the words or numbers that fit; the pseudo-fields `present` and `absent` name fields."""


def seconds(text: str) -> Quantity:
    """A default duration."""
    return Quantity.of(text, Dimension.TIME)


class RatingModel(Strict):
    """What a contact or terminal stands; what isn't stated is refused where it is asked."""

    ac_rms: Volts | None = None
    peak: Volts | None = None
    dc: Volts | None = None
    current: Amperes | None = None

    def rating(self) -> Rating:
        """In SI units."""

        def value(quantity: Quantity | None) -> Decimal | None:
            return None if quantity is None else quantity.value

        return Rating(value(self.ac_rms), value(self.peak), value(self.dc), value(self.current))


class Band(Strict):
    """A range with the instrument's own step, or a fixed value."""

    range: QuantitySpan | None = None
    resolution: AnyQuantity | None = None
    fixed: AnyQuantity | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.range is None) == (self.fixed is None):
            remedy = "write {range: 0.1 s .. 99.9 s, resolution: 0.1 s}, or {fixed: 0.5 s}"
            raise refuse(found="both or neither", expected="range or fixed", remedy=remedy)
        if self.range and self.resolution and self.range[0].dimension != self.resolution.dimension:
            found = f"a range of {self.range[0].dimension}, a resolution of another kind"
            raise refuse(found=found, expected="one dimension", remedy="correct the unit")
        return self

    @property
    def dimension(self) -> Dimension:
        """What it measures."""
        quantity = self.range[0] if self.range else self.fixed
        if quantity is None:  # excluded by the validator
            raise ValueError("a band without range and fixed value")
        return quantity.dimension

    def span(self) -> Span | None:
        """In SI units; ``None`` for a fixed value."""
        if self.range is None:
            return None
        step = None if self.resolution is None else self.resolution.value
        return Span(self.range[0].value, self.range[1].value, step)
