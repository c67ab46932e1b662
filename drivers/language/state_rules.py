"""Ordered rules that turn reply fields into a state: the first rule that fits decides.

A condition is a word (``RUN``), alternatives (``RUN, HOLD``), numbers (``3``, ``3..5``) or bits
(``+4 -5``: bit 4 set, bit 5 clear; bit 0 is the least significant; alternatives with a comma).
``present`` and ``absent`` name fields that must or mustn't have a value. All conditions of a
rule must hold. Nothing fits: the state is unknown, which counts as energised.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise, product
from typing import Any

from drivers.language.conditions import (
    Bits,
    Condition,
    Presence,
    RuleError,
    Spans,
    Words,
    read_conditions,
)
from drivers.language.fields import FIELDS, FieldKind, nearest
from orchestrator.model.words import TesterState

__all__ = ["Rule", "RuleError", "StateRules"]

OTHER = "\N{HORIZONTAL ELLIPSIS}"
"""Stands for every word that no rule names."""

MOST_CASES = 70_000
MOST_BITS = 16


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: the state it tells, and field by field what must hold."""

    state: TesterState
    conditions: tuple[tuple[str, Condition], ...]

    def holds(self, values: Mapping[str, Any]) -> bool:
        """True if every condition holds; a missing field holds none but ``absent``."""
        return all(c.holds(values.get(name)) for name, c in self.conditions)

    def on(self, name: str) -> list[Condition]:
        """The conditions on one field."""
        return [c for n, c in self.conditions if n == name]

    @property
    def names(self) -> frozenset[str]:
        """The fields it looks at."""
        return frozenset(n for n, _ in self.conditions)


@dataclass(frozen=True, slots=True)
class StateRules:
    """Compiled rules, in order."""

    rules: tuple[Rule, ...]
    texts: tuple[str, ...]

    @classmethod
    def compile(
        cls,
        rules: Sequence[tuple[TesterState | str, Mapping[str, str | Sequence[str]]]],
        words: Mapping[str, frozenset[str]] | None = None,
    ) -> StateRules:
        """Read the rules.

        Args:
            rules: state and its conditions, field → text, or several texts as alternatives.
            words: field → every word that templates can read there, where the dialect lists
                them; words of a closed vocabulary are known without.

        Raises:
            RuleError: unknown state, field or word, or a condition that doesn't suit the field.
        """
        compiled, texts = [], []
        for number, (state, conditions) in enumerate(rules):
            names = [s.value for s in TesterState]
            if state not in names:
                raise RuleError(number, f"state {state!r}", "a state", nearest(str(state), names))
            if not conditions:
                raise RuleError(
                    number, f"{state} without conditions", "at least one", "say when it holds"
                )
            plain = {
                name: text if isinstance(text, str) else ", ".join(text)
                for name, text in conditions.items()
            }
            parsed = tuple(
                pair
                for name, text in plain.items()
                for pair in read_conditions(number, name, text, words or {})
            )
            compiled.append(Rule(TesterState(state), parsed))
            inside = "; ".join(f"{name}: {text}" for name, text in plain.items())
            texts.append(f"rule {number + 1} ({TesterState(state).value}: {inside})")
        return cls(tuple(compiled), tuple(texts))

    @property
    def fields(self) -> frozenset[str]:
        """Every field that some rule looks at."""
        return frozenset(name for rule in self.rules for name in rule.names)

    def classify(self, values: Mapping[str, Any]) -> TesterState:
        """The state of the first rule that holds, else UNKNOWN. Never raises."""
        for rule in self.rules:
            if rule.holds(values):
                return rule.state
        return TesterState.UNKNOWN

    def overlaps(self) -> tuple[str, ...]:
        """Pairs of rules of different states that one reply fits, with such a reply."""
        found = []
        for later, rule in enumerate(self.rules):
            for earlier, other in enumerate(self.rules[:later]):
                if other.state is rule.state:
                    continue
                case = _common(other, rule)
                if case is not None:
                    found.append(
                        f"{self.texts[earlier]} and {self.texts[later]} both fit {_told(case)}; "
                        f"the first decides: {other.state}"
                    )
        return tuple(found)

    def unreachable(self) -> tuple[str, ...]:
        """Rules that never decide, because earlier ones fit wherever they do."""
        found = []
        for number, rule in enumerate(self.rules):
            cases = self._cases(self.rules[: number + 1])
            if cases is None:
                return (f"too many cases to tell (more than {MOST_CASES})",)
            deciding = (c for c in cases if rule.holds(c))
            if not any(all(not r.holds(c) for r in self.rules[:number]) for c in deciding):
                found.append(f"{self.texts[number]} never decides: earlier rules cover it")
        return tuple(found)

    def gaps(self) -> tuple[str, ...]:
        """Replies that no rule fits, at most eight; they read as unknown, that is energised."""
        cases = self._cases(self.rules)
        if cases is None:
            return (f"too many cases to tell (more than {MOST_CASES})",)
        found: list[str] = []
        for case in cases:
            if not any(rule.holds(case) for rule in self.rules):
                found.append(f"no rule fits {_told(case)}")
                if len(found) == 8:
                    found.append("and more")
                    break
        return tuple(found)

    def _cases(self, rules: Sequence[Rule]) -> Iterator[Mapping[str, Any]] | None:
        """One reply of every sort the rules can tell apart; ``None`` if there are too many."""
        names = sorted({name for rule in rules for name in rule.names})
        sorts = [_sorts([c for rule in rules for c in rule.on(n)], n) for n in names]
        number = 1
        for sort in sorts:
            number *= max(len(sort), 1)
            if number > MOST_CASES:
                return None
        return (dict(zip(names, chosen, strict=True)) for chosen in product(*sorts))


