"""Quantities as people write them: '1.5 kV', '100 mohm', '25 A', '2 Mohm', '0.5 s'.

Grammar: optional sign, digits with an optional decimal point, one blank or none, one unit of the
closed list `UNITS`. Nothing else: no exponent, no decimal comma, no blank inside the number, no
arithmetic, no bare number. Values are exact decimals in the dimension's SI unit (temperature in
degC, area in mm2, slope in V/s), so that '0.1 A' is a tenth and not a neighbour of it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Context, Decimal
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Self

from orchestrator.errors import refuse
from orchestrator.units import EXAMPLE, UNITS, WRITTEN, Dimension

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
    from pydantic_core import CoreSchema

__all__ = ["UNITS", "Dimension", "Quantity", "QuantityError", "QuantityField", "parse_quantity"]

LONGEST_TEXT = 120
"""Characters; whatever is longer isn't a quantity somebody wrote."""

_EXACT = Context(prec=2 * LONGEST_TEXT)


class QuantityError(ValueError):
    """A text isn't a quantity of the wanted dimension. Says found, expected and remedy."""

    def __init__(self, found: str, expected: str, remedy: str) -> None:
        super().__init__(f"found {found}, expected {expected}, {remedy}")
        self.found = found
        self.expected = expected
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Quantity:
    """An exact value with its dimension; compares only within one dimension.

    Args:
        value: in V, A, ohm, s, Hz, m, F, J, W, degC, mm2 or V/s.
        dimension: what is measured.

    Raises:
        ValueError: the value isn't finite.
    """

    value: Decimal
    dimension: Dimension

    def __post_init__(self) -> None:
        if not self.value.is_finite():
            raise ValueError(f"a {self.dimension} must be finite, not {self.value}")

    @classmethod
    def of(cls, text: str, dimension: Dimension) -> Self:
        """Read '1.5 kV' and the like; see `parse_quantity`."""
        return cls(_parse_value(text, dimension), dimension)

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        """The value with the prefix that suits it, exact, and readable by `parse_quantity`."""
        sign, digits, exponent = self.value.as_tuple()
        if not isinstance(exponent, int) or self.value == 0:
            return f"0 {_base_unit(self.dimension)}"
        power, unit = _suitable_unit(self.value.adjusted(), self.dimension)
        number = format(Decimal((sign, digits, exponent - power)), "f")
        if "." in number:
            number = number.rstrip("0").rstrip(".")
        return f"{number} {unit}"

    def __lt__(self, other: Quantity) -> bool:
        return self.value < self._comparable(other)

    def __le__(self, other: Quantity) -> bool:
        return self.value <= self._comparable(other)

    def __gt__(self, other: Quantity) -> bool:
        return self.value > self._comparable(other)

    def __ge__(self, other: Quantity) -> bool:
        return self.value >= self._comparable(other)

    def _comparable(self, other: object) -> Decimal:
        if not isinstance(other, Quantity):
            raise TypeError(f"can't compare a quantity with {type(other).__name__}")
        if other.dimension is not self.dimension:
            raise TypeError(f"can't compare a {self.dimension} with a {other.dimension}")
        return other.value


def parse_quantity(text: str, dimension: Dimension) -> Quantity:
    """Read a quantity of one dimension.

    Raises:
        QuantityError: the text is anything but a number and a unit of this dimension.
    """
    return Quantity.of(text, dimension)


def _base_unit(dimension: Dimension) -> str:
    return next(name for power, name in WRITTEN[dimension] if power == 0)


def _names(dimension: Dimension) -> list[str]:
    """Every unit that is accepted, in plain letters, smallest first; 'min' and 'h' included."""
    here = [(size, name) for name, (its, size) in UNITS.items() if its is dimension]
    return [name for _, name in sorted(here, key=lambda entry: entry[0]) if name.isascii()]


def _suitable_unit(magnitude: int, dimension: Dimension) -> tuple[int, str]:
    """The largest unit that is not larger than the value; the smallest unit for tiny values."""
    written = WRITTEN[dimension]
    fitting = [entry for entry in written if entry[0] <= magnitude]
    return fitting[-1] if fitting else written[0]


