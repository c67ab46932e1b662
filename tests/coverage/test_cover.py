"""What a program covers, misses, hides and stresses: programs written by hand."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from orchestrator.coverage.cover import cover
from orchestrator.coverage.report import Coverage
from orchestrator.coverage.words import findings, headline
from orchestrator.documents import Document, build, parse_document
from orchestrator.errors import Refused
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.resolve import read_demands, resolve

PRODUCTS = Path(__file__).resolve().parents[2] / "examples" / "products"

Data = dict[str, Any]


def program_of(*steps: Data) -> Document[Program]:
    data = {"name": "by hand", "revision": "1", "steps": steps}
    return Document.built(build(Program, data), "hand.yaml")


def judged(product: str | Data, *steps: Data) -> Coverage:
    if isinstance(product, str):
        demands = read_demands(PRODUCTS / product)
    else:
        demands = resolve(Document.built(build(Product, product), "product.yaml"))
    return cover(demands, program_of(*steps))


def contact(name: str, one: str, other: str, **more: Any) -> Data:
    limit = {"resistance": {"at_most": "500 mohm"}}
    step = {"name": name, "kind": "continuity", "level": "100 mA", "dwell": "0.3 s"}
    return {**step, "apply_to": [one], "against": [other], "accept": limit, **more}


def insulation(name: str, one: list[str], other: list[str], **more: Any) -> Data:
    step = {"name": name, "kind": "insulation", "level": "500 V", "dwell": "1 s"}
    limit = {"resistance": {"at_least": "10 Mohm"}}
    return {**step, "apply_to": one, "against": other, "accept": limit, **more}


def withstand(name: str, one: list[str], other: list[str], **more: Any) -> Data:
    step = {"name": name, "kind": "withstand_ac", "level": "1 kV", "frequency": "50 Hz"}
    limit = {"total_current": {"at_most": "5 mA"}}
    timed = {"dwell": "1 s", "apply_to": one, "against": other, "accept": limit}
    return {**step, **timed, **more}


def wires(count: int, **more: Any) -> Data:
    """A harness of wires with one end each, all against all."""
    demand = insulation("all pairs", [], [], among="every_net")
    product = {
        "name": "harness (invented)",
        "revision": "1",
        "nets": {f"w{i}": f"p{i}" for i in range(count)},
        "demands": [{k: v for k, v in demand.items() if k not in {"apply_to", "against"}}],
        "allow": {
            "unproved_contact": [
                {"points": [f"p{i}" for i in range(count)], "reason": "not the question here"}
            ]
        },
    }
    return {**product, **more}


def said(found: Coverage) -> str:
    return "\n".join(findings(found))


# ---- the shipped products -----------------------------------------------------------------------


def harness_steps() -> list[Data]:
    """64 wires: each end to end, then six groups by the bits of their numbers."""
    steps = [contact(f"wire {i}", f"a{i:02}", f"b{i:02}") for i in range(1, 65)]
    names = [step["name"] for step in steps]
    for bit in range(6):
        ends = [f"{end}{i + 1:02}" for i in range(64) if i >> bit & 1 for end in "ab"]
        more = {"others": "against", "prove_contact": names, "level_ceiling": "515 V"}
        steps.append(insulation(f"bit {bit}", ends, [], **more))
    return steps


def test_six_groups_cover_all_2016_pairs_of_64_wires() -> None:
    """⌈log2 64⌉ = 6 (Harary, Hsu, Miller 1977); 64·63/2 = 2016 pairs."""
    found = judged("tansy.yaml", *harness_steps())
    assert found.complete
    assert findings(found) == ()
    assert (found.pairs[0].pairs, found.pairs[0].covered) == (2016, 2016)
    assert (len(found.leads.by_step), found.leads.unproved) == (128, ())
    assert found.exposures[0].histogram[6] == 32


def test_with_one_group_less_the_32_pairs_of_that_bit_are_named() -> None:
    """Wires whose numbers differ in that bit alone."""
    found = judged("tansy.yaml", *harness_steps()[:-1])
    assert not found.complete
    assert found.pairs[0].open == 32
    assert found.pairs[0].open_pairs[0] == ("w01", "w33")
    assert "32 pairs of 2016 covered by no step: w01 – w33" in said(found)


def test_one_wire_without_its_continuity_step_is_an_open_demand_and_two_unproved_leads() -> None:
    """Both named."""
    steps = [s for s in harness_steps() if s["name"] != "wire 7"]
    for step in steps:
        if "prove_contact" in step:
            step["prove_contact"] = [n for n in step["prove_contact"] if n != "wire 7"]
    found = judged("tansy.yaml", *steps)
    assert "continuity within net w07 (a07 | b07)" in said(found)
    assert [lead.point for lead in found.leads.unproved] == ["a07", "b07"]
    assert "lead at a07 (net w07) isn't proved by any step; steps 64, 65" in said(found)


def dehumidifier_steps() -> list[Data]:
    bond: Data = {"kind": "bonding", "level": "25 A", "frequency": "50 Hz", "dwell": "0.3 s"}
    bond |= {"against": ["inlet earth"], "accept": {"resistance": {"at_most": "100 mohm"}}}
    parts = ["steel base", "condenser coil", "fan guard"]
    steps = [{**bond, "name": f"bond {part}", "apply_to": [part]} for part in parts]
    between = {"at_least": "5 ohm", "at_most": "18 ohm"}
    load = {"level": "0.2 A", "dwell": "0.3 s", "accept": {"resistance": between}}
    steps += [
        contact("heater", "inlet line", "inlet neutral", **load),
        contact("fan", "fan line", "fan neutral", **load),
        contact("sensor", "sensor supply", "sensor return", level="0.2 A", dwell="0.3 s",
                accept={"resistance": {"at_most": "10 ohm"}}),
    ]  # fmt: skip
    names = [step["name"] for step in steps]
    power = ["inlet line", "inlet neutral", "fan line", "fan neutral"]
    more: Data = {"others": "against", "prove_contact": names, "limits_during_rise": "yes"}
    steps += [
        insulation("ir", power, [], **more, accept={"resistance": {"at_least": "2 Mohm"}}),
        withstand("ac", power, [], **more, level="1250 V"),
        {**withstand("dc", power, [], **more, level="2120 V"), "kind": "withstand_dc",
         "accept": {"total_current": {"at_most": "0.5 mA"}}},
    ]  # fmt: skip
    del steps[-1]["frequency"]
    return steps


def test_a_program_that_bonds_each_part_and_leaves_nothing_open_is_complete() -> None:
    """The dehumidifier's four mains nets against all else."""
    found = judged("larkfield.yaml", *dehumidifier_steps())
    assert said(found) == ""
    assert found.complete
    assert [each.covered for each in found.pairs] == [24, 24, 8]
    assert headline(found).startswith(
        "program 'by hand' for product 'Larkfield dehumidifier': complete"
    )


