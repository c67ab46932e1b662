"""Searches after a failed step: what they may put on a pair, how they judge a group, what they say.

Everything is invented: six wires at the stations of `tests.faults.stations`.
"""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from pathlib import Path

import pytest

from drivers.simulators.output_models import Phase
from drivers.simulators.unit import parse_unit
from orchestrator.documents import parse_document
from orchestrator.errors import Refused
from orchestrator.model.program import InsulationStep, Program, WithstandAcStep
from orchestrator.model.record import Located, RunResult
from orchestrator.model.resolve import read_demands
from orchestrator.model.words import Outcome, SearchEnding
from orchestrator.planning.planner import plan
from orchestrator.planning.writing import program_text
from orchestrator.records.reader import search_exposures
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import POINTS, STATIONS
from tests.runs.test_locating import GOOD_WIRES, leak, located, named, wires, wires_program

HEAD = """\
name: six wires (invented)
revision: "1"
nets: {earth: earth, shell: shell, line: line, neutral: neutral, coil a: coil a, coil b: coil b}
"""
ALLOW = """\
allow:
  undeclared_pairs: {ac: 0 V, dc: 1000 V, reason: nothing else is between them}
  unproved_contact:
    - {points: [earth, line, neutral, coil a, coil b, shell], reason: six loose wires}
"""


def planned(folder: Path, body: str) -> str:
    file = folder / "product.yaml"
    file.write_text(HEAD + body, encoding="utf-8")
    demands = read_demands(file)
    return program_text(plan(demands), demands)


def named_in(found: Located) -> list[set[str]]:
    return [{*pair.one, *pair.other} for pair in found.pairs]


def opposed(found: Located) -> Counter[frozenset[str]]:
    seen: Counter[frozenset[str]] = Counter()
    for step in found.steps:
        seen.update(frozenset((a, b)) for a in step.apply_to for b in step.against)
    return seen


# ---- no pair sees at DC what it may not

ONLY_AC = """\
never_above:
  - {between: [line, neutral], ac: 1250 V, dc: 100 V, reason: polarised part between them}
demands:
  - {name: ins, kind: insulation, among: [line, earth, shell, coil a, coil b], level: 500 V,
     rise: 0.2 s, dwell: 0.4 s, fall: 0 s, accept: {resistance: {at_least: 2 Mohm}}}
  - {name: ac, kind: withstand_ac, between: [line, all_others], level: 1250 V, frequency: 50 Hz,
     rise: 0.2 s, dwell: 0.4 s, fall: 0.2 s, limits_during_rise: yes,
     accept: {total_current: {at_most: 0.44 mA}}}
"""


@pytest.mark.parametrize("station", STATIONS)
def test_a_planned_search_never_puts_dc_on_a_pair_that_may_see_ac_only(
    make_rig: MakeRig, station: str, tmp_path: Path
) -> None:
    """Line and neutral may see 1250 V AC and 100 V DC: their leak fails the AC step, which isn't
    searched; another leak fails an insulation step, whose search keeps the two together."""
    text = planned(tmp_path, ONLY_AC + ALLOW)
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("line", "neutral", "1 Mohm")))
    result = rig.run(text)
    assert result.outcome is Outcome.FAIL
    assert result.located == ()
    for other in ("earth", "coil b"):
        rig.bench.load_unit(parse_unit(wires(*GOOD_WIRES, leak("line", other))))
        found = located(rig.run(text, serial=other))
        assert found.steps
        assert frozenset({"line", "neutral"}) not in opposed(found)
        pairs = {frozenset((*a, *b)) for a, b in found.candidates} | set(
            map(frozenset, named_in(found))
        )
        assert frozenset({"line", other}) in pairs