# ---- reading ------------------------------------------------------------------------------------

_NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)( ?)(\S*)")
_BLANKS_INSIDE = re.compile(r"([+-]?[0-9]+(?:[ \u00a0\u202f'_][0-9.]+)+)\s*(\S*)")
_EXPONENT = re.compile(r"[eE][+-]?[0-9]")


def _parse_value(text: str, dimension: Dimension) -> Decimal:
    if len(text) > LONGEST_TEXT:
        found = f"{text[:20]!r}… ({len(text)} characters)"
        raise QuantityError(found, _expected(dimension), "write one number and one unit")
    number = _NUMBER.match(text)
    if number is None:
        raise _no_number(text, dimension)
    rest = text[number.end() :]
    unit = rest.removeprefix(" ")
    known = UNITS.get(unit)
    if known is None:
        raise _no_unit(text, number.group(), rest, dimension)
    if known[0] is not dimension:
        remedy = f"write a {dimension} here, such as {EXAMPLE[dimension]!r}"
        raise QuantityError(f"{text!r} (a {known[0]})", _expected(dimension), remedy)
    return _EXACT.multiply(Decimal(number.group()), known[1])


def _expected(dimension: Dimension) -> str:
    article = "an" if dimension in {Dimension.ENERGY, Dimension.AREA} else "a"
    return f"{article} {dimension} such as {EXAMPLE[dimension]!r}"


def _no_number(text: str, dimension: Dimension) -> QuantityError:
    """Why a text doesn't begin with a number."""
    example = f"write a number and a unit, such as {EXAMPLE[dimension]!r}"
    bare = text.strip().lstrip("+-")
    if not bare:
        return QuantityError("nothing" if not text else repr(text), _expected(dimension), example)
    if bare.casefold().startswith(("nan", "inf")):
        return QuantityError(repr(text), _expected(dimension), f"only finite numbers: {example}")
    if bare in UNITS:
        return QuantityError(f"{text!r} without a number", _expected(dimension), example)
    if re.match(r"\.[0-9]", bare):
        remedy = f"write a digit before the point: {text.strip().replace('.', '0.', 1)!r}"
        return QuantityError(repr(text), _expected(dimension), remedy)
    if text != text.strip():
        return QuantityError(repr(text), _expected(dimension), "remove the blanks around it")
    same = [name for name, (its, _) in UNITS.items() if its is dimension]
    if near := [name for name in same if name.casefold() == bare.casefold()]:
        remedy = f"did you mean {' or '.join(near)}? write the number before it"
        return QuantityError(f"{text!r} without a number", _expected(dimension), remedy)
    return QuantityError(repr(text), _expected(dimension), example)


def _no_unit(text: str, number: str, rest: str, dimension: Dimension) -> QuantityError:
    """Why what follows the number isn't a unit."""
    base = _base_unit(dimension)
    found = repr(text)
    if not rest.strip():
        names = _names(dimension)
        choice = f"{names[0]!r}" if len(names) == 1 else f"one of {', '.join(names)}"
        remedy = f"add the unit: {f'{number} {base}'!r} if it is {base} ({choice})"
        return QuantityError(f"{found} without a unit", _expected(dimension), remedy)
    if comma := _COMMA.fullmatch(text):
        unit = comma[4] or base
        remedy = f"write {f'{comma[1]}.{comma[2]} {unit}'!r}: the decimal sign is a point"
    elif inside := _BLANKS_INSIDE.fullmatch(text):
        digits = re.sub(r"[^0-9.+-]", "", inside[1])
        remedy = f"write {f'{digits} {inside[2] or base}'!r}: no separators inside the number"
    elif _EXPONENT.match(rest):
        remedy = f"write the digits out or choose a prefix, such as {EXAMPLE[dimension]!r}"
    elif rest[0] in "*/^+-×·.,:()%":
        remedy = f"no arithmetic and no ranges: write one number, such as {EXAMPLE[dimension]!r}"
    elif rest.strip() in UNITS:
        remedy = f"write {f'{number} {rest.strip()}'!r}: one blank or none before the unit"
    else:
        return _unknown_unit(number, rest.strip(), found, dimension)
    return QuantityError(found, _expected(dimension), remedy)