# ---- finding overlaps and gaps ------------------------------------------------------------------


def _common(one: Rule, other: Rule) -> Mapping[str, Any] | None:
    """A reply that both rules fit, or ``None``."""
    case: dict[str, Any] = {}
    for name in sorted(one.names | other.names):
        both = [*one.on(name), *other.on(name)]
        fitting = [v for v in _sorts(both, name) if all(c.holds(v) for c in both)]
        if not fitting:
            return None
        case[name] = fitting[0]
    return case


def _sorts(conditions: Sequence[Condition], name: str) -> list[Any]:
    """One value of every sort that the conditions tell apart.

    Bits: every combination of the bits named, with the numbers named besides. Numbers: every end
    of a range, its neighbours and one between. Words: every word named, and one of no name.
    """
    values = _present(conditions, name)
    return [*values, None] if any(isinstance(c, Presence) for c in conditions) else values


def _present(conditions: Sequence[Condition], name: str) -> list[Any]:
    spans = [span for c in conditions if isinstance(c, Spans) for span in c.spans]
    pairs = [pair for c in conditions if isinstance(c, Bits) for pair in c.pairs]
    kind = FIELDS[name].kind
    if pairs:
        named = 0
        for on, off in pairs:
            named |= on | off
        for end in _whole_ends(spans):  # numbers beside bits: their bits count as named too
            named |= max(end, 0)
        if named.bit_count() > MOST_BITS:
            return [0] * (MOST_CASES + 1)  # too many to tell
        beyond = 1 << named.bit_length()
        values = list(_subsets(named))
        return values + [value | beyond for value in values] if spans else values
    if spans:
        return list(_ends(spans)) if kind is FieldKind.QUANTITY else list(_whole_ends(spans))
    if kind not in (FieldKind.WORD, FieldKind.TEXT):
        return [Decimal(0) if kind is FieldKind.QUANTITY else 0]
    words = sorted({w for c in conditions if isinstance(c, Words) for w in c.words})
    closed = FIELDS[name].words
    return [*words, OTHER] if closed is None else [*words, *sorted(closed - set(words))]


def _subsets(mask: int) -> Iterator[int]:
    subset = 0
    while True:
        yield subset
        if subset == mask:
            return
        subset = (subset - mask) & mask


def _whole_ends(spans: Sequence[tuple[Decimal, Decimal]]) -> list[int]:
    ends = {int(end) + step for span in spans for end in span for step in (-1, 0, 1)}
    return sorted(end for end in ends if end >= 0 or any(s[0] < 0 for s in spans))


def _ends(spans: Sequence[tuple[Decimal, Decimal]]) -> list[Decimal]:
    ends = sorted({end for span in spans for end in span})
    between = [(a + b) / 2 for a, b in pairwise(ends)]
    return sorted({*ends, *between, ends[0] - 1, ends[-1] + 1})


def _told(case: Mapping[str, Any]) -> str:
    parts = []
    for name, value in case.items():
        if value is None:
            parts.append(f"no {name}")
        elif isinstance(value, int) and FIELDS[name].kind in (FieldKind.BITS, FieldKind.MASK):
            bits = " ".join(f"+{bit}" for bit in range(value.bit_length()) if value >> bit & 1)
            parts.append(f"{name} {value:#06x} ({bits or 'no bit'} of those named)")
        else:
            parts.append(f"{name} {'any other word' if value == OTHER else value}")
    return ", ".join(parts)