SEARCHED = "on_failure: locate, locate: {level: 500 V, rise: 0.2 s, dwell: 0.4 s,\n       "
SEARCHED += "accept: {resistance: {at_least: 2 Mohm}}},"
AC_AND_DC = f"""\
name: one AC step between two DC steps
revision: '1'
no_protective_earth: six loose wires without any earth
defaults:
  all: {{rise: 0.2 s, dwell: 0.4 s, unproved_contact: only six wires}}
  insulation: {{level: 500 V, fall: 0 s, accept: {{resistance: {{at_least: 2 Mohm}}}}}}
steps:
  - {{name: dc, kind: insulation, apply_to: [line], against: [earth, shell, neutral]}}
  - {{name: ac, kind: withstand_ac, apply_to: [earth], against: [shell, coil a],
     level: 1250 V, frequency: 50 Hz, fall: 0.2 s, limits_during_rise: yes,
     AC_SEARCHED accept: {{total_current: {{at_most: 0.44 mA}}}}}}
  - {{name: last, kind: insulation, apply_to: [line, neutral], against: [earth, shell, coil a],
     {SEARCHED} level_ceiling: 515 V}}
"""


@pytest.mark.parametrize("station", STATIONS)
def test_an_ac_step_opens_no_pair_by_its_level(make_rig: MakeRig, station: str) -> None:
    """Its peak is 1768 V, above the search's 500 V DC; but nothing says that earth and shell may
    see DC. So the search keeps them together and ends with candidates."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("neutral", "earth")))
    found = located(rig.run(AC_AND_DC.replace("AC_SEARCHED", "")))
    assert found.name == "last"
    assert frozenset({"earth", "shell"}) not in opposed(found)
    assert frozenset({"earth", "coil a"}) not in opposed(found)
    assert found.ending is SearchEnding.STUCK
    assert frozenset({"neutral", "earth"}) in {frozenset((*a, *b)) for a, b in found.candidates}


@pytest.mark.parametrize("station", STATIONS)
def test_a_searched_ac_step_says_that_its_own_sides_may_see_the_dc_level(
    make_rig: MakeRig, station: str
) -> None:
    """Its locate is the licence, for its own two sides and nothing within them: with it the pair
    is found."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("neutral", "earth")))
    found = located(rig.run(AC_AND_DC.replace("AC_SEARCHED", SEARCHED)))
    assert found.name == "last"
    assert frozenset({"earth", "shell"}) in opposed(found)
    assert frozenset({"shell", "coil a"}) not in opposed(found)
    assert found.ending is SearchEnding.FOUND
    assert named_in(found) == [{"neutral", "earth"}]


def test_the_wire_carries_no_more_than_the_search_s_ceiling(make_rig: MakeRig) -> None:
    """A level that the tester can only round up beyond it is refused with the program."""
    rig = make_rig("pell", unit=wires(*GOOD_WIRES))
    text = wires_program("withstand_dc").replace(
        "{level: 500 V,", "{level: 505 V, level_ceiling: %s,"
    )
    assert rig.run(text % "515 V").outcome is Outcome.PASS
    with pytest.raises(Refused, match="search of step 1"):
        rig.run(text % "505 V", serial="K2")


# ---- groups are judged by their own limit

SIX_MEGOHM = """\
insulations: [{among: every_net, value: 6 Mohm, tolerance_percent: 5}]
demands:
  - {name: ins, kind: insulation, among: every_net, level: 500 V, rise: 0.2 s, dwell: 0.4 s,
     fall: 0 s, accept: {resistance: {at_least: 2 Mohm}}}
"""


def good(bad: tuple[str, str] | None = None, size: str = "1.9 Mohm") -> str:
    """Six wires with 6 Mohm between every two, but for one pair."""
    pairs = combinations(POINTS, 2)
    return wires(*(leak(*pair, size if pair == bad else "6 Mohm") for pair in pairs))


def run_each(
    rig: Rig, text: str, size: str, every: int = 1
) -> list[tuple[tuple[str, str], RunResult]]:
    found = []
    for number, pair in enumerate([*combinations(POINTS, 2)][::every]):
        rig.bench.load_unit(parse_unit(good(pair, size)))
        found.append((pair, rig.run(text, serial=f"W{number}")))
    return found