def test_a_net_left_open_that_may_not_float_is_named_with_what_it_may_reach() -> None:
    """2120 V and the 3 % that a wire format may add."""
    steps = dehumidifier_steps()
    steps[-1] |= {"others": "open", "against": ["sensor supply", "sensor return"]}
    text = (PRODUCTS / "larkfield.yaml").read_text("utf-8").split("  # For the search")[0]
    found = cover(resolve(parse_document(text, "larkfield.yaml", Product)), program_of(*steps))
    (afloat,) = found.afloat
    assert (afloat.step, afloat.nets, afloat.reach_v) == (9, 4, Decimal("2183.6"))
    assert "leaves 4 nets open that may not float: earth; base; coil; guard" in said(found)
    assert "may reach 2.1836 kV DC" in said(found)


def test_parts_bonded_through_each_other_are_no_bond_to_earth() -> None:
    """Two wires in series, or in parallel, hide each other."""
    steps = dehumidifier_steps()
    steps[1] |= {"apply_to": ["condenser coil", "fan guard"]}
    del steps[2]
    for step in steps[5:]:
        step["prove_contact"] = [n for n in step["prove_contact"] if n != "bond fan guard"]
    found = judged("larkfield.yaml", *steps)
    assert "bond of condenser coil to earth; bond of fan guard to earth" in said(found)
    assert {lead.point for lead in found.leads.unproved} == {"condenser coil", "fan guard"}
    assert "touches it only beside other points" in said(found)


def heater_steps(**more: Any) -> list[Data]:
    return [
        {"name": "bond", "kind": "bonding", "level": "10 A", "frequency": "50 Hz", "dwell": "2 s",
         "apply_to": ["casing"], "against": ["inlet earth"],
         "accept": {"resistance": {"at_most": "100 mohm"}}},
        contact("element", "inlet line", "inlet neutral",
                accept={"resistance": {"at_least": "20 ohm", "at_most": "40 ohm"}}, dwell="0.5 s"),
        withstand("ac", ["inlet line", "inlet neutral"], ["inlet earth", "casing"],
                  **{"prove_contact": ["bond", "element"], **more}),
    ]  # fmt: skip


def test_demands_of_a_rule_sheet_are_judged_alike_and_its_notice_is_passed_on() -> None:
    """1000 V AC for 1 s from the sheet; nobody has checked it."""
    found = judged("quince.yaml", *heater_steps())
    assert said(found) == ""
    assert found.complete
    assert any("checked by nobody yet" in line for line in found.notices)


