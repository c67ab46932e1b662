"""The rule sheet: circuit classes and working voltages in, levels, times and limits out.

Data of the user's. No value in it is taken for granted: each says where it comes from and how it
is known. A level is a quantity or one of a closed set of formulas with their parameters; there is
no expression language.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from orchestrator.documents import Loc, Printable, Strict, WholeNumber, refuse, refuse_parts
from orchestrator.model.product import PROTECTIVE_EARTH
from orchestrator.model.program import (
    Accept,
    DriveCurrent,
    Hertz,
    Name,
    Notes,
    Seconds,
    Volts,
)
from orchestrator.model.words import HIGH_VOLTAGE_KINDS, StepKind, Waveform
from orchestrator.quantities import Dimension, Quantity, QuantityField

NOBODY = "nobody yet"
_NO_NAMES = frozenset(
    {"nobody", "noone", "no", "none", "nil", "not", "n", "na", "tbd", "tba", "todo", "unchecked"}
    | {"unknown", "pending", "open", "yet", "x", "xx", "xxx"}
)
"""First words that stand where a name should."""
"""``checked_by`` of a sheet that no licensed professional has checked."""

LevelVolts = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "0 V", "100 kV")]
LevelAmps = Annotated[Quantity, QuantityField(Dimension.CURRENT, "0 A", "200 A")]
Source = Annotated[str, Field(min_length=4, max_length=300), Printable]
Status = Literal["seen", "seen_secondary", "memory", "computed", "own"]
"""How a value is known: read in the text itself; read where somebody quotes it; recalled;
reckoned from others; the user's own choice."""


TimesPercent = Annotated[WholeNumber, Field(ge=1, le=10_000)]


class _Known(Strict):
    source: Source
    status: Status


class FixedVolts(_Known):
    """A level that depends on nothing."""

    formula: Literal["fixed"]
    value: Volts


class VoltsFromVoltage(_Known):
    """``times_percent`` of the working voltage, plus ``plus``, but at least ``at_least``."""

    formula: Literal["of_working_voltage"]
    times_percent: TimesPercent
    plus: LevelVolts = Quantity(Decimal(0), Dimension.VOLTAGE)
    at_least: LevelVolts = Quantity(Decimal(0), Dimension.VOLTAGE)


class PeakOf(_Known):
    """√2 times the level of another rule, which is AC."""

    formula: Literal["peak_of"]
    rule: Name


class FixedAmps(_Known):
    """A test current that depends on nothing."""

    formula: Literal["fixed_current"]
    value: DriveCurrent


class AmpsFromRating(_Known):
    """``times_percent`` of the rated current, plus ``plus``, but at least ``at_least``."""

    formula: Literal["of_rated_current"]
    times_percent: TimesPercent
    plus: LevelAmps = Quantity(Decimal(0), Dimension.CURRENT)
    at_least: LevelAmps = Quantity(Decimal(0), Dimension.CURRENT)


VOLTAGE_FORMULAS = (FixedVolts, VoltsFromVoltage, PeakOf)
CURRENT_FORMULAS = (FixedAmps, AmpsFromRating)
Level = Annotated[
    FixedVolts | VoltsFromVoltage | PeakOf | FixedAmps | AmpsFromRating,
    Field(discriminator="formula"),
]


class KnownTime(_Known):
    """A time and how it is known."""

    value: Seconds


class KnownFrequency(_Known):
    """A frequency and how it is known."""

    value: Hertz


class KnownLimits(_Known):
    """Limits and how they are known."""

    value: Accept


class Voltages(Strict):
    """Working voltages that a rule is for: above the one, up to and including the other."""

    above: LevelVolts = Quantity(Decimal(0), Dimension.VOLTAGE)
    up_to: Volts

    @model_validator(mode="after")
    def _wide(self) -> Voltages:
        if self.above >= self.up_to:
            raise refuse(
                found=f"above {self.above}, up_to {self.up_to}",
                expected="above below up_to",
                remedy="exchange or correct the two voltages",
            )
        return self


class Rule(Strict):
    """One rule.

    ``between``: two classes, or a class and ``protective_earth``; rules for bonding and
    continuity have none. The higher of the two working voltages counts. ``voltages``: any if left
    out. A rule whose level is ``peak_of`` another takes that one's place where a product wants DC.
    """

    name: Name
    kind: StepKind
    between: tuple[Name, Name] | None = None
    voltages: Voltages | None = None
    level: Level
    waveform: Waveform = Waveform.AC
    frequency: KnownFrequency | None = None
    rise: KnownTime | None = None
    dwell: KnownTime
    fall: KnownTime | None = None
    accept: KnownLimits | None = None
    instead_of: Name | None = None
    notes: Notes | None = None

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Rule:
        hazardous = self.kind in HIGH_VOLTAGE_KINDS
        told: tuple[str, str, str] | None = None
        if hazardous != (self.between is not None):
            has = "between" if self.between is not None else "no 'between'"
            told = has, f"{'two classes' if hazardous else 'none'} for {self.kind}", "correct it"
        elif isinstance(self.level, VOLTAGE_FORMULAS) != hazardous:
            wanted = "a voltage" if hazardous else "a current"
            told = (
                f"the formula {self.level.formula}",
                f"{wanted} for {self.kind}",
                "choose another",
            )
        elif isinstance(self.level, PeakOf) and self.kind is not StepKind.WITHSTAND_DC:
            told = f"peak_of for {self.kind}", "peak_of for withstand_dc only", "choose another"
        elif self.instead_of is not None and self.kind is not StepKind.WITHSTAND_DC:
            told = f"instead_of for {self.kind}", "instead_of for withstand_dc only", "remove it"
        elif self.kind is StepKind.WITHSTAND_AC and self.frequency is None:
            told = "no frequency", "the key 'frequency'", "add 'frequency: …' here"
        if told is not None:
            raise refuse(found=told[0], expected=told[1], remedy=told[2])
        return self


