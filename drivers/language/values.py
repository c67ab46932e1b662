"""How a value is written on the wire and read back: words, lists, text, readings.

A codec is never asked to guess: whatever can't be written is refused; whatever can't be read is
``NO_MATCH``. Numbers are in `drivers.language.numerals`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from drivers.language.dialect import Token
from drivers.language.fields import Rounding
from drivers.language.numerals import (
    NO_MATCH,
    UNKNOWN,
    Ambiguous,
    Codec,
    Marker,
    NumberCodec,
    Refused,
    Style,
)
from orchestrator.model.record import Reading

__all__ = [
    "NO_MATCH",
    "UNKNOWN",
    "Ambiguous",
    "Codec",
    "ListCodec",
    "Marker",
    "NumberCodec",
    "ReadingCodec",
    "Refused",
    "RolesCodec",
    "Style",
    "TextCodec",
    "WordCodec",
]


@dataclass(frozen=True, slots=True)
class WordCodec:
    """A word out of a list; without a list (open vocabularies only) any word passes as it is."""

    to_wire: Mapping[str, str]
    from_wire: Mapping[str, str]
    width: int | None = None
    left: bool = True
    ignore_case: bool = False

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        word = ("on" if value else "off") if isinstance(value, bool) else value
        if not isinstance(word, str):
            raise Refused(f"{value!r:.60}", "a word", "hand over a neutral word")
        if not self.to_wire:
            if not _OPEN_WORD.fullmatch(word):
                raise Refused(f"{word!r:.60}", "letters, digits, - . _", "list it in the dialect")
            wire = str(word)
        elif word not in self.to_wire:
            known = ", ".join(self.to_wire)
            raise Refused(repr(str(word)), f"one of {known}", "the dialect has no text for it")
        else:
            wire = self.to_wire[word]
        if self.width is None:
            return wire
        if len(wire) > self.width:
            raise Refused(repr(wire), f"at most {self.width} characters", "shorten the text")
        return wire.ljust(self.width) if self.left else wire.rjust(self.width)

    def decode(self, text: str, power: int = 0) -> Any:
        if self.width is not None:
            if len(text) != self.width:
                return NO_MATCH
            text = text.rstrip(" ") if self.left else text.lstrip(" ")
        if not text or not text.isprintable() or len(text) > 200:
            return NO_MATCH
        if not self.to_wire:
            return text if _OPEN_WORD.fullmatch(text) else UNKNOWN
        return self.from_wire.get(text.casefold() if self.ignore_case else text, UNKNOWN)

    def holds(self, literal: str) -> bool:
        return self.width is None and any(literal in wire for wire in self.to_wire.values())


_OPEN_WORD = re.compile(r"[A-Za-z0-9_.-]{1,64}")


@dataclass(frozen=True, slots=True)
class ListCodec:
    """Whole numbers parted by a separator; ``ranges`` parts the ends of a range when reading."""

    separator: str
    item: NumberCodec
    ranges: str | None = None
    width: None = None

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        items = tuple(value)
        if len(set(items)) != len(items):
            raise Refused(str(items), "every number once", "remove the doubles")
        return self.separator.join(self.item.encode(item, "exact") for item in items)

    def decode(self, text: str, power: int = 0) -> Any:
        if not text:
            return ()
        numbers: list[int] = []
        for part in text.split(self.separator):
            ends = part.split(self.ranges) if self.ranges else [part]
            values = [self.item.decode(end) for end in ends]
            if NO_MATCH in values or len(values) > 2 or values[0] > values[-1]:
                return NO_MATCH
            if values[-1] - values[0] + len(numbers) >= MOST_ITEMS:
                return NO_MATCH
            numbers.extend(range(values[0], values[-1] + 1))
        return tuple(numbers) if len(set(numbers)) == len(numbers) else NO_MATCH

    def holds(self, literal: str) -> bool:
        digits = "0123456789" + ("abcdefABCDEF" if self.item.style == "hex" else "")
        return literal[:1] in digits or literal[:1] in (self.separator[:1], self.ranges)


MOST_ITEMS = 4096


@dataclass(frozen=True, slots=True)
class RolesCodec:
    """The role of every channel in turn: words of one length, or parted by a separator."""

    word: WordCodec
    separator: str = ""
    width: None = None

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        if not isinstance(value, tuple) or not value:
            raise Refused(f"{value!r:.60}", "the roles of a bank", "name one bank at a time")
        return self.separator.join(self.word.encode(role, rounding) for role in value)

    def decode(self, text: str, power: int = 0) -> Any:
        size = len(next(iter(self.word.from_wire), " "))
        parts = text.split(self.separator) if self.separator else _cut(text, size)
        roles = tuple(self.word.decode(part) for part in parts)
        if not text or NO_MATCH in roles or UNKNOWN in roles or len(roles) > MOST_ITEMS:
            return NO_MATCH
        return roles

    def holds(self, literal: str) -> bool:
        texts = [self.separator, *self.word.from_wire]
        return any(literal[:1] in text for text in texts)


def _cut(text: str, size: int) -> list[str]:
    return [text[at : at + size] for at in range(0, len(text), size)]


@dataclass(frozen=True, slots=True)
class TextCodec:
    """Printable text; fixed width is filled with blanks, quotes are doubled inside quotes."""

    width: int | None = None
    quoted: bool = False
    anything: bool = False

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        if not isinstance(value, str) or not value.isprintable():
            raise Refused(f"{value!r:.60}", "printable text", "remove control characters")
        if self.quoted:
            return '"' + value.replace('"', '""') + '"'
        if self.width is not None:
            if len(value) > self.width:
                raise Refused(repr(value), f"at most {self.width} characters", "shorten it")
            return value.ljust(self.width)
        return value

    def decode(self, text: str, power: int = 0) -> Any:
        if self.width is not None and len(text) != self.width:
            return NO_MATCH
        if self.anything:
            return text
        if not text.isprintable():
            return NO_MATCH
        if self.quoted:
            inner = text[1:-1]
            if len(text) < 2 or text[0] != '"' or text[-1] != '"':
                return NO_MATCH
            bare = inner.replace('""', "")
            return inner.replace('""', '"') if '"' not in bare else NO_MATCH
        return text.rstrip(" ") if self.width is not None else text

    def holds(self, literal: str) -> bool:
        return False  # judged text by text when rendering


@dataclass(frozen=True, slots=True)
class ReadingCodec:
    """A number, or a token in its place. Tokens are tried first, on the raw text."""

    number: NumberCodec
    tokens: tuple[Token, ...] = ()

    @property
    def width(self) -> int | None:
        return self.number.width

    def encode(self, value: Any, rounding: Rounding, power: int = 0) -> str:
        if isinstance(value, Reading):
            if value.bound != "exact":
                return self._token(value)
            value = value.value
        return self.number.encode(value, rounding, power)

    def _token(self, reading: Reading) -> str:
        for token in self.tokens:
            if token.means != reading.bound:
                continue
            if token.prefix is not None:
                if reading.value is None:
                    continue
                return token.prefix + self.number.encode(reading.value, "nearest")
            if token.text is not None:
                text = token.text
            else:
                raw = token.number or Decimal(0)
                text = self.number.wire_number(raw)
            if self.width is None or len(text) <= self.width:
                return text if self.width is None else text.rjust(self.width)
        raise Refused(f"a reading '{reading.bound}'", "a token for it", "declare the token")

    def decode(self, text: str, power: int = 0) -> Any:
        bare = text.strip(" ")
        for token in self.tokens:
            limit = None if token.of is None else token.of.value
            if token.text is not None and token.text in (text, bare):
                return Reading(limit, token.means)
            if token.prefix is not None and bare.startswith(token.prefix):
                rest = self._behind(bare.removeprefix(token.prefix), power)
                return NO_MATCH if rest is NO_MATCH else Reading(rest, token.means)
        found = self.number.split(text)
        if found is None:
            return NO_MATCH
        for token in self.tokens:
            if found[0] == self._figure(token) and token.exponent in {None, power}:
                return Reading(None if token.of is None else token.of.value, token.means)
        if self.has_exponent(power):
            return NO_MATCH  # a power that only tokens have
        value = self.number.scaled(found, power)
        return NO_MATCH if value is NO_MATCH else Reading(value)

    def has_exponent(self, power: int) -> bool:
        """Whether some token is told by this power of ten."""
        return any(token.exponent == power for token in self.tokens)

    def power_of(self, reading: Any) -> int:
        """The power of ten that belongs to the token which `encode` writes; else 0."""
        if isinstance(reading, Reading) and reading.bound != "exact":
            for token in self.tokens:
                if token.means == reading.bound and token.exponent is not None:
                    return token.exponent
        return 0

    def _figure(self, token: Token) -> Decimal | None:
        """The number that a token looks like: '99999' is the token in '+99999' and '099999' too."""
        if token.text is None:
            return token.number
        looks = self.number.split(token.text.rjust(self.number.width or 0))
        return None if looks is None else looks[0]

    def _behind(self, text: str, power: int) -> Any:
        if self.number.width is not None:
            filler = "0" if self.number.style == "count" else " "
            text = text.rjust(self.number.width, filler)
        return self.number.decode(text, power)

    def holds(self, literal: str) -> bool:
        texts = [t.text or t.prefix or "" for t in self.tokens]
        return self.number.holds(literal) or (
            self.width is None and any(literal in text for text in texts)
        )