def test_more_than_a_pair_may_see_is_told_with_the_line_that_forbids_it() -> None:
    """1250 V allowed; 1230 V may become 1266.9 V on the wire, unless a ceiling is written."""
    found = judged("quince.yaml", *heater_steps(level="1230 V"))
    (stress,) = found.stresses
    assert (stress.pairs, stress.most_v) == (4, Decimal("1266.90"))
    assert "stresses 4 pairs with up to 1.2669 kV AC" in said(found)
    assert "earth" in said(found)
    assert "may see 1.25 kV (never_above" in said(found)
    kept = judged("quince.yaml", *heater_steps(level="1230 V", level_ceiling="1250 V"))
    assert kept.complete


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"level": "990 V"}, "its level is 990 V, 1 kV is demanded"),
        ({"dwell": "0.9 s"}, "its dwell is 900 ms, 1 s is demanded"),
        ({"frequency": "60 Hz"}, "its frequency is 60 Hz, 50 Hz is demanded"),
        ({"settle": "0.5 s"}, "its limits act for 500 ms, 1 s is demanded"),
        ({"accept": {"in_phase_current": {"at_most": "5 mA"}}},
         "it has no limit total_current at_most"),
    ],
)  # fmt: skip
def test_a_step_that_falls_short_covers_nothing_and_is_told_why(change: Data, reason: str) -> None:
    """Level, time, frequency, kind of limit."""
    found = judged("quince.yaml", *heater_steps(**change))
    assert found.pairs[0].open == 4
    assert reason in said(found)


def test_a_limit_looser_than_demanded_is_masked_not_covered() -> None:
    """The level is right, the limit isn't."""
    found = judged("quince.yaml", *heater_steps(accept={"total_current": {"at_most": "6 mA"}}))
    assert (found.pairs[0].open, found.pairs[0].masked) == (0, 4)
    assert "4 pairs covered in level, masked in limit" in said(found)
    assert "the step accepts up to 6 mA" in said(found)


# ---- groups and their limits --------------------------------------------------------------------


def grouped(limit: str, farads: str = "30 nF") -> Coverage:
    """Three phases against earth, each with a capacitor: 1 kV, 50 Hz, 5 mA per pair."""
    demand = withstand("strength", [], [], between=[["a", "b", "c"], ["pe"]])
    stray = {"value": farads, "tolerance_percent": "20"}
    product = wires(
        3,
        nets={"a": "a", "b": "b", "c": "c", "pe": "pe"},
        demands=[{k: v for k, v in demand.items() if k not in {"apply_to", "against"}}],
        capacitances=[{**stray, "between": [["a", "b", "c"], ["pe"]]}],
        allow={"unproved_contact": [{"points": ["a", "b", "c", "pe"], "reason": "not asked here"}]},
    )
    step = withstand("all", ["a", "b", "c"], ["pe"], accept={"total_current": {"at_most": limit}})
    return judged(product, step)


def test_the_group_limit_may_exceed_the_pair_limit_by_what_the_others_surely_draw() -> None:
    """Two others draw at least 2 · 24 nF · 2π·50 Hz · 1 kV = 15.08 mA reactive; a resistive fault
    of 5 mA adds at a right angle: √(15.08² + 5²) = 15.888 mA, not 20.08 mA."""
    assert grouped("15.88 mA").complete
    found = grouped("15.9 mA")
    assert (found.pairs[0].covered, found.pairs[0].masked) == (0, 3)
    assert "the group may read only 15.89 mA" in said(found)


def test_a_value_of_all_pairs_together_is_sure_only_where_all_stand_opposed() -> None:
    """b and c have 60 nF ± 20 % to earth together, at least 15.08 mA at 1 kV, 50 Hz. That counts
    beside a; beside b nothing is sure, for all of it may be b's own. With c open nothing is."""
    demand = withstand("strength", [], [], between=[["a", "b"], ["pe"]])
    stray = {"value": "60 nF", "tolerance_percent": "20", "counts": "together"}
    product = wires(
        3,
        nets={"a": "a", "b": "b", "c": "c", "pe": "pe"},
        demands=[{k: v for k, v in demand.items() if k not in {"apply_to", "against"}}],
        capacitances=[{**stray, "between": [["b", "c"], ["pe"]]}],
        allow={"floating": [{"nets": ["c"], "reason": "it stands the level"}]},
    )
    accept = {"total_current": {"at_most": "15.88 mA"}}
    whole = judged(product, withstand("all", ["a", "b", "c"], ["pe"], accept=accept))
    assert [each.nets for each in whole.pairs[0].masked_pairs] == [("b", "pe")]
    assert whole.pairs[0].covered == 1
    part = judged(product, withstand("part", ["a", "b"], ["pe"], accept=accept))
    assert part.pairs[0].masked == 2
    assert part.afloat == ()


def test_undeclared_capacitances_count_for_nothing() -> None:
    """Then only the pair's own limit shows it."""
    assert grouped("5 mA", "0 pF").complete
    assert grouped("5.01 mA", "0 pF").pairs[0].masked == 3