def _unknown_unit(number: str, unit: str, found: str, dimension: Dimension) -> QuantityError:
    """Name the unit probably meant: same letters in another case first, then similar spelling."""
    here = [name for name, (its, _) in UNITS.items() if its is dimension]
    folded = [name.casefold() for name in here]
    nearest = get_close_matches(unit.casefold(), folded, n=1, cutoff=0.6)
    near = get_close_matches(unit, here, n=1, cutoff=0.85) or [
        name for name in here if name.casefold() in nearest
    ]
    if unit.casefold() in folded:
        near = [name for name in here if name.casefold() == unit.casefold()]
    if len(near) > 1:
        remedy = f"did you mean {' or '.join(near)}? upper and lower case differ by 1 000 000 000"
    elif near:
        remedy = f"did you mean {near[0]}? write {f'{number} {near[0]}'!r}"
    else:
        remedy = f"use one of {', '.join(_names(dimension))}"
    return QuantityError(f"{found} with the unknown unit {unit!r}", _expected(dimension), remedy)


# ---- fields of models ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class QuantityField:
    """Marks a model's field as a quantity within a plausible range, ends included.

    ``level: Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "100 kV")]``

    The range catches slips (mohm for Mohm), not limits of an instrument; those are binding's.

    Raises:
        QuantityError: a bound isn't a quantity of the dimension.
        ValueError: the bounds are the wrong way round.
    """

    dimension: Dimension
    least: str
    most: str

    def __post_init__(self) -> None:
        if self._least() > self._most():
            raise ValueError(f"empty range: {self.least!r} is above {self.most!r}")

    def _least(self) -> Quantity:
        return Quantity.of(self.least, self.dimension)

    def _most(self) -> Quantity:
        return Quantity.of(self.most, self.dimension)

    def check(self, value: object) -> Quantity:
        """Read or take over a quantity.

        Raises:
            QuantityError: not a quantity, of another dimension, or outside the range.
        """
        if isinstance(value, Quantity):
            quantity, text = value, str(value)
            if quantity.dimension is not self.dimension:
                remedy = f"give a {self.dimension} here, such as {EXAMPLE[self.dimension]!r}"
                found = f"'{quantity}' (a {quantity.dimension})"
                raise QuantityError(found, _expected(self.dimension), remedy)
        elif isinstance(value, str):
            quantity, text = Quantity.of(value, self.dimension), value
        else:
            found = "nothing" if value is None else f"{value!r:.60}"
            remedy = f"write a number and a unit, such as {EXAMPLE[self.dimension]!r}"
            raise QuantityError(found, _expected(self.dimension), remedy)
        if not self._least() <= quantity <= self._most():
            raise self._implausible(quantity, text)
        return quantity

    def _implausible(self, quantity: Quantity, text: str) -> QuantityError:
        expected = f"a {self.dimension} from {self.least} to {self.most}"
        for factor, meant in ((9, "M"), (-9, "m")):
            swapped = Quantity(_EXACT.scaleb(quantity.value, factor), self.dimension)
            fits = self._least() <= swapped <= self._most()
            if fits and self.dimension is Dimension.RESISTANCE and _begins(text, meant):
                remedy = f"did you mean '{swapped}'? mohm and Mohm differ by 1 000 000 000"
                return QuantityError(repr(text), expected, remedy)
        return QuantityError(repr(text), expected, "check number and prefix")

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(
            self._validate,
            serialization=core_schema.plain_serializer_function_ser_schema(str),
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {
            "type": "string",
            "description": f"a {self.dimension} from {self.least} to {self.most}",
            "examples": [EXAMPLE[self.dimension]],
        }

    def _validate(self, value: object) -> Quantity:
        try:
            return self.check(value)
        except QuantityError as error:
            raise refuse(found=error.found, expected=error.expected, remedy=error.remedy) from error


def _begins(text: str, meant: str) -> bool:
    """Whether the text's unit has the other case of the prefix that is probably meant."""
    unit = text.lstrip("+-0123456789. ")
    return unit[:1] == ("m" if meant == "M" else "M")