class NoDemand(Strict):
    """Two classes between which this sheet demands nothing, and where that stands."""

    between: tuple[Name, Name]
    source: Source
    status: Status


class Fact(_Known):
    """A value of this edition that no rule uses, in words."""

    value: Notes


class RuleSheet(Strict):
    """A rule sheet.

    ``classes``: each word that a circuit's class may be, and what it means. ``checked_by``: the
    licensed professional who compared it with the edition in force. ``statement``: printed
    wherever the sheet was used.
    """

    name: Name
    edition: Name
    source: Source
    checked_by: Name = NOBODY
    statement: Annotated[str, Field(min_length=20, max_length=1000), Printable]
    classes: Annotated[dict[Name, Notes], Field(min_length=1)]
    rules: Annotated[tuple[Rule, ...], Field(min_length=1, max_length=1000)]
    no_demand: tuple[NoDemand, ...] = ()
    facts: dict[Name, Fact] = Field(default_factory=dict)
    notes: Notes | None = None

    @property
    def checked(self) -> bool:
        """Whether somebody put a name to it: 'nobody', 'tbd', 'not yet', '-' name no person."""
        words = re.findall(r"[^\W\d_]+", self.checked_by.casefold())
        spelt = {"".join(words), *words[:1]}
        return bool(words) and not spelt & _NO_NAMES and "nobody" not in words

    @model_validator(mode="after")
    def _consistent(self) -> RuleSheet:
        wrong = [*_names_of(self), *_references(self), *_overlaps(self)]
        if wrong:
            raise refuse_parts(wrong)
        return self


_Wrong = Iterator[tuple[Loc, PydanticCustomError]]


def _names_of(sheet: RuleSheet) -> _Wrong:
    """Rules named once, classes known, no class called as the word for earth."""
    if PROTECTIVE_EARTH in sheet.classes:
        told = f"the class {PROTECTIVE_EARTH!r}"
        remedy = "remove it; the word is known without"
        yield (
            ("classes", PROTECTIVE_EARTH),
            refuse(found=told, expected="other words", remedy=remedy),
        )
    seen: set[str] = set()
    for index, rule in enumerate(sheet.rules):
        if rule.name in seen:
            error = refuse(
                found=f"the name {rule.name!r} a second time",
                expected="each name once",
                remedy="rename one of the two rules",
            )
            yield ("rules", index, "name"), error
        seen.add(rule.name)
    pairs = [(("rules", i), rule.between) for i, rule in enumerate(sheet.rules)]
    pairs += [(("no_demand", i), entry.between) for i, entry in enumerate(sheet.no_demand)]
    for place, pair in pairs:
        for end, word in enumerate(pair or ()):
            if word not in sheet.classes and word != PROTECTIVE_EARTH:
                error = refuse(
                    found=f"the unknown class {word!r}",
                    expected=f"one of {', '.join((*sheet.classes, PROTECTIVE_EARTH))}",
                    remedy="correct the word, or add it to 'classes'",
                )
                yield (*place, "between", end), error


def _references(sheet: RuleSheet) -> _Wrong:
    """``instead_of`` and ``peak_of`` lead to an AC rule for the same classes and voltages."""
    ac = {rule.name: rule for rule in sheet.rules if rule.kind is StepKind.WITHSTAND_AC}
    for index, rule in enumerate(sheet.rules):
        named: list[tuple[Loc, str]] = []
        if rule.instead_of is not None:
            named.append((("instead_of",), rule.instead_of))
        if isinstance(rule.level, PeakOf):
            named.append((("level", "rule"), rule.level.rule))
        for place, name in named:
            other = ac.get(name)
            same = other is not None and (
                frozenset(other.between or ()) == frozenset(rule.between or ())
                and other.voltages == rule.voltages
            )
            if not same:
                error = refuse(
                    found=f"{name!r}",
                    expected="a withstand_ac rule for the same classes and voltages",
                    remedy="name such a rule",
                )
                yield ("rules", index, *place), error


def _overlaps(sheet: RuleSheet) -> _Wrong:
    """No two rules of a kind for the same classes and one voltage."""
    earlier: dict[object, list[Rule]] = {}
    for index, rule in enumerate(sheet.rules):
        key = (rule.kind, rule.instead_of is None, frozenset(rule.between or ()))
        for other in earlier.setdefault(key, []):
            if _touch(rule.voltages, other.voltages):
                error = refuse(
                    found=f"classes and voltages that rule {other.name!r} is for, too",
                    expected="one rule of a kind for each",
                    remedy="part the voltages, or remove one of the two rules",
                )
                yield ("rules", index), error
        earlier[key].append(rule)


def _touch(one: Voltages | None, other: Voltages | None) -> bool:
    if one is None or other is None:
        return True
    return one.above < other.up_to and other.above < one.up_to