def test_a_group_of_good_insulations_may_have_a_lower_limit_than_one_pair() -> None:
    """1/(1/10 Mohm + 3/150 Mohm) = 8.333 Mohm: two against two, each at most 150 Mohm."""
    typical = {"among": "every_net", "value": "100 Mohm", "tolerance_percent": "50"}
    product = wires(4, insulations=[typical])

    def masked(limit: str) -> int:
        accept = {"resistance": {"at_least": limit}}
        first = insulation("one", ["p0", "p1"], ["p2", "p3"], accept=accept)
        second = insulation("two", ["p0", "p2"], ["p1", "p3"], accept=accept)
        found = judged(product, first, second)
        assert found.pairs[0].open == 0
        return found.pairs[0].masked

    assert masked("8.334 Mohm") == 0
    assert masked("8.33 Mohm") == 6


# ---- sides --------------------------------------------------------------------------------------


def test_open_nets_are_on_no_side() -> None:
    """Never being opposed isn't transitive: a–b and b–c, but not a–c."""
    steps = [insulation("one", ["p0"], ["p2"])]
    found = judged(wires(3), *steps)
    assert found.pairs[0].open_pairs == (("w0", "w1"), ("w1", "w2"))
    assert found.afloat[0].first == (("w1", None),)


def test_one_point_of_a_net_puts_the_whole_net_on_its_side() -> None:
    """Its other points, left open, are the same conductor."""
    nets = {"w0": ["p0", "q0"], "w1": "p1"}
    found = judged(wires(2, nets=nets), insulation("one", ["q0"], ["p1"]))
    assert found.pairs[0].complete


def test_a_net_with_points_on_both_sides_is_a_short_and_the_step_covers_nothing() -> None:
    """As 'others: against' does to a wire's other end."""
    nets = {"w0": ["p0", "q0"], "w1": "p1", "w2": "p2"}
    more = {"others": "against"}
    found = judged(wires(3, nets=nets), insulation("one", ["p0"], [], **more))
    assert found.shorts[0].nets == ("w0", "w0")
    assert "has net w0 on both sides: it covers nothing" in said(found)
    assert found.pairs[0].covered == 0


def test_joined_nets_on_opposite_sides_are_told() -> None:
    """Line and neutral, with the heater between them."""
    found = judged(
        "quince.yaml", *heater_steps(), withstand("x", ["inlet line"], ["inlet neutral"])
    )
    assert "line – neutral on opposite sides, which the product joins" in said(found)
    assert found.stresses[0].step == 4


def test_a_joined_net_left_open_sees_the_level_but_is_not_covered() -> None:
    """The neutral hangs on the line through the heater, but has no contact of its own."""
    steps = heater_steps()
    steps[2]["apply_to"] = ["inlet line"]
    found = judged("quince.yaml", *steps)
    assert found.afloat == ()
    assert found.pairs[0].open_pairs == (("earth", "neutral"), ("casing", "neutral"))


def test_a_point_in_no_net_is_refused_with_a_suggestion() -> None:
    """Bad input, not incompleteness."""
    with pytest.raises(Refused, match="'p9', expected a point of a net of the product"):
        judged(wires(3), insulation("one", ["p9"], ["p1"]))


# ---- currents and exposures ---------------------------------------------------------------------


def test_a_bonding_current_above_every_demand_on_the_part_is_told() -> None:
    """10 A with 3 % are demanded, 25 A driven."""
    steps = heater_steps()
    steps[0]["level"] = "25 A"
    found = judged("quince.yaml", *steps)
    assert "may drive 25.75 A; what is demanded there allows 10.3 A" in said(found)


def test_exposures_are_counted_by_pair() -> None:
    """Twice, once, never."""
    found = judged(
        wires(3),
        insulation("one", ["p0"], ["p1"]),
        insulation("two", ["p0"], ["p1", "p2"]),
    )
    assert found.exposures[0].histogram == {0: 1, 1: 1, 2: 1}
    assert (found.exposures[0].highest, found.exposures[0].most) == (2, ("w0", "w1"))


def test_the_position_of_a_finding_is_the_product_files() -> None:
    """So that a reader finds the demand."""
    text = """\
name: pair (invented)
revision: "1"
nets: {a: pa, b: pb, c: pc}
demands:
  - {name: ir, kind: insulation, level: 500 V, dwell: 1 s, among: every_net,
     accept: {resistance: {at_least: 10 Mohm}}}
"""
    demands = resolve(parse_document(text, "pair.yaml", Product))
    found = cover(demands, program_of(insulation("one", ["pa"], ["pb", "pc"])))
    assert "demand ir (pair.yaml:5:5): 1 pair of 3 covered by no step: b – c" in said(found)
