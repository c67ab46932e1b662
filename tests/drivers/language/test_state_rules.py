"""State rules: first one wins, unknown is unknown, and overlaps and gaps are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.state_rules import RuleError, StateRules
from drivers.language.values import UNKNOWN
from orchestrator.model.record import Reading
from orchestrator.model.words import TesterState

D = Decimal


# an invented status register, in the manner of profiles/stave.md
REGISTER: list[tuple[TesterState | str, Mapping[str, str | Sequence[str]]]] = [
    ("tripped", {"status": "+8"}),
    ("rising", {"status": "+0 +1 -4"}),
    ("dwelling", {"status": "+0 +2 -4"}),
    ("discharging", {"status": "+4 -5"}),
    ("complete", {"status": "+5 +6", "slot": "0"}),
    ("off", {"status": "+5", "slot": "0"}),
]


@pytest.mark.parametrize(
    ("values", "state"),
    [
        ({"status": 0x0003, "slot": 1}, "rising"),
        ({"status": 0x0005, "slot": 1}, "dwelling"),
        ({"status": 0x0010, "slot": 1}, "discharging"),
        ({"status": 0x0020, "slot": 2}, "unknown"),  # between two slots: not the end
        ({"status": 0x0060, "slot": 0}, "complete"),
        ({"status": 0x0020, "slot": 0}, "off"),
        ({"status": 0x0160, "slot": 0}, "tripped"),  # the first rule that fits decides
        ({"status": 0x0000, "slot": 0}, "unknown"),
        ({"status": 0x0020}, "unknown"),  # a missing field holds nothing
        ({"status": -1, "slot": 0}, "unknown"),
        ({"status": UNKNOWN, "slot": 0}, "unknown"),
        ({}, "unknown"),
    ],
)
def test_the_first_rule_that_fits_decides(values: dict[str, Any], state: str) -> None:
    """Whatever no rule fits is unknown, which counts as energised."""
    assert StateRules.compile(REGISTER).classify(values) == state


def test_words_numbers_and_presence_are_conditions_too() -> None:
    """Alternatives, ranges, readings, and whether a field came at all."""
    rules = StateRules.compile(
        [
            ("rising", {"state": "RISE, RAMP"}),
            ("dwelling", {"state": ["HOLD", "STAY"], "present": "elapsed"}),
            ("discharging", {"state": "REST", "residual": "30..10000"}),
            ("off", {"state": "REST", "residual": "0..29.9", "absent": "cause, counter"}),
        ]
    )
    assert rules.classify({"state": "RAMP"}) is TesterState.RISING
    assert rules.classify({"state": "STAY", "elapsed": D(1)}) is TesterState.DWELLING
    assert rules.classify({"state": "STAY"}) is TesterState.UNKNOWN
    assert rules.classify({"state": "STAY", "elapsed": Reading(None, "none")}).value == "unknown"
    assert rules.classify({"state": "REST", "residual": Reading(D(12))}) is TesterState.OFF
    assert rules.classify({"state": "REST", "residual": Reading(D(40))}).value == "discharging"
    above = Reading(D(20), "above")
    assert rules.classify({"state": "REST", "residual": above}) is TesterState.UNKNOWN
    assert rules.classify({"state": "rise"}) is TesterState.UNKNOWN
    assert rules.fields == {"state", "elapsed", "residual", "cause", "counter"}


def test_overlaps_name_both_rules_and_a_reply() -> None:
    """Two rules of different states that one register value fits."""
    (text,) = StateRules.compile(
        [("rising", {"status": "+0"}), ("off", {"status": "+5 -1"})]
    ).overlaps()
    assert "rule 1" in text
    assert "rule 2" in text
    assert "+0 +5" in text
    assert "rising" in text


def test_rules_that_exclude_each_other_do_not_overlap() -> None:
    """One bit set here and clear there; words apart; ranges apart."""
    for one, other in (
        ({"status": "+0"}, {"status": "-0 +1"}),
        ({"state": "A, B"}, {"state": "C"}),
        ({"slot": "0..3"}, {"slot": "4..9"}),
        ({"present": "slot"}, {"absent": "slot"}),
    ):
        assert StateRules.compile([("rising", one), ("off", other)]).overlaps() == ()


def test_a_rule_behind_ones_that_cover_it_never_decides() -> None:
    """Bit 0 set or clear covers everything; so does a wider range."""
    rules = StateRules.compile(
        [("rising", {"status": "+0"}), ("off", {"status": "-0"}), ("fault", {"status": "+7"})]
    )
    (text,) = rules.unreachable()
    assert text.startswith("rule 3")
    numbers = StateRules.compile([("off", {"code": "0..9"}), ("fault", {"code": "3, 5..6"})])
    assert len(numbers.unreachable()) == 1
    zero_first = StateRules.compile([("off", {"status": "0"}), ("rising", {"status": "-4"})])
    assert zero_first.unreachable() == ()


def test_gaps_are_replies_no_rule_fits() -> None:
    """They read as unknown; the checker shows them."""
    both = StateRules.compile([("off", {"status": "+0"}), ("rising", {"status": "-0"})])
    assert both.gaps() == ()
    (gap,) = StateRules.compile([("off", {"interlock": "closed"})]).gaps()
    assert "interlock open" in gap
    assert any("any other word" in g for g in StateRules.compile([("off", {"state": "A"})]).gaps())
    assert "and more" in StateRules.compile(REGISTER).gaps()


def test_too_many_cases_are_said_to_be_too_many() -> None:
    """Rather than searched for hours or passed over."""
    many = " ".join(f"+{bit}" for bit in range(20))
    rules = StateRules.compile([("off", {"status": many})])
    assert "too many" in rules.gaps()[0]
    assert "too many" in rules.unreachable()[0]


BITS = st.dictionaries(st.integers(0, 4), st.sampled_from("+-"), min_size=1).map(
    lambda d: " ".join(f"{sign}{bit}" for bit, sign in d.items())
)
RULES = st.lists(
    st.tuples(
        st.sampled_from(["off", "rising", "fault"]), BITS | st.sampled_from(["0", "3", "2..5"])
    ),
    min_size=1,
    max_size=5,
)


@given(rules=RULES)
def test_the_findings_agree_with_trying_every_register_value(rules: list[tuple[str, str]]) -> None:
    """Brute force over six bits: same rules never reached, same answer whether there are gaps."""
    compiled = StateRules.compile([(state, {"status": text}) for state, text in rules])
    deciders = set()
    gap = False
    for value in range(64):
        fitting = [n for n, r in enumerate(compiled.rules) if r.holds({"status": value})]
        deciders |= set(fitting[:1])
        gap |= not fitting
    silent = {int(t.split()[1]) - 1 for t in compiled.unreachable()}
    assert silent == set(range(len(rules))) - deciders
    assert bool(compiled.gaps()) is gap
    pairs = {
        (a, b)
        for b in range(len(rules))
        for a in range(b)
        if compiled.rules[a].state is not compiled.rules[b].state
        and any(
            compiled.rules[a].holds({"status": v}) and compiled.rules[b].holds({"status": v})
            for v in range(64)
        )
    }
    assert len(compiled.overlaps()) == len(pairs)


@pytest.mark.parametrize(
    ("state", "conditions", "message"),
    [
        ("riseing", {"status": "+1"}, "did you mean 'rising'"),
        ("off", {}, "at least one"),
        ("off", {"statsu": "+1"}, "did you mean 'status'"),
        ("off", {"present": "elapst"}, "did you mean 'elapsed'"),
        ("off", {"status": "+1 -1"}, "each bit once"),
        ("off", {"status": "+64"}, "0 to 63"),
        ("off", {"status": "bit 3"}, "'+4 -5'"),
        ("off", {"slot": "5..3"}, "smaller number first"),
        ("off", {"slot": "three"}, "'3..5'"),
        ("off", {"state": "A,,B"}, "parted by commas"),
        ("off", {"interlock": "shut"}, "use one of closed, open"),
        ("off", {"channels": "1"}, "list"),
    ],
)
def test_a_wrong_rule_is_refused(state: str, conditions: dict[str, str], message: str) -> None:
    """With the rule's number and the remedy."""
    with pytest.raises(RuleError) as caught:
        StateRules.compile([("off", {"status": "+5"}), (state, conditions)])
    assert message in str(caught.value)
    assert caught.value.rule == 1


def test_words_that_no_template_can_read_are_refused_in_rules() -> None:
    """A rule on a word that never comes would never hold."""
    with pytest.raises(RuleError, match="did you mean 'HOLD'"):
        StateRules.compile([("off", {"state": "HOLT"})], {"state": frozenset({"HOLD", "RISE"})})
