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
| ``nA..mA`` | with ``sN suffix``: the unit out of these that keeps the number below 1000 |
| ``exp=FIELD`` | value = number · 10^FIELD, which stands elsewhere in the template |
| ``text`` ``text N`` ``quoted`` | text; padded with blanks to N; in doubled quotes |
| ``list SEP`` ``ranges:`` | list parted by SEP (or blank, comma, semicolon, colon, bar); a-b read |
| ``bits`` ``mirrored`` | register as a decimal number; leftmost binary digit is bit 0 |
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from drivers.language.dialect import Dialect, TemplateError
from drivers.language.fields import FIELDS, FieldKind, FieldSpec
from drivers.language.format_words import Wanted, read_words
from drivers.language.values import (
    Codec,
    ListCodec,
    NumberCodec,
    ReadingCodec,
    RolesCodec,
    Style,
    TextCodec,
    WordCodec,
)
from orchestrator.units import UNITS, WRITTEN, Dimension

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
    wanted = read_words(text, spec, column)
    _check_marks(wanted, spec, column, sending=sending)
    if spec.kind is FieldKind.WORD:
        return FieldFormat(_word_codec(wanted, spec, dialect, column))
    if spec.kind is FieldKind.TEXT:
        width = wanted.marks.get("text")
        return FieldFormat(TextCodec(width, wanted.has("quoted"), spec.name == "skip"))
    if spec.kind is FieldKind.ROLES:
        return FieldFormat(_roles_codec(wanted, dialect, column))
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
            if (t.of is None or wanted.unit is None or t.of.dimension is wanted.unit[2])
            and (t.exponent is None or wanted.exponent is not None)
        )
        return FieldFormat(ReadingCodec(number, tokens), wanted.exponent)
    return FieldFormat(number, wanted.exponent)


# ---- does the format suit the field? ------------------------------------------------------------

_SUITS: Mapping[FieldKind, frozenset[str]] = {
    FieldKind.QUANTITY: frozenset(
        {"unit", "span", ".", ",", "d", "e", "s", "w", "z", "+", "suffix", "exp"}
    ),
    FieldKind.NUMBER: frozenset({".", "d", "e", "x", "xl", "w", "z", "+"}),
    FieldKind.BITS: frozenset({"bits", "d", "x", "xl", "b", "mirrored", "w", "+"}),
    FieldKind.MASK: frozenset({"bits", "d", "x", "xl", "b", "mirrored", "w"}),
    FieldKind.LIST: frozenset({"list", "ranges", "d", "x", "xl"}),
    FieldKind.ROLES: frozenset({"list"}),
    FieldKind.WORD: frozenset({"text", "w"}),
    FieldKind.TEXT: frozenset({"text", "quoted"}),
}


def _check_marks(wanted: Wanted, spec: FieldSpec, column: int, *, sending: bool) -> None:
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
        (wanted.has("span") and not wanted.has("suffix"), "units to choose from without suffix"),
        (wanted.has("span") and not wanted.has("s"), "units to choose from without sN"),
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


def _word_codec(wanted: Wanted, spec: FieldSpec, dialect: Dialect, column: int) -> Codec:
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


def _roles_codec(wanted: Wanted, dialect: Dialect, column: int) -> RolesCodec:
    word = _word_codec(Wanted(), FIELDS["role"], dialect, column)
    if not isinstance(word, WordCodec) or "open" not in word.to_wire:
        raise TemplateError(
            "roles of every channel without a word for 'open'",
            "words for open, source and return",
            "add open to the words of role",
            column,
        )
    separator = ""
    if wanted.has("list"):
        separator = wanted.separator or dialect.list_separator
    if not separator and len({len(text) for text in word.from_wire}) != 1:
        raise TemplateError(
            "role words of different lengths side by side",
            "words of one length, or a separator",
            "write {channel_roles:list SEP} if something parts them",
            column,
        )
    return RolesCodec(word, separator)


# ---- numbers ------------------------------------------------------------------------------------


def _number_codec(
    wanted: Wanted,
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
    wanted: Wanted,
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
        if wanted.largest is not None:
            options["spread"] = _spread(size, wanted.largest, its, dialect)
    return options


def _spread(
    least: Decimal, largest: str, its: Dimension, dialect: Dialect
) -> tuple[tuple[str, Decimal], ...]:
    """Units from one to another as the dialect spells them; all, where it spells none."""
    names = [name for name in dialect.units if UNITS[name][0] is its]
    sizes = {
        UNITS[name][1]: (dialect.spellings(name) or (name,))[0]
        for name in names or [name for _, name in WRITTEN[its]]
        if least <= UNITS[name][1] <= UNITS[largest][1]
    }
    return tuple((sizes[size], size) for size in sorted(sizes))
