"""Conditions on reply fields: words, ranges of numbers, bits, presence."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from drivers.language.fields import FIELDS, FieldKind, nearest
from orchestrator.model.record import Reading

PRESENCE = ("present", "absent")
_BITS = re.compile(r"[+-][0-9]{1,2}(?: +[+-][0-9]{1,2})*")
_SPAN = re.compile(r"(-?[0-9]+(?:\.[0-9]+)?)(?: *\.\. *(-?[0-9]+(?:\.[0-9]+)?))?")


class RuleError(ValueError):
    """A rule is wrong. ``rule``: its number, from 0."""

    def __init__(self, rule: int, found: str, expected: str, remedy: str) -> None:
        super().__init__(f"rule {rule + 1}: found {found}, expected {expected}; {remedy}")
        self.rule, self.found, self.expected, self.remedy = rule, found, expected, remedy


@dataclass(frozen=True, slots=True)
class Words:
    """One of these words."""

    words: frozenset[str]

    def holds(self, value: Any) -> bool:
        return isinstance(value, str) and value in self.words


@dataclass(frozen=True, slots=True)
class Spans:
    """Within one of these ranges, ends included."""

    spans: tuple[tuple[Decimal, Decimal], ...]

    def holds(self, value: Any) -> bool:
        if isinstance(value, Reading):
            value = value.value if value.bound == "exact" else None
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            return False
        return any(least <= value <= most for least, most in self.spans)


@dataclass(frozen=True, slots=True)
class Bits:
    """One of these pairs: bits that must be set, bits that must be clear."""

    pairs: tuple[tuple[int, int], ...]

    def holds(self, value: Any) -> bool:
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            return False
        return any(value & on == on and not value & off for on, off in self.pairs)


@dataclass(frozen=True, slots=True)
class Presence:
    """Whether there must be a value; a reading that says 'none' isn't one."""

    wanted: bool

    def holds(self, value: Any) -> bool:
        there = value is not None and not (isinstance(value, Reading) and value.bound == "none")
        return there is self.wanted


Condition = Words | Spans | Bits | Presence


def read_conditions(
    rule: int, name: str, text: str, words: Mapping[str, frozenset[str]]
) -> list[tuple[str, Condition]]:
    """The conditions of one line; ``present`` and ``absent`` may name several fields."""
    names = [part.strip() for part in text.split(",")] if name in PRESENCE else [name]
    for field in names:
        if field not in FIELDS:
            remedy = nearest(field, [*FIELDS, *PRESENCE])
            raise RuleError(rule, f"field {field!r}", "a known field", remedy)
    if name in PRESENCE:
        return [(field, Presence(name == "present")) for field in names]
    return [(name, _condition(rule, name, text, words))]


def _condition(rule: int, name: str, text: str, words: Mapping[str, frozenset[str]]) -> Condition:
    spec = FIELDS[name]
    if spec.kind in (FieldKind.BITS, FieldKind.MASK):
        parts = [part.strip() for part in text.split(",")]
        if all(_BITS.fullmatch(part) for part in parts):
            return Bits(tuple(_bits(rule, name, part) for part in parts))
        return _spans(rule, name, text)
    if spec.kind in (FieldKind.NUMBER, FieldKind.QUANTITY):
        return _spans(rule, name, text)
    if spec.kind is FieldKind.LIST:
        raise RuleError(
            rule, f"a condition on the list {name!r}", "a word, number or bits", "drop it"
        )
    alternatives = [part.strip() for part in text.split(",")]
    known = words.get(name, spec.words)
    for word in alternatives:
        if not word:
            raise RuleError(rule, f"{name}: {text!r}", "words parted by commas", "drop the comma")
        if known is not None and word not in known:
            raise RuleError(rule, f"{name} word {word!r}", "a known word", nearest(word, known))
    return Words(frozenset(alternatives))


def _bits(rule: int, name: str, text: str) -> tuple[int, int]:
    on = off = 0
    for part in text.split():
        bit = 1 << int(part[1:])
        if int(part[1:]) > 63 or (on | off) & bit:
            raise RuleError(
                rule, f"{name}: {text!r}", "each bit once, 0 to 63", "drop or change one"
            )
        if part[0] == "+":
            on |= bit
        else:
            off |= bit
    return on, off


def _spans(rule: int, name: str, text: str) -> Spans:
    spans = []
    for part in text.split(","):
        match = _SPAN.fullmatch(part.strip())
        least = Decimal(match[1]) if match else Decimal(0)
        most = Decimal(match[2] or match[1]) if match else Decimal(-1)
        if least > most:
            raise RuleError(
                rule,
                f"{name}: {text!r}",
                "numbers such as '3' or '3..5', or bits such as '+4 -5'",
                "write the smaller number first",
            )
        spans.append((least, most))
    return Spans(tuple(spans))
