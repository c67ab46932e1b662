"""The words of a FORMAT, read one by one; whether they go together is judged in `formats`."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal

from drivers.language.dialect import TemplateError
from drivers.language.fields import FieldSpec, nearest
from orchestrator.units import UNITS, Dimension

SEPARATORS = {"blank": " ", "comma": ",", "semicolon": ";", "colon": ":", "bar": "|"}
_SLOPES = {"A/s": Decimal(1), "mA/s": Decimal("0.001")}
_COUNTED = re.compile(r"(xl|[dexsbwz.,])([0-9]{1,3})")
_UNIT = re.compile(r"((?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)?)([^\W\d_][^\s]*)")
PLAIN_WORDS = ("suffix", "text", "quoted", "list", "bits", "mirrored", "d", "+")


@dataclass(slots=True)
class Wanted:
    """What the words of one format asked for."""

    marks: dict[str, int | None] = field(default_factory=dict)
    unit: tuple[str, Decimal, Dimension] | None = None
    scale: Decimal = Decimal(1)
    largest: str | None = None
    exponent: str | None = None
    separator: str | None = None
    ranges: str | None = None

    def has(self, *marks: str) -> bool:
        return any(mark in self.marks for mark in marks)


def read_words(text: str, spec: FieldSpec, column: int) -> Wanted:
    """The words of a format. Raises TemplateError."""
    wanted = Wanted()
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


def _read_word(wanted: Wanted, word: str, spec: FieldSpec, at: int) -> None:
    if word in PLAIN_WORDS:
        _mark(wanted, word, None, at)
    elif counted := _COUNTED.fullmatch(word):
        _mark(wanted, counted[1], int(counted[2]), at)
    elif word.startswith("exp="):
        wanted.exponent = word.removeprefix("exp=")
        _mark(wanted, "exp", None, at)
    elif word.startswith("ranges") and len(word) == len("ranges") + 1:
        wanted.ranges = word[-1]
        _mark(wanted, "ranges", None, at)
    elif (ends := _span(word)) is not None:
        _mark(wanted, "unit", None, at)
        _mark(wanted, "span", None, at)
        wanted.unit, wanted.largest = ends
    elif (unit := _unit(word)) is not None:
        _mark(wanted, "unit", None, at)
        wanted.unit, wanted.scale = unit
    else:
        known = [*PLAIN_WORDS, *UNITS, ".1", ",1", "d4", "e3", "s3", "x2", "b8", "w6", "z6"]
        raise TemplateError(
            f"{word!r} in the format of {spec.name!r}",
            "a unit, .N ,N dN eN sN xN bN wN zN + suffix exp=FIELD text quoted list bits",
            nearest(word, known),
            at,
        )


def _mark(wanted: Wanted, mark: str, number: int | None, at: int) -> None:
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


def _span(word: str) -> tuple[tuple[str, Decimal, Dimension], str] | None:
    """'nA..mA': the smallest unit and the name of the largest."""
    low, dots, high = word.partition("..")
    if not dots or low not in UNITS or high not in UNITS:
        return None
    dimension, size = UNITS[low]
    if UNITS[high][0] is not dimension or UNITS[high][1] <= size:
        return None
    return (low, size, dimension), high