@pytest.mark.parametrize(
    "station",
    [s if s == "pell" else pytest.param(s, marks=pytest.mark.soak) for s in STATIONS],
)
def test_every_leak_beside_good_pairs_that_conduct_themselves_is_found_exactly(
    make_rig: MakeRig, station: str, tmp_path: Path
) -> None:
    """All pairs 6 Mohm ± 5 %, 2 Mohm asked for: nine good pairs in parallel have 667 kohm, which is
    below one pair's limit. Each of the fifteen leaks of 1.9 Mohm is found, within 8 steps."""
    rig = make_rig(station, unit=good())
    text = planned(tmp_path, SIX_MEGOHM + ALLOW)
    assert rig.run(text).outcome is Outcome.PASS
    for pair, result in run_each(rig, text, "1.9 Mohm"):
        assert result.outcome is Outcome.FAIL
        assert located(result).ending is SearchEnding.FOUND, located(result).reason
        assert named(result) == [set(pair)]
        assert len(located(result).steps) <= 8
        assert located(result).candidates == ()


def test_without_declared_insulation_good_pairs_never_end_as_a_wrong_pair_found(
    make_rig: MakeRig,
) -> None:
    """The same unit under a hand-written program that knows of nothing: whatever it comes to, a
    good pair isn't 'found'."""
    rig = make_rig("orrin", unit=good())
    for pair, result in run_each(rig, wires_program("insulation"), "1.9 Mohm", every=3):
        assert result.outcome is Outcome.FAIL
        assert located(result).ending is not SearchEnding.FOUND or named(result) == [set(pair)]


def test_where_no_search_step_could_be_judged_the_reason_says_so(make_rig: MakeRig) -> None:
    """Good pairs from 4 to 100 Mohm: five of them may hide one bad pair or look like it. Nothing is
    energised for it, and with wires that may be left open the pair is found."""
    more = every_wire("4 Mohm", "100 Mohm")
    unit = wires(*GOOD_WIRES, leak("earth", "shell", "1.2 Mohm"))
    rig = make_rig("orrin", unit=unit)
    found = located(rig.run(wires_program("insulation", more)))
    assert found.ending is SearchEnding.STUCK
    assert "good pairs beside them conduct so much" in found.reason
    assert found.steps == ()
    assert (("shell",), ("earth",)) in found.candidates
    text = wires_program("insulation", more + ", floating: these wires hold no charge")
    result = rig.run(text, serial="K2")
    assert located(result).ending is SearchEnding.FOUND
    assert named(result) == [{"earth", "shell"}]


def every_wire(least: str, most: str) -> str:
    groups = ", ".join(f"[{point}]" for point in POINTS)
    return f", insulation: [{{groups: [{groups}], least: {least}, most: {most}}}]"


@pytest.mark.parametrize("station", ["orrin", "pell"])
def test_a_group_that_the_tester_s_rounding_spoils_is_not_tested(
    make_rig: MakeRig, station: str
) -> None:
    """Nine pairs of 4.4 to 4.5 Mohm: 439 kohm reveals, a good group has 489 kohm. In steps of
    100 kohm that is 500 kohm on the wire, which good groups would break: smaller ones are taken."""
    pairs = list(combinations(POINTS, 2))
    bad = ("earth", "shell")
    sizes = [leak(*pair, "1.9 Mohm" if pair == bad else "4.45 Mohm") for pair in pairs]
    rig = make_rig(station, unit=wires(*sizes))
    result = rig.run(wires_program("insulation", every_wire("4.4 Mohm", "4.5 Mohm")))
    found = located(result)
    assert found.ending is SearchEnding.FOUND, found.reason
    assert named(result) == [set(bad)]
    assert max(len(step.apply_to) * len(step.against) for step in found.steps) < 9
    rig.check(result, Outcome.FAIL)


def test_one_pair_s_limit_out_of_the_tester_s_reach_is_refused_with_the_program(
    make_rig: MakeRig,
) -> None:
    """6 Gohm: the widest search step has 1.2 Gohm, which this tester takes; one pair's own limit is
    above its 5 Gohm."""
    text = wires_program("insulation", every_wire("6.1 Gohm", "12 Gohm"))
    head, tail = text.split("locate: {", 1)
    tail = tail.replace("at_least: 2 Mohm", "at_least: 6 Gohm", 1)
    rig = make_rig("pell", unit=wires(*GOOD_WIRES))
    with pytest.raises(Refused, match="6 Gohm"):
        rig.run(f"{head}locate: {{{tail}")


# ---- what comes and goes


