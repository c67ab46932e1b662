"""The keys of ``locate`` that a planned step gets."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.documents import parse_document
from orchestrator.model.program import InsulationStep, Locate, Program, WithstandAcStep
from orchestrator.model.resolve import read_demands
from orchestrator.planning.planner import plan
from orchestrator.planning.writing import program_text

PRODUCTS = Path(__file__).resolve().parents[2] / "examples" / "products"


def planned(name: str) -> Program:
    demands = read_demands(PRODUCTS / f"{name}.yaml")
    return parse_document(program_text(plan(demands), demands), "planned.yaml", Program).model


@pytest.mark.parametrize("name", ["larkfield", "tansy", "bramley"])
def test_a_group_is_searched_at_insulation_level_by_the_limit_of_one_pair(name: str) -> None:
    """Never above the step's own level; nets are left open where the product says why they may."""
    searched = [step for step in planned(name).steps if step.on_failure == "locate"]
    assert searched
    for step in searched:
        assert step.locate is not None
        assert step.locate.level.value <= step.level.value
        assert (step.locate.floating is None) is (name == "tansy")


def test_the_search_takes_the_pair_s_limit_and_not_the_group_s() -> None:
    """Tansy's wires must have 100 Mohm each pair; a group of 32 against 32 reads far less."""
    steps = [s for s in planned("tansy").steps if isinstance(s, InsulationStep)]
    limits = {str(step.locate.accept.resistance.at_least) for step in steps if step.locate}
    assert len(limits) == 1


def test_bonding_and_continuity_are_never_searched() -> None:
    """They test one contact each."""
    kinds = {s.kind.value for s in planned("larkfield").steps if s.on_failure == "locate"}
    assert kinds <= {"insulation", "withstand_ac", "withstand_dc"}


# ---- what the pairs may see at DC, what may be left open, what good pairs have

FOUR = """\
name: four circuits (invented)
revision: "1"
nets: {{a: a, b: b, c: c, d: d}}
{more}
demands:
  - {{name: ins, kind: insulation, {pairs}, level: 500 V, rise: 0.2 s, dwell: 1 s,
     accept: {{resistance: {{at_least: 2 Mohm}}}}}}
  - {{name: ac, kind: withstand_ac, {ac_pairs}, level: 1250 V, frequency: 50 Hz, dwell: 1 s,
     accept: {{total_current: {{at_most: 1 mA}}}}}}
allow:
  unproved_contact: [{{points: [a, b, c, d], reason: not the subject here}}]
  undeclared_pairs: {{ac: 0 V, dc: 1 kV, reason: nothing else is between them}}
{allow}
"""
ONE = "between: [a, [b, c]]"
ALL = "between: [a, [b, c, d]]"


def made(
    folder: Path, more: str = "", allow: str = "", pairs: str = ONE, ac_pairs: str = ALL
) -> tuple[Program, str]:
    file = folder / "product.yaml"
    text = FOUR.format(more=more, allow=allow, pairs=pairs, ac_pairs=ac_pairs)
    file.write_text(text, encoding="utf-8")
    demands = read_demands(file)
    text = program_text(plan(demands), demands)
    return parse_document(text, "planned.yaml", Program).model, text


def searches(program: Program) -> dict[str, Locate | None]:
    """By kind: there is one step of each."""
    kinds = (InsulationStep, WithstandAcStep)
    return {step.kind.value: step.locate for step in program.steps if isinstance(step, kinds)}


def in_comments(text: str) -> str:
    lines = [line.strip() for line in text.splitlines()]
    return " ".join(line[1:].strip() for line in lines if line.startswith("#"))


def test_an_ac_step_with_a_pair_that_may_not_see_the_dc_level_is_not_searched(
    tmp_path: Path,
) -> None:
    """Withstand opposes a and d, which may see 100 V DC; the step's comment says so. The insulation
    step doesn't oppose them and is searched."""
    never = "never_above: [{between: [a, d], ac: 1500 V, dc: 100 V, reason: polarised part}]"
    program, text = made(tmp_path, never)
    found = searches(program)
    assert found["withstand_ac"] is None
    assert found["insulation"] is not None
    told = "No search at 500 V, which is DC: 'a' and 'd' may see at most 100 V DC (never_above)."
    assert told in in_comments(text)


