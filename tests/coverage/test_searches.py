"""What a search after a failed step may do is judged as a step of its own."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from orchestrator.coverage.report import Coverage
from orchestrator.coverage.words import figures
from tests.coverage.test_cover import Data, insulation, judged, said, withstand

STRONG = {"ac": "2 kV", "dc": "3 kV", "reason": "it is so built"}
LEADS = [{"points": ["a", "b", "c"], "reason": "not the question here"}]


def asked(step: Data, **more: Any) -> Data:
    return {k: v for k, v in step.items() if k not in {"apply_to", "against"}} | more


def product(*, never: list[Data] | None = None, **allow: Any) -> Data:
    """a against b: insulation at 500 V; a against b and c: AC at 1.5 kV."""
    return {
        "name": "three nets (invented)",
        "revision": "1",
        "nets": {"a": "a", "b": "b", "c": "c"},
        "demands": [
            asked(insulation("ir", [], []), between=[["a"], ["b"]]),
            asked(withstand("ac", [], [], level="1.5 kV"), between=[["a"], ["b", "c"]]),
        ],
        "never_above": never or [],
        "allow": {"unproved_contact": LEADS, "undeclared_pairs": STRONG, **allow},
    }


def searched(**keys: Any) -> list[Data]:
    """An insulation and an AC step; only the AC step is searched."""
    locate = {"level": "500 V", "dwell": "1 s", "accept": {"resistance": {"at_least": "10 Mohm"}}}
    more = {"on_failure": "locate", "locate": {**locate, **keys}}
    return [
        insulation("ir", ["a"], ["b", "c"]),
        withstand("ac", ["a"], ["b", "c"], level="1.5 kV", **more),
    ]


def low(dc: str) -> list[Data]:
    """A polarised part between a and c: much AC, little DC."""
    return [{"between": [["a"], ["c"]], "ac": "1.6 kV", "dc": dc, "reason": "a polarised part"}]


def of_search(found: Coverage) -> list[tuple[int, Decimal, set[tuple[str, str]]]]:
    return [(s.step, s.most_v, {p for p, _ in s.first}) for s in found.stresses if s.search]


def test_a_search_may_not_put_more_dc_on_a_pair_than_it_may_see() -> None:
    """1.6 kV AC allowed, 100 V DC: the search after the AC step opposes it at 500 V DC and 3 %."""
    steps = searched()
    steps[0]["against"] = ["b"]
    made = product(floating=[{"nets": "c", "reason": "it may stay open", "up_to_dc": "100 V"}])
    found = judged({**made, "never_above": low("100 V")}, *steps)
    assert of_search(found) == [(2, Decimal("515.00"), {("a", "c")})]
    told = "a search after step 2 (ac) may stress 1 pair with up to 515 V DC, more than allowed"
    assert told in said(found)
    assert not found.complete


@pytest.mark.parametrize(("ceiling", "clean"), [(None, False), ("500 V", True), ("510 V", False)])
def test_the_searchs_own_ceiling_counts_else_three_percent(
    ceiling: str | None, clean: bool
) -> None:
    """505 V DC are allowed."""
    steps = searched(**({} if ceiling is None else {"level_ceiling": ceiling}))
    steps[0]["level_ceiling"] = "500 V"
    found = judged(product(never=low("505 V")), *steps)
    assert (of_search(found) == []) is clean
    assert found.complete is clean


def test_nets_that_a_search_may_leave_open_must_be_allowed_to_float() -> None:
    """`floating` in the program is no licence of the product."""
    found = judged(product(), *searched(floating="nothing to fear here"))
    (afloat,) = found.afloat
    assert (afloat.search, afloat.step, afloat.nets) == (True, 2, 3)
    assert "a search after step 2 (ac) may leave 3 nets open that may not float" in said(found)
    anyone = [{"nets": "every_net", "up_to_dc": "515 V", "reason": "no circuit holds a charge"}]
    assert judged(product(floating=anyone), *searched(floating="as declared")).complete


def test_what_a_search_leaves_open_may_reach_the_level_in_pairs_that_it_doesnt_oppose() -> None:
    """b and c stand together in the step; with c open the search's 500 V may lie between them."""
    weak = [{"between": [["b"], ["c"]], "ac": "1 kV", "dc": "60 V", "reason": "a thin film"}]
    anyone = [{"nets": "every_net", "up_to_dc": "1 kV", "reason": "no circuit holds a charge"}]
    made = product(never=weak, floating=anyone)
    assert judged(made, *searched()).complete
    (reached,) = judged(made, *searched(floating="as declared")).reached
    assert (reached.search, [pair for pair, _ in reached.first]) == (True, [("b", "c")])


def test_nets_that_the_step_itself_leaves_open_float_in_the_search_at_its_dc_level() -> None:
    """c may float at 2 kV AC, but at 100 V DC at most."""
    steps = searched()
    steps[1]["against"] = ["b"]
    steps.append(withstand("rest", ["a"], ["c"], level="1.5 kV"))
    may = [{"nets": "c", "up_to_ac": "2 kV", "up_to_dc": "100 V", "reason": "AC does no harm"}]
    may += [{"nets": "b", "reason": "it may stay open"}]
    found = judged(product(floating=may), *steps)
    assert [(a.search, a.step, a.first) for a in found.afloat] == [
        (True, 2, (("c", Decimal(100)),))
    ]


def test_more_exposures_than_the_product_allows_are_named() -> None:
    """At insulation level by extra_insulation."""
    assert judged(product(extra_insulation=12), *searched()).complete
    found = judged(product(extra_insulation=2), *searched(exposures_at_most="1000"))
    (over,) = found.overspent
    assert (over.kinds, over.exposures, over.allowed) == ("insulation", 1000, 2)
    told = "a search after step 2 (ac) may put a pair under 500 V DC 1000 times; 2 are allowed"
    assert told in said(found)
    assert not found.complete


def test_a_search_above_every_insulation_level_is_one_at_withstand_level() -> None:
    """By default none is allowed; `search_level` makes a level one of insulation."""
    high = {"level": "1 kV", "exposures_at_most": "2"}
    found = judged(product(), *searched(**high))
    assert [(o.kinds, o.allowed) for o in found.overspent] == [("withstand", 0)]
    assert "above every insulation demand's level" in said(found)
    assert judged(product(extra_withstand=2), *searched(**high)).complete
    assert judged(product(search_level="1 kV"), *searched(**high)).complete


def test_exposures_by_runs_and_by_searches_are_told_together() -> None:
    """Two runs with one insulation step, and 12 times by a search."""
    found = judged(product(runs_per_serial=2), *searched())
    told = "\n".join(figures(found))
    assert "at most 1 (a – b), 2 in the 2 runs allowed per serial" in told
    assert "by searches: at most 12 of a pair over all runs of one serial; 100 are allowed" in told
    assert "With the steps' own at most 14" in told