@pytest.mark.parametrize("station", STATIONS)
def test_a_leak_that_goes_during_the_search_ends_as_comes_and_goes(
    make_rig: MakeRig, station: str
) -> None:
    """It is there in the failed step and the first search step; what failed is named, no pair."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    mended = parse_unit(wires(*GOOD_WIRES))
    rig.during(Phase.BLEED, lambda: rig.bench.load_unit(mended), step="search 1 of step 1")
    result = rig.run(wires_program("insulation"))
    found = located(result)
    assert found.ending is SearchEnding.STUCK
    assert "comes and goes" in found.reason
    assert found.pairs == ()
    assert frozenset({"earth", "shell"}) in {frozenset((*a, *b)) for a, b in found.candidates}


@pytest.mark.parametrize("other", [("line", "coil b"), ("earth", "neutral")])
@pytest.mark.parametrize("at", range(1, 6))
def test_a_leak_that_moves_never_gets_a_good_pair_found(
    make_rig: MakeRig, at: int, other: tuple[str, str]
) -> None:
    """Another pair takes over in the middle of the search: at most one of the two is named."""
    rig = make_rig("orrin", unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    moved = parse_unit(wires(*GOOD_WIRES, leak(*other)))
    rig.during(Phase.BLEED, lambda: rig.bench.load_unit(moved), step=f"search {at} of step 1")
    result = rig.run(wires_program("insulation"))
    assert all(pair in ({"earth", "shell"}, set(other)) for pair in named(result))


# ---- exposures, the confirming step included


@pytest.mark.parametrize("most", [2, 4, 6])
def test_no_pair_is_exposed_more_often_than_allowed_over_all_runs(
    make_rig: MakeRig, most: int
) -> None:
    """Runs until nothing is left; no wire may be left open, so that a pair is confirmed in other
    company."""
    rig = make_rig("pell", unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    text = wires_program("insulation", f", exposures_at_most: {most}")
    for _ in range(8):
        found = located(rig.run(text, serial="A"))
        exposed = search_exposures(rig.folder / "records.sqlite", "A")
        assert max(exposed.values()) <= most
    assert found.ending is SearchEnding.STUCK
    assert found.steps == ()


def test_the_planned_program_reads_as_what_these_tests_take_it_for(tmp_path: Path) -> None:
    """So that none of them passes for want of a search."""
    text = planned(tmp_path, SIX_MEGOHM + ALLOW)
    steps = parse_document(text, "p.yaml", Program).model.steps
    assert all(isinstance(s, InsulationStep) and s.locate is not None for s in steps)
    text = planned(tmp_path, ONLY_AC + ALLOW)
    kinds = {type(s): s for s in parse_document(text, "p.yaml", Program).model.steps}
    with_search, without = kinds[InsulationStep], kinds[WithstandAcStep]
    assert isinstance(with_search, InsulationStep)
    assert with_search.locate is not None
    assert isinstance(without, WithstandAcStep)
    assert without.locate is None


@pytest.mark.parametrize("station", STATIONS)
def test_guarded_limits_are_made_for_the_group_too(
    make_rig: MakeRig, station: str, tmp_path: Path
) -> None:
    """All pairs 12 Mohm ± 5 %: the guard band lies within each group's own limit, and a good unit
    passes; the pair is found, and every search step says that it was guarded."""
    body = SIX_MEGOHM.replace("6 Mohm", "12 Mohm") + "decision_rule: guarded\n"
    text = planned(tmp_path, body + ALLOW)
    pairs = list(combinations(POINTS, 2))
    rig = make_rig(station, unit=wires(*(leak(*pair, "12 Mohm") for pair in pairs)))
    assert rig.run(text).outcome is Outcome.PASS
    for bad in (("earth", "shell"), ("line", "coil b"), ("coil a", "coil b")):
        sizes = [leak(*pair, "1.9 Mohm" if pair == bad else "12 Mohm") for pair in pairs]
        rig.bench.load_unit(parse_unit(wires(*sizes)))
        result = rig.run(text, serial="-".join(bad))
        assert located(result).ending is SearchEnding.FOUND, located(result).reason
        assert named(result) == [set(bad)]
    begun = [n.data["step"] for n in rig.notices if n.kind == "step_started"]
    assert {step.decision_rule for step in begun if step.search_of is not None} == {"guarded"}