def test_the_peak_of_an_ac_demand_suffices_where_nothing_lower_is_declared(tmp_path: Path) -> None:
    """1250 V AC is 1768 V at its peak: the product lets the pair see that at DC."""
    program, _ = made(tmp_path)
    locate = searches(program)["withstand_ac"]
    assert locate is not None
    assert (str(locate.level), str(locate.level_ceiling)) == ("500 V", "515 V")


def test_a_lower_insulation_level_is_taken_where_every_pair_may_see_that(tmp_path: Path) -> None:
    """Another demand of the product is at 250 V; a and d may see 300 V."""
    never = "never_above: [{between: [a, d], ac: 1500 V, dc: 255 V, reason: polarised part}]"
    more = "- {name: low, kind: insulation, between: [c, d], level: 250 V, dwell: 1 s,\n"
    more += "     accept: {resistance: {at_least: 2 Mohm}}}"
    file = tmp_path / "product.yaml"
    text = FOUR.format(more=never, allow="", pairs=ONE, ac_pairs=ALL)
    file.write_text(text.replace("  - {name: ac,", f"  {more}\n  - {{name: ac,"), "utf-8")
    demands = read_demands(file)
    text = program_text(plan(demands), demands)
    locate = searches(parse_document(text, "planned.yaml", Program).model)["withstand_ac"]
    assert locate is not None
    assert (str(locate.level), str(locate.level_ceiling)) == ("250 V", "255 V")
    assert "searched at 250 V instead" in in_comments(text)


@pytest.mark.parametrize(
    ("dc", "ceiling"), [("500 V", "500 V"), ("507 V", "507 V"), ("1 kV", "515 V")]
)
def test_the_ceiling_of_the_search_is_what_its_pairs_may_see(
    tmp_path: Path, dc: str, ceiling: str
) -> None:
    """Not 3 % more than the level where the product allows less."""
    never = f"never_above: [{{between: [a, b], ac: 1500 V, dc: {dc}, reason: a filter}}]"
    program, _ = made(tmp_path, never)
    for locate in searches(program).values():
        assert locate is not None
        assert str(locate.level_ceiling) == ceiling


MAY_FLOAT = "  floating: [{nets: [a, b, c, d], %s reason: nothing in it holds a charge}]"


@pytest.mark.parametrize(
    ("may", "more", "allowed"),
    [
        ("", "", True),
        ("up_to_dc: 600 V,", "", True),
        ("up_to_dc: 400 V,", "", False),
        # An open net may come to the level against any other one.
        ("", "never_above: [{between: [b, c], ac: 0 V, dc: 0 V, reason: a sensor}]", False),
    ],
)
def test_points_may_be_left_open_only_where_the_product_lets_every_net_float_at_the_level(
    tmp_path: Path, may: str, more: str, allowed: bool
) -> None:
    """The reasons go into the program."""
    file = tmp_path / "product.yaml"
    pairs = "between: [a, [b, c, d]]"
    text = FOUR.format(
        more=more, allow=MAY_FLOAT % may, pairs=pairs, ac_pairs="among: [[a, b, c, d]]"
    )
    head, tail = text.split("  - {name: ac,")
    file.write_text(head + tail[tail.index("allow:") :], "utf-8")
    demands = read_demands(file)
    program = parse_document(program_text(plan(demands), demands), "p.yaml", Program).model
    locates = [step.locate for step in program.steps if isinstance(step, InsulationStep)]
    searched = [locate for locate in locates if locate is not None]
    assert searched or not allowed
    for locate in searched:
        assert (locate.floating is not None) is allowed


def test_the_ceiling_suits_what_an_open_net_may_reach(tmp_path: Path) -> None:
    """505 V, though the pairs may see 515 V."""
    program, _ = made(tmp_path, allow=MAY_FLOAT % "up_to_ac: 1500 V, up_to_dc: 505 V,", pairs=ALL)
    locate = searches(program)["insulation"]
    assert locate is not None
    assert locate.floating == "nothing in it holds a charge"
    assert str(locate.level_ceiling) == "505 V"


