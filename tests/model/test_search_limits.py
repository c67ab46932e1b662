"""The limit of a search step's own group: one pair at its own limit breaks it, a good one keeps it.

Resistances in parallel: 1/R = Σ 1/Rn (Ohm's law; any handbook). Figures worked by hand beside the
checks.
"""

from __future__ import annotations

import math
from decimal import Decimal
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.documents import build
from orchestrator.errors import Refused
from orchestrator.model.program import InsulationStep, Locate
from orchestrator.model.search import search_step
from orchestrator.model.search_limits import search_limit

PLAIN: dict[str, Any] = {
    "level": "500 V",
    "dwell": "1 s",
    "accept": {"resistance": {"at_least": "2 Mohm"}},
}
SIX = [[point] for point in "abcdef"]
DECLARED = {"groups": SIX, "least": "5.7 Mohm", "most": "6.3 Mohm"}


def locate(*entries: dict[str, Any]) -> Locate:
    return build(Locate, {**PLAIN, "insulation": list(entries)} if entries else PLAIN)


def test_without_declared_insulation_the_limit_of_one_pair_holds_for_the_group() -> None:
    """Nothing is known of the others."""
    limit = search_limit(locate(), "abc", "def")
    assert limit.at_least_ohm == 2_000_000
    assert limit.good_ohm == math.inf


def test_nine_pairs_of_which_eight_conduct_at_least_what_is_declared() -> None:
    """1/2M + 8/6.3M = 1.769841 uS, 565.0224 kohm; good at most 9/5.7M = 1.578947 uS, 633.3 kohm."""
    limit = search_limit(locate(DECLARED), "abc", "def")
    assert limit.at_least_ohm == Decimal("565022.5")
    assert limit.good_ohm == pytest.approx(633333.33)


def test_one_pair_alone_has_its_own_limit() -> None:
    """Exactly, not a rounded one."""
    limit = search_limit(locate(DECLARED), "a", "b")
    assert limit.at_least_ohm == 2_000_000
    assert limit.good_ohm == pytest.approx(5.7e6)


def test_a_limit_that_no_step_may_have_is_told() -> None:
    """2000 pairs of 1 Mohm: some 500 ohm, under the 1 kohm that an insulation step may ask for."""
    many = [f"w{n}" for n in range(2001)]
    keys = locate({"least": "1 Mohm", "most": "1 Mohm"})
    assert not search_limit(keys, many[:1], many[1:]).writable
    assert search_limit(keys, many[:1], many[1:100]).writable


def test_points_that_nothing_is_declared_of_count_for_nothing() -> None:
    """a and b against c: two declared pairs; x against anything: none."""
    known = search_limit(locate(DECLARED), "ab", "c")
    assert search_limit(locate(DECLARED), "abx", "c") == known


def test_a_value_of_all_pairs_together_is_certain_only_if_all_are_opposed() -> None:
    """a+b against c+d have 1 Mohm to 2 Mohm together: opposed in part they may have nothing, but
    never more than all."""
    entry = {"groups": [["a", "b"], ["c", "d"]], "least": "1 Mohm", "most": "2 Mohm"}
    keys = locate({**entry, "counts": "together"}, {"groups": [["a"], ["e"]], "least": "1 Gohm"})
    part = search_limit(keys, "a", "cde")
    assert part.at_least_ohm == 2_000_000
    assert part.good_ohm == pytest.approx(1 / (1e-6 + 1e-9))


def test_nothing_is_certain_of_a_value_without_a_most() -> None:
    """How good it may be isn't known: the group keeps one pair's limit."""
    limit = search_limit(locate({"groups": SIX, "least": "5.7 Mohm"}), "abc", "def")
    assert limit.at_least_ohm == 2_000_000
    assert limit.good_ohm == pytest.approx(633333.33)


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_one_bad_pair_always_shows_and_the_limit_is_never_above_one_pair_s(
    data: st.DataObject,
) -> None:
    """Any declarations that overlap in any way, any bad pair, all others as good as they may be."""
    points = "abcdef"
    entries = []
    for _ in range(data.draw(st.integers(1, 3))):
        names = data.draw(st.lists(st.sampled_from(points), min_size=2, max_size=6, unique=True))
        cut = data.draw(st.integers(1, len(names) - 1))
        each = data.draw(st.booleans())
        groups = [[name] for name in names] if each else [names[:cut], names[cut:]]
        least = data.draw(st.integers(1, 50))
        most = least + data.draw(st.integers(0, 50))
        entries.append({"groups": groups, "least": f"{least} Mohm", "most": f"{most} Mohm"})
    side = data.draw(st.lists(st.booleans(), min_size=6, max_size=6))
    here = [p for p, one in zip(points, side, strict=True) if one]
    there = [p for p in points if p not in here]
    if not here or not there:
        return
    keys = locate(*entries)
    limit = search_limit(keys, here, there)
    assert limit.at_least_ohm <= 2_000_000

    def least_siemens(one: str, other: str) -> float:
        apart = [
            entry
            for entry in entries
            if not any({one, other} <= set(group) for group in entry["groups"])
            and {one, other} <= {point for group in entry["groups"] for point in group}
        ]
        return sum(1e-6 / int(str(entry["most"]).split()[0]) for entry in apart)

    pairs = [(one, other) for one in here for other in there]
    for bad in pairs:
        group_s = 1 / 2e6 + sum(least_siemens(*pair) for pair in pairs if pair != bad)
        assert 1 / group_s <= float(limit.at_least_ohm) * (1 + 1e-9)


