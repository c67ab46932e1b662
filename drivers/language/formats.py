"""The FORMAT in ``{name:FORMAT|ALTERNATIVE}``: words parted by blanks, read into a codec.

| word | meaning |
| --- | --- |
| ``V`` ``mA`` ``10V`` ``0.1mohm`` | unit; the wire number counts so many of it |
| ``.N`` ``,N`` | N decimals, after a point or a comma |
| (none) | any plain number; only in replies |
| ``d`` ``dN`` | whole number, free or filled with zeros to exactly N digits |
| ``eN`` | N decimals and an exponent: 1.500E+03 (NR3 of IEEE 488.2, 8.7.4) |
| ``sN`` | N significant digits |
| ``xN`` ``xlN`` ``bN`` | N hexadecimal digits, upper or lower case; N binary digits |
| ``wN`` ``zN`` | N characters in all, filled with blanks or zeros on the left |
| ``+`` | always with a sign |
| ``suffix`` | the unit's text follows the number |
| ``exp=FIELD`` | value = number · 10^FIELD, which stands elsewhere in the template |
| ``text`` ``text N`` ``quoted`` | text; padded with blanks to N; in doubled quotes |
| ``list SEP`` ``ranges:`` | list parted by SEP (or blank, comma, semicolon, colon, bar); a-b read |
| ``bits`` ``mirrored`` | register as a decimal number; leftmost binary digit is bit 0 |
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from drivers.language.dialect import Dialect, TemplateError
from drivers.language.fields import FieldKind, FieldSpec, nearest
from drivers.language.values import (
    Codec,
    ListCodec,
    NumberCodec,
    ReadingCodec,
    Style,
    TextCodec,
    WordCodec,
)
from orchestrator.units import UNITS, WRITTEN, Dimension

SEPARATORS = {"blank": " ", "comma": ",", "semicolon": ";", "colon": ":", "bar": "|"}
_SLOPES = {"A/s": Decimal(1), "mA/s": Decimal("0.001")}
_COUNTED = re.compile(r"(xl|[dexsbwz.,])([0-9]{1,3})")
_UNIT = re.compile(r"((?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)?)([^\W\d_][^\s]*)")
_STYLES: Mapping[str, Style] = {
    ".": "decimals",
    ",": "decimals",
    "d": "count",
    "e": "exponent",
    "s": "significant",
    "x": "hex",
    "xl": "hex",
    "b": "binary",
}
_NUMERIC = frozenset({FieldKind.QUANTITY, FieldKind.NUMBER, FieldKind.BITS, FieldKind.MASK})
_PLAIN_WORDS = ("suffix", "text", "quoted", "list", "bits", "mirrored", "d", "+")


@dataclass(slots=True)
class _Wanted:
    """What the words of one format asked for."""

    marks: dict[str, int | None] = field(default_factory=dict)
    unit: tuple[str, Decimal, Dimension] | None = None
    scale: Decimal = Decimal(1)
    exponent: str | None = None
    separator: str | None = None
    ranges: str | None = None

    def has(self, *marks: str) -> bool:
        return any(mark in self.marks for mark in marks)


@dataclass(frozen=True, slots=True)
class FieldFormat:
    """A compiled format. ``exponent``: name of the field that holds the power of ten."""

    codec: Codec
    exponent: str | None = None


def compile_format(
    text: str,
    spec: FieldSpec,
    dialect: Dialect,
    dimension: Dimension | None,
    column: int = 0,
    *,
    sending: bool = False,
) -> FieldFormat:
    """Read a format.

    Args:
        text: what stands between the colon and the bar; may be empty.
        dimension: of a quantity, where it is known; ``None`` lets the unit say it.
        column: where the format stands in its template, for messages.
        sending: then a quantity's format must say how many decimals or digits go out.

    Raises:
        TemplateError: the format isn't one, or doesn't suit the field.
    """
    wanted = _read_words(text, spec, column)
    _check_marks(wanted, spec, column, sending=sending)
    if spec.kind is FieldKind.WORD:
        return FieldFormat(_word_codec(wanted, spec, dialect, column))
    if spec.kind is FieldKind.TEXT:
        width = wanted.marks.get("text")
        return FieldFormat(TextCodec(width, wanted.has("quoted"), spec.name == "skip"))
    if spec.kind is FieldKind.LIST:
        item = _number_codec(replace(wanted), spec, dialect, None, column)
        separator = wanted.separator or dialect.list_separator
        if separator[0].isalnum() or separator == wanted.ranges:
            raise TemplateError(
                f"separator {separator!r}", "a mark that parts numbers", "use another", column
            )
        return FieldFormat(ListCodec(separator, item, wanted.ranges))
    number = _number_codec(wanted, spec, dialect, dimension, column)
    if spec.reading:
        tokens = tuple(
            t
            for t in dialect.tokens
            if t.of is None or wanted.unit is None or t.of.dimension is wanted.unit[2]
        )
        return FieldFormat(ReadingCodec(number, tokens), wanted.exponent)
    return FieldFormat(number, wanted.exponent)


# ---- words --------------------------------------------------------------------------------------


def _read_words(text: str, spec: FieldSpec, column: int) -> _Wanted:
    wanted = _Wanted()
    words = [(m.group(), column + m.start()) for m in re.finditer(r"[^ ]+", text)]
    while words:
        word, at = words.pop(0)
        if word == "list" and words and not words[0][0].startswith("ranges"):
            following = words[0][0]
            if _COUNTED.fullmatch(following) is None and following != "d":
                separator = words.pop(0)[0]
                wanted.separator = SEPARATORS.get(separator, separator)
        if word == "text" and words and words[0][0].isdecimal():
            _mark(wanted, "text", int(words.pop(0)[0]), at)
            continue
        _read_word(wanted, word, spec, at)
    return wanted


def _read_word(wanted: _Wanted, word: str, spec: FieldSpec, at: int) -> None:
    if word in _PLAIN_WORDS:
        _mark(wanted, word, None, at)
    elif counted := _COUNTED.fullmatch(word):
        _mark(wanted, counted[1], int(counted[2]), at)
    elif word.startswith("exp="):
        wanted.exponent = word.removeprefix("exp=")
        _mark(wanted, "exp", None, at)
    elif word.startswith("ranges") and len(word) == len("ranges") + 1:
        wanted.ranges = word[-1]
        _mark(wanted, "ranges", None, at)
    elif (unit := _unit(word)) is not None:
        _mark(wanted, "unit", None, at)
        wanted.unit, wanted.scale = unit
    else:
        known = [*_PLAIN_WORDS, *UNITS, ".1", ",1", "d4", "e3", "s3", "x2", "b8", "w6", "z6"]
        raise TemplateError(
            f"{word!r} in the format of {spec.name!r}",
            "a unit, .N ,N dN eN sN xN bN wN zN + suffix exp=FIELD text quoted list bits",
            nearest(word, known),
            at,
        )


def _mark(wanted: _Wanted, mark: str, number: int | None, at: int) -> None:
    if mark in wanted.marks:
        raise TemplateError(f"{mark!r} twice", "each word once", "drop one of them", at)
    least, most = (0, 30) if mark in (".", ",", "e") else (1, 200)
    if number is not None and not least <= number <= most:
        raise TemplateError(
            f"{mark}{number}", f"a number from {least} to {most}", "change the number", at
        )
    wanted.marks[mark] = number


def _unit(word: str) -> tuple[tuple[str, Decimal, Dimension], Decimal] | None:
    match = _UNIT.fullmatch(word)
    if match is None:
        return None
    scale = Decimal(match[1] or "1")
    name = match[2]
    if name in UNITS:
        dimension, size = UNITS[name]
    elif name in _SLOPES:
        dimension, size = Dimension.SLOPE, _SLOPES[name]
    else:
        return None
    return ((name, size, dimension), scale) if scale > 0 else None


# ---- does the format suit the field? ------------------------------------------------------------

_SUITS: Mapping[FieldKind, frozenset[str]] = {
    FieldKind.QUANTITY: frozenset(
        {"unit", ".", ",", "d", "e", "s", "w", "z", "+", "suffix", "exp"}
    ),
    FieldKind.NUMBER: frozenset({".", "d", "e", "x", "xl", "w", "z", "+"}),
    FieldKind.BITS: frozenset({"bits", "d", "x", "xl", "b", "mirrored", "w", "+"}),
    FieldKind.MASK: frozenset({"bits", "d", "x", "xl", "b", "mirrored", "w"}),
    FieldKind.LIST: frozenset({"list", "ranges", "d"}),
    FieldKind.WORD: frozenset({"text", "w"}),
    FieldKind.TEXT: frozenset({"text", "quoted"}),
}


def _check_marks(wanted: _Wanted, spec: FieldSpec, column: int, *, sending: bool) -> None:
    for mark in wanted.marks:
        if mark not in _SUITS[spec.kind]:
            raise TemplateError(
                f"{mark!r} in the format of {spec.name!r}, which is a {spec.kind}",
                "one of " + " ".join(sorted(_SUITS[spec.kind])),
                "remove it or choose another field",
                column,
            )
    styles = [m for m in wanted.marks if m in _STYLES or m == "bits"]
    pairs: list[tuple[bool, str]] = [
        (len(styles) > 1, " and ".join(styles)),
        (wanted.has("w") and wanted.has("z"), "w and z"),
        (wanted.has("d") and wanted.has("z"), "d and z"),
        (wanted.has("text") and wanted.has("quoted", "w"), "text with another width"),
        (wanted.has("mirrored") and not wanted.has("b"), "mirrored without bN"),
        (wanted.has("suffix") and wanted.scale != 1, "suffix with a counted unit"),
        (wanted.has("suffix") and wanted.has("exp"), "suffix with exp"),
        (wanted.has("exp") and wanted.has("e", "s"), "exp with eN or sN"),
        (wanted.has("exp") and not wanted.has("w", "z", "d"), "exp without dN, wN or zN"),
        (wanted.has("exp") and wanted.marks.get("d", 1) is None, "exp with a free d"),
        (wanted.has("w", "z") and wanted.has("x", "xl", "b"), "a width beside xN or bN"),
        (sending and wanted.has("unit") and not styles, "no .N ,N dN eN or sN"),
    ]
    for wrong, what in pairs:
        if wrong:
            raise TemplateError(
                f"{what} in the format of {spec.name!r}",
                "words that go together",
                "say how many decimals or digits the wire takes"
                if what.startswith("no ")
                else "drop or change one of them",
                column,
            )


def _word_codec(wanted: _Wanted, spec: FieldSpec, dialect: Dialect, column: int) -> Codec:
    words = dialect.wire_words(spec.name)
    if not words and spec.words is not None:
        raise TemplateError(
            f"{spec.name!r} without words",
            "a wire text for each of " + ", ".join(sorted(spec.words)),
            f"list the words of {spec.name!r} in the dialect",
            column,
        )
    width = wanted.marks.get("w") or wanted.marks.get("text")
    return WordCodec(
        {word: wires[0] for word, wires in words.items()},
        {dialect.folded(wire): word for word, wires in words.items() for wire in wires},
        width,
        left=not wanted.has("w"),
        ignore_case=dialect.ignore_case,
    )


# ---- numbers ------------------------------------------------------------------------------------


def _number_codec(
    wanted: _Wanted,
    spec: FieldSpec,
    dialect: Dialect,
    dimension: Dimension | None,
    column: int,
) -> NumberCodec:
    style: Style = "free" if spec.kind is FieldKind.QUANTITY else "count"
    digits: int | None = None
    mark = ""
    for mark_ in wanted.marks:
        if mark_ in _STYLES:
            mark, style, digits = mark_, _STYLES[mark_], wanted.marks[mark_]
    options: dict[str, Any] = {}
    if spec.kind is FieldKind.QUANTITY:
        options |= _unit_options(wanted, spec, dialect, dimension, column)
    width = wanted.marks.get("w") or wanted.marks.get("z")
    plus = wanted.has("+")
    fixed = style in ("hex", "binary") or (style == "count" and digits is not None)
    if width is None and fixed and digits is not None and not options.get("suffix"):
        width = digits + (1 if plus else 0)
    return NumberCodec(
        style=style,
        digits=digits,
        width=width,
        pad="0" if wanted.has("z") else " " if wanted.has("w") else None,
        comma=mark == "," or (dialect.decimal_comma and style not in ("count", "hex", "binary")),
        plus=plus,
        negative=_may_be_negative(spec, style, digits, plus=plus),
        whole=spec.kind is not FieldKind.QUANTITY,
        upper=not wanted.has("xl"),
        mirrored=wanted.has("mirrored"),
        **options,
    )


def _may_be_negative(spec: FieldSpec, style: Style, digits: int | None, *, plus: bool) -> bool:
    """Set-points are never negative; neither is a fixed field without room for a sign."""
    if spec.kind is FieldKind.QUANTITY and not spec.reading:
        return False
    return plus or not (style == "count" and digits is not None)


def _unit_options(
    wanted: _Wanted,
    spec: FieldSpec,
    dialect: Dialect,
    dimension: Dimension | None,
    column: int,
) -> dict[str, Any]:
    expected = spec.dimension or dimension
    if wanted.unit is None:
        example = WRITTEN[expected][0][1] if expected else "V"
        raise TemplateError(
            f"{spec.name!r} without a unit",
            f"a unit of {expected}" if expected else "a unit",
            f"write what the wire number counts, such as {example!r}",
            column,
        )
    name, size, its = wanted.unit
    if expected is not None and its is not expected:
        raise TemplateError(
            f"{name} (a {its}) for {spec.name!r}", f"a unit of {expected}", "change it", column
        )
    options: dict[str, Any] = {"factor": size * wanted.scale}
    if wanted.has("suffix"):
        spelled = {
            spelling.strip(" "): UNITS[unit][1]
            for unit in dialect.units
            if UNITS[unit][0] is its
            for spelling in dialect.spellings(unit)
        }
        own = dialect.spellings(name)
        if spelled and not own:
            raise TemplateError(
                f"suffix of {name!r}, which the dialect doesn't spell",
                "one of its units " + ", ".join(dialect.units),
                f"add {name!r} to the dialect's units",
                column,
            )
        options["suffix"] = own[0] if own else name
        options["units"] = spelled or {n: UNITS[n][1] for _, n in WRITTEN[its]}
        if not spelled and name not in options["units"]:
            options["units"] = {**options["units"], name: size}
    return options