def test_declared_insulation_is_handed_to_the_search(tmp_path: Path) -> None:
    """With tolerance, one point for each net of the step; a value of pairs together has no certain
    part in a step without all of them."""
    more = """insulations:
  - {between: [a, [b, c, d]], value: 100 Mohm, tolerance_percent: 20}
  - {between: [a, [b, c]], value: 1 Gohm, tolerance_percent: 50, counts: together}
  - {between: [b, c], value: 50 Mohm, tolerance_percent: 0}"""
    program, text = made(tmp_path, more)
    found = searches(program)
    assert found["insulation"] is not None
    assert found["withstand_ac"] is not None
    each, together = found["withstand_ac"].insulation
    assert each.groups is not None
    assert {frozenset(group) for group in each.groups} == {frozenset("a"), frozenset("bcd")}
    assert (str(each.least), str(each.most), each.counts) == ("80 Mohm", "120 Mohm", "each_pair")
    assert (str(together.least), str(together.most)) == ("500 Mohm", "1.5 Gohm")
    assert together.counts == "together"
    assert "insulation:" in text


def test_nothing_declared_nothing_written() -> None:
    """Then the limit of one pair holds for every group."""
    for step in planned("larkfield").steps:
        if isinstance(step, InsulationStep | WithstandAcStep) and step.locate is not None:
            declared = read_demands(PRODUCTS / "larkfield.yaml").insulations
            assert bool(step.locate.insulation) is bool(declared)


def test_each_wire_by_itself_needs_no_groups(tmp_path: Path) -> None:
    """One point for each net of the step, and each pair of them declared."""
    more = "insulations: [{among: every_net, value: 100 Mohm, tolerance_percent: 20}]"
    program, text = made(tmp_path, more)
    assert "groups:" not in text
    for locate in searches(program).values():
        assert locate is not None
        (entry,) = locate.insulation
        assert entry.groups is None
        assert (str(entry.least), entry.counts) == ("80 Mohm", "each_pair")


def test_a_net_with_two_points_is_one_conductor_by_its_first() -> None:
    """Tansy's wires have two ends, both contacted: groups of one point say so."""
    steps = [step for step in planned("tansy").steps if isinstance(step, InsulationStep)]
    for step in steps:
        assert step.locate is not None
        (entry,) = step.locate.insulation
        assert entry.groups is not None
        assert {len(group) for group in entry.groups} == {1}
        assert len(entry.groups) == 64
        assert len(step.apply_to) + len(step.against) == 128


def test_groups_of_many_wires_stand_on_lines_of_their_own(tmp_path: Path) -> None:
    """40 wires in two bundles."""
    wires = [f"wire {n}" for n in range(40)]
    file = tmp_path / "bundles.yaml"
    file.write_text(
        f"""\
name: two bundles (invented)
revision: "1"
nets: {{{", ".join(f"{w}: {w}" for w in wires)}}}
insulations:
  - {{between: [[{", ".join(wires[:20])}], [{", ".join(wires[20:])}]], value: 10 Gohm,
     tolerance_percent: 20}}
demands:
  - {{name: ins, kind: insulation, among: every_net, level: 500 V, dwell: 1 s,
     accept: {{resistance: {{at_least: 2 Mohm}}}}}}
allow: {{unproved_contact: [{{points: [{", ".join(wires)}], reason: only wires}}]}}
""",
        "utf-8",
    )
    demands = read_demands(file)
    text = program_text(plan(demands), demands)
    searched = parse_document(text, "planned.yaml", Program).model.steps[0]
    assert isinstance(searched, InsulationStep)
    assert searched.locate is not None
    (entry,) = searched.locate.insulation
    assert entry.groups is not None
    assert sorted(len(group) for group in entry.groups) == [20, 20]
    inside = [line for line in text.splitlines() if line.startswith(" " * 8)]
    assert len(inside) > 5
