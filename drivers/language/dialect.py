"""What a whole profile shares: words, unit spellings, tokens, decimal sign, encoding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from drivers.language.fields import FIELDS, FieldKind, nearest
from orchestrator.quantities import Quantity
from orchestrator.units import UNITS


class TemplateError(ValueError):
    """A template or dialect is wrong. ``column``: offset in the template's text."""

    def __init__(self, found: str, expected: str, remedy: str, column: int = 0) -> None:
        super().__init__(f"column {column + 1}: found {found}, expected {expected}; {remedy}")
        self.found, self.expected, self.remedy, self.column = found, expected, remedy, column


@dataclass(frozen=True, slots=True)
class Token:
    """What stands in place of a reading; exactly one of text, prefix, number is given.

    Attributes:
        text: the whole field, as it stands on the wire.
        prefix: begins the field; a number in the field's format follows ('>9.99').
        number: any spelling of this wire number, before scaling ('9.9E37', '+9.900000E+37').
        exponent: of a number whose power of ten stands in another field: both must be so.
        means: above or below the measuring range, or no reading.
        of: end of the range, where the token tells it; confines the token to this dimension.
    """

    means: Literal["above", "below", "none"]
    text: str | None = None
    prefix: str | None = None
    number: Decimal | None = None
    of: Quantity | None = None
    exponent: int | None = None

    def __post_init__(self) -> None:
        given = [part for part in (self.text, self.prefix, self.number) if part is not None]
        if len(given) != 1 or given == [""]:
            raise TemplateError(
                f"a token with {len(given)} of text, prefix, number",
                "exactly one, not empty",
                "say which text, prefix or number stands for 'no number'",
            )
        if self.exponent is not None and self.number is None:
            raise TemplateError(
                "a token with an exponent, but no number",
                "both",
                "write number: '9.9999', exponent: '99'",
            )


SCPI_TOKENS = (
    Token("above", number=Decimal("9.9E37")),
    Token("below", number=Decimal("-9.9E37")),
    Token("none", number=Decimal("9.91E37")),
)
"""SCPI-1999 volume 1, 7.2.1: +INF, -INF and NaN (from memory)."""

Blanks = Literal["exact", "trim", "any"]


@dataclass(frozen=True, slots=True)
class Dialect:
    """What all templates of a profile share.

    Attributes:
        words: field → neutral word → wire text, or several of which the first is sent.
        units: unit name → its spelling on the wire, or several of which the first is sent.
        tokens: over-range and no-value tokens, matched on the raw text before any scaling.
        decimal_comma: decimals are set off by a comma unless a format says otherwise.
        list_separator: between the items of a list whose format names none.
        blanks: ``exact``; ``trim``: blanks around a whole reply are ignored; ``any``: around
            every field of it too.
        ignore_case: words of replies are recognised in either case.
    """

    encoding: Literal["ascii", "latin-1"] = "ascii"
    words: Mapping[str, Mapping[str, str | tuple[str, ...]]] = field(default_factory=dict)
    units: Mapping[str, str | tuple[str, ...]] = field(default_factory=dict)
    tokens: tuple[Token, ...] = ()
    decimal_comma: bool = False
    list_separator: str = ","
    blanks: Blanks = "exact"
    ignore_case: bool = False

    def __post_init__(self) -> None:
        for name in self.words:
            self._check_words(name)
        for unit in self.units:
            if unit not in UNITS:
                raise TemplateError(f"unit {unit!r}", "a known unit", nearest(unit, UNITS))
        self._check_spellings()
        if not self.list_separator:
            raise TemplateError("an empty list separator", "a text", "say what parts the items")

    def spellings(self, unit: str) -> tuple[str, ...]:
        """How a unit is written on the wire, the one to send first; () if it isn't."""
        return _several(self.units.get(unit, ()))

    def wire_words(self, name: str) -> Mapping[str, tuple[str, ...]]:
        """Neutral word → wire texts of one field."""
        return {word: _several(wire) for word, wire in self.words.get(name, {}).items()}

    def folded(self, text: str) -> str:
        """A wire word as it is compared."""
        return text.casefold() if self.ignore_case else text

    def _check_words(self, name: str) -> None:
        spec = FIELDS.get(name)
        if spec is None:
            raise TemplateError(f"words for {name!r}", "a known field", nearest(name, FIELDS))
        if spec.kind is not FieldKind.WORD:
            raise TemplateError(
                f"words for {name!r}, which is a {spec.kind}", "a word field", "drop these words"
            )
        seen: dict[str, str] = {}
        for word, wires in self.wire_words(name).items():
            if spec.words is not None and word not in spec.words:
                raise TemplateError(
                    f"{name} word {word!r}", "a neutral word", nearest(word, spec.words)
                )
            if not wires or "" in wires:
                raise TemplateError(f"{name} word {word!r} without text", "a text", "write it")
            for wire in wires:
                other = seen.setdefault(self.folded(wire), word)
                if other != word:
                    raise TemplateError(
                        f"{wire!r} for {name} {other!r} and {word!r} alike",
                        "one meaning for each text",
                        "use different texts, or one neutral word",
                    )

    def _check_spellings(self) -> None:
        """One spelling must not stand for two sizes: 'M' for milli and mega would."""
        seen: dict[tuple[str, str], str] = {}
        for unit in self.units:
            dimension, size = UNITS[unit]
            if not self.spellings(unit) or "" in map(str.strip, self.spellings(unit)):
                raise TemplateError(f"unit {unit!r} without text", "a spelling", "write it")
            for spelling in self.spellings(unit):
                key = (dimension.value, spelling.strip(" "))
                other = seen.setdefault(key, unit)
                if UNITS[other][1] != size:
                    raise TemplateError(
                        f"{spelling!r} for {other} and {unit} alike",
                        "one size for each spelling",
                        "drop one of them",
                    )


def _several(wire: str | tuple[str, ...]) -> tuple[str, ...]:
    return (wire,) if isinstance(wire, str) else tuple(wire)