def test_without_groups_each_point_of_the_step_counts_by_itself() -> None:
    """The short form of a declaration among all of them."""
    short = locate({key: value for key, value in DECLARED.items() if key != "groups"})
    for here, there in (("abc", "def"), ("a", "bcdef"), ("a", "b")):
        assert search_limit(short, here, there) == search_limit(locate(DECLARED), here, there)


def test_a_search_step_has_the_limit_of_its_own_sides_and_the_ceiling_of_the_search() -> None:
    """As binding gets it."""
    keys = build(Locate, {**PLAIN, "insulation": [DECLARED], "level_ceiling": "505 V"})
    for here, there, told in (("abc", "def", "565.0225 kohm"), ("a", "b", "2 Mohm")):
        step = search_step(
            keys, name="s", searched="step 1", apply_to=tuple(here), against=tuple(there)
        )
        assert step.accept.resistance is not None
        assert str(step.accept.resistance.at_least) == told
        assert str(step.level_ceiling) == "505 V"


# ---- the keys


STEP: dict[str, Any] = {
    "name": "wires",
    "kind": "insulation",
    "apply_to": list("abc"),
    "against": list("def"),
    "level": "500 V",
    "level_ceiling": "510 V",
    "dwell": "1 s",
    "accept": {"resistance": {"at_least": "565.1 kohm"}},
    "unproved_contact": "not the subject here",
    "on_failure": "locate",
}


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"level_ceiling": "499 V"}, "below its level 500 V"),
        ({"level_ceiling": "511 V"}, "above the step's 510 V"),
        ({"insulation": [{**DECLARED, "groups": [["a"], ["x"]]}]}, "insulation of 'x'"),
        ({"insulation": [{**DECLARED, "groups": [["a"], ["b", "a"]]}]}, "the point 'a' twice"),
        ({"insulation": [{**DECLARED, "groups": [["a", "b"]]}]}, "groups"),
        ({"insulation": [{**DECLARED, "groups": [["a"], []]}]}, "groups"),
        ({"insulation": [{**DECLARED, "least": "6.4 Mohm"}]}, "least 6.4 Mohm above most 6.3 Mohm"),
        ({"insulation": [{**DECLARED, "most": None, "least": None}]}, "least"),
        ({"insulation": [{**DECLARED, "counts": "each"}]}, "counts"),
        ({"accept": {"resistance": {"at_least": "2 mohm"}}}, "M is mega, m is milli"),
        ({"insulation": [{"least": "1 Mohm", "counts": "together"}]}, "without groups"),
        ({"insulation": [{**DECLARED, "tolerance_percent": "5"}]}, "tolerance_percent"),
    ],
)
def test_keys_that_make_no_sense_are_refused(keys: dict[str, Any], words: str) -> None:
    """With what is wrong."""
    with pytest.raises(Refused) as refused:
        build(InsulationStep, {**STEP, "locate": {**PLAIN, **keys}})
    assert words in str(refused.value)


def test_points_of_others_may_be_declared_where_they_are_put_against() -> None:
    """The step doesn't name them, but opposes them."""
    keys = {**PLAIN, "insulation": [{**DECLARED, "groups": [["a"], ["x"]]}]}
    step = build(InsulationStep, {**STEP, "others": "against", "locate": keys})
    assert step.locate is not None


def test_every_pair_of_groups_counts_once() -> None:
    """One of a group of two is like another: three groups of two have twelve pairs."""
    entry = {"groups": [list("ab"), list("cd"), list("ef")], "least": "1 Gohm", "most": "1 Gohm"}
    limit = search_limit(locate(entry), "abc", "def")
    opposed = sum(
        1
        for one, other in combinations("abcdef", 2)
        if (one in "abc") != (other in "abc") and {one, other} != {"c", "d"}
    )
    assert opposed == 8
    assert limit.good_ohm == pytest.approx(1e9 / opposed)
