"""Product files: names to nets, demands to groups of nets, and every fault with its line."""

from __future__ import annotations

import tracemalloc
from decimal import Decimal
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.documents import Document, build, parse_document
from orchestrator.errors import Refused
from orchestrator.model.demands import Demands, Grouping, mask_of, nets_of
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.resolve import read_demands, resolve
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"

HEAD = """\
name: kettle (invented)
revision: "1"
nets:
  pe: [pe pin, pe stud]
  lid: lid
  line: line
  neutral: neutral
  low a: low a
  low b: low b
circuits:
  mains: {nets: [line, neutral], working_voltage: 230 V, class: mains}
  low: {nets: [low a, low b], working_voltage: 12 V, class: low}
protective_earth: [pe pin, pe stud]
accessible_parts: lid
loads: [{name: heater, between: [line, neutral], accept: {at_least: 20 ohm, at_most: 40 ohm}}]
"""
BOND = """\
  - {name: bond, kind: bonding, level: 25 A, dwell: 1 s, accept: {resistance: {at_most: 0.1 ohm}}}
"""
INSULATION = "kind: insulation, level: 500 V, dwell: 1 s, accept: {resistance: {at_least: 2 Mohm}}"


def resolved(text: str, head: str = HEAD) -> Demands:
    return resolve(parse_document(head + text, "kettle.yaml", Product))


def demanding(pairs: str, more: str = "", head: str = HEAD) -> Demands:
    return resolved(f"{more}demands:\n{BOND}  - {{name: ir, {INSULATION}, {pairs}}}\n", head)


def refusal(pairs: str, more: str = "", head: str = HEAD) -> str:
    with pytest.raises(Refused) as caught:
        demanding(pairs, more, head)
    return str(caught.value)


# ---- what is resolved ---------------------------------------------------------------------------


def test_points_lead_to_nets_and_short_forms_are_lists() -> None:
    """One point may stand without brackets."""
    found = demanding("between: [mains, low]")
    assert found.nets[found.net_of_point["pe stud"]].name == "pe"
    assert found.nets[found.net_named["line"]].points == ("line",)
    assert found.accessible_parts == ("lid",)


def test_earth_with_its_parts_and_a_load_with_its_ends_are_one_body_each() -> None:
    """Bonded and joined nets can't stand on opposite sides of a voltage."""
    found = demanding("between: [mains, low]")
    names = {tuple(found.nets[n].name for n in body) for body in found.bodies}
    assert names == {("pe", "lid"), ("line", "neutral"), ("low a",), ("low b",)}
    assert found.earthed == {found.net_named["pe"], found.net_named["lid"]}
    for number, body in enumerate(found.bodies):
        assert all(found.body_of[net] == number for net in body)


def test_a_demand_between_circuits_is_one_of_their_nets() -> None:
    """2 × 2 pairs; none within a circuit."""
    (demand,) = demanding("between: [mains, low]").pair_demands
    assert (demand.kind, demand.pairs.pairs) == (StepKind.INSULATION, 4)
    assert demand.level_v == 500
    assert (2, 4) in demand.pairs
    assert (2, 3) not in demand.pairs
    assert demand.limit(Measured.RESISTANCE, Edge.AT_LEAST) == 2_000_000
    assert demand.waveform is Waveform.DC
    assert (demand.origin.at.file, demand.origin.at.line) == ("kettle.yaml", 18)


def test_all_others_are_all_nets_but_those_of_the_other_side_and_what_is_joined_to_them() -> None:
    """The neutral is joined to the line by the heater, so it is no other of it."""
    (demand,) = demanding("between: [line, all_others]").pair_demands
    assert demand.pairs.groups == ((2,), (0, 1, 4, 5))


def test_among_every_net_means_every_pair_that_nothing_joins() -> None:
    """Bodies are its groups: 4 bodies, 6 nets."""
    (demand,) = demanding("among: every_net").pair_demands
    assert demand.pairs.pairs == 15 - 2


def test_among_circuits_a_circuit_is_one_member() -> None:
    """No pair within one of them."""
    (demand,) = demanding("among: [every_circuit, protective_earth]").pair_demands
    assert demand.pairs.groups == ((2, 3), (4, 5), (0, 1))


def test_a_load_gives_a_continuity_demand_with_its_own_limits() -> None:
    """Which touches both of its nets."""
    (load,) = demanding("between: [mains, low]").load_demands
    assert (load.nets, load.level_a) == ((2, 3), Decimal("0.1"))
    assert load.limit(Measured.RESISTANCE, Edge.AT_MOST) == 40


def test_bonding_is_demanded_of_every_accessible_part() -> None:
    """Or refused."""
    assert demanding("between: [mains, low]").bond_demands[0].parts == ("lid",)
    with pytest.raises(Refused, match="accessible part 'lid', found no bonding demanded"):
        resolved(f"demands: [{{name: ir, {INSULATION}, between: [mains, low]}}]\n")


def test_declared_values_have_their_tolerance() -> None:
    """4.7 nF ± 20 %: 3.76 to 5.64 nF."""
    stray = "{between: [mains, protective_earth], value: 4.7 nF, tolerance_percent: 20}"
    more = f"capacitances: [{stray}]\n"
    (held,) = demanding("between: [mains, low]", more).capacitances
    assert (held.least, held.most) == (Decimal("3.76e-9"), Decimal("5.64e-9"))
    assert held.each_pair


# ---- the highest level --------------------------------------------------------------------------


def test_a_pair_of_which_nothing_is_said_may_see_what_is_demanded_of_it() -> None:
    """And what an instrument may carry for it: 3 % more, as in a program. AC by its peak."""
    found = demanding("between: [mains, low]")
    highest = found.highest(2, 4)
    assert highest.dc_v == 515
    assert float(highest.ac_v) == pytest.approx(515 / 2**0.5)
    assert found.highest(4, 5).dc_v == 0


def test_joined_nets_may_see_nothing() -> None:
    """Line and neutral, earth and its part."""
    found = demanding("between: [mains, low]")
    assert found.highest(2, 3).dc_v == found.highest(0, 1).ac_v == 0


def test_a_declared_highest_level_counts_and_the_lowest_of_several() -> None:
    """It may lie above what is demanded, and caps what the wire may carry."""
    more = (
        "never_above:\n"
        "  - {between: [mains, low], ac: 1 kV, dc: 2 kV}\n"
        "  - {between: [line, low a], ac: 400 V, dc: 510 V}\n"
    )
    found = demanding("between: [mains, low]", more)
    assert found.highest(2, 4).dc_v == 510
    assert found.highest(3, 4).dc_v == 2000
    assert found.pair_demands[0].ceiling_v == 510


def test_undeclared_pairs_may_see_what_the_user_allows() -> None:
    """With the reason."""
    more = "allow: {undeclared_pairs: {ac: 1 kV, dc: 1.4 kV, reason: built for it}}\n"
    assert demanding("between: [mains, low]", more).highest(4, 5).dc_v == 1400


# ---- faults -------------------------------------------------------------------------------------

WRONG = {
    "unknown name": ("between: [mians, low]", "", "did you mean 'mains'"),
    "a point for a net": ("between: [mains, pe stud]", "", "it is a point of net 'pe'"),
    "both sides": ("between: [mains, line]", "", "net 'line' on both sides"),
    "one circuit": ("among: mains", "", "found one member"),
    "twice": ("among: [mains, line]", "", "net 'line' in two members"),
    "others twice": ("between: [all_others, all_others]", "", "all_others twice"),
    "others within": ("among: [mains, all_others]", "", "as one of the two sides of 'between'"),
    "neither": ("level_ceiling: 600 V", "", "neither 'between' nor 'among'"),
    "low ceiling": ("between: [mains, low], level_ceiling: 400 V", "", "at least the level, 500 V"),
    "contact": (
        "between: [mains, low]",
        "allow: {unproved_contact: [{points: lid x, reason: no way to}]}\n",
        "did you mean 'lid'?",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_sets_are_refused(case: str) -> None:
    """With the place and what to do."""
    pairs, more, told = WRONG[case]
    text = refusal(pairs, more)
    assert told in text
    assert "kettle.yaml:" in text


CHANGED = {
    "net in two circuits": ("nets: [low a, low b]", "nets: [low a, line]", "in circuit 'mains'"),
    "unknown net": ("nets: [low a, low b]", "nets: [low a, low c]", "'low c'"),
    "earth in no net": ("th: [pe pin, pe stud]", "th: [pe pim, pe stud]", "did you mean 'pe pin'?"),
    "earth in two nets": ("th: [pe pin, pe stud]", "th: [pe pin, lid]", "others in net 'pe'"),
    "part of earth": ("parts: lid", "parts: [lid, pe stud]", "a point of earth's own net"),
    "part twice": ("parts: lid", "parts: [lid, lid]", "'lid' twice"),
    "point twice": ("low b: low b", "low b: low a", "point 'low a', of net 'low a' too"),
    "one net load": ("between: [line, neutral]", "between: [line, line]", "'line' twice"),
    "unknown load": ("between: [line, neutral]", "between: [line, neutrale]", "'neutral'"),
    "word as a name": ("  lid: lid", "  every_net: lid", "the word 'every_net' as a name"),
    "name of a net": ("  low: {", "  line: {", "the name 'line' of a net, too"),
}


@pytest.mark.parametrize("case", CHANGED)
def test_wrong_names_of_the_product_are_refused(case: str) -> None:
    """Each with its line."""
    old, new, told = CHANGED[case]
    assert HEAD.count(old) == 1
    text = refusal("between: [line, pe]", head=HEAD.replace(old, new))
    assert told in text


def test_all_faults_come_at_once_in_the_order_of_the_file() -> None:
    """Four of them."""
    head = HEAD.replace("parts: lid", "parts: lit").replace("[low a, low b]", "[low a, low z]")
    with pytest.raises(Refused) as caught:
        demanding("between: [mians, lo]", head=head)
    lines = [fault.position.line for fault in caught.value.faults if fault.position]
    assert len(lines) >= 4
    assert lines == sorted(lines)


def test_an_impossible_demand_names_the_pair_and_both_lines() -> None:
    """500 V DC where a pair may see 400 V."""
    more = "never_above:\n  - {between: [line, low b], ac: 1 kV, dc: 400 V}\n"
    text = refusal("between: [mains, low]", more)
    assert "kettle.yaml:20:" in text
    assert "500 V DC between net 'line' and net 'low b'" in text
    assert "at most 400 V DC (never_above[1], kettle.yaml:17:" in text


def test_a_demand_across_a_load_is_impossible() -> None:
    """The load and its line are named."""
    text = refusal("between: [line, neutral]")
    assert "load 'heater', kettle.yaml:15:" in text


def test_a_demand_between_earth_and_its_part_is_impossible() -> None:
    """They are bonded."""
    assert "bonded to earth" in refusal("between: [pe, lid]")


def test_a_product_without_demands_is_refused() -> None:
    """It would pass whatever stands there."""
    with pytest.raises(Refused, match="demands, found none"):
        resolve(parse_document("name: x\nrevision: '1'\nnets: {a: a}\n", "x.yaml", Product))


# ---- groups of nets -----------------------------------------------------------------------------


@st.composite
def groupings(draw: st.DrawFn) -> Grouping:
    words = draw(st.lists(st.integers(-1, 3), min_size=7, max_size=7))
    groups = [tuple(n for n, w in enumerate(words) if w == g) for g in range(4)]
    return Grouping(tuple(group for group in groups if group))


def pairs_of(grouping: Grouping) -> set[tuple[int, int]]:
    return {p for p in combinations(range(7), 2) if p in grouping}


@given(groupings())
def test_pairs_are_those_of_different_groups(grouping: Grouping) -> None:
    """Counted, contained and by brute force; in either order."""
    brute = {
        tuple(sorted((a, b)))
        for one, other in combinations(grouping.groups, 2)
        for a in one
        for b in other
    }
    assert pairs_of(grouping) == brute
    assert grouping.pairs == len(brute)
    assert all((b, a) in grouping for a, b in brute)


@given(groupings(), groupings())
def test_a_common_pair_is_found_exactly_if_there_is_one(one: Grouping, other: Grouping) -> None:
    """Against the sets of pairs."""
    common = pairs_of(one) & pairs_of(other)
    found = one.pair_in_both(other)
    assert (found in common) if common else (found is None)


@given(st.sets(st.integers(0, 6000)))
def test_masks_hold_their_nets(nets: set[int]) -> None:
    """And nothing else."""
    assert list(nets_of(mask_of(nets))) == sorted(nets)
    assert mask_of(nets) == sum(1 << net for net in nets)


# ---- size ---------------------------------------------------------------------------------------


def large(count: int) -> Document[Product]:
    bands = [f"c{k}" for k in range(5)]
    data = {
        "name": "large",
        "revision": "1",
        "nets": {f"n{i}": [f"p{i}", f"q{i}"] for i in range(count)},
        "circuits": {
            band: {"nets": [f"n{i}" for i in range(k, count, 5)]} for k, band in enumerate(bands)
        },
        "never_above": [{"among": "every_circuit", "ac": "1 kV", "dc": "1.5 kV"}],
        "demands": [
            {
                "name": name,
                "kind": "insulation",
                "among": among,
                "level": "500 V",
                "dwell": "1 s",
                "accept": {"resistance": {"at_least": "1 Mohm"}},
            }
            for name, among in (("all", "every_net"), ("circuits", "every_circuit"))
        ],
    }
    return Document.built(build(Product, data), "large")


def test_5000_nets_are_resolved_without_a_list_of_pairs() -> None:
    """12.5 million pairs would take 100 MB as the shortest list; all of it takes less than 20."""
    document = large(5000)
    tracemalloc.start()
    found = resolve(document)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.pair_demands[0].pairs.pairs == 5000 * 4999 // 2
    assert found.pair_demands[1].pairs.pairs == 10 * 1000 * 1000
    assert peak < 20_000_000


# ---- shipped products ---------------------------------------------------------------------------

PRODUCTS = sorted((EXAMPLES / "products").glob("*.yaml"))


@pytest.mark.parametrize("path", PRODUCTS, ids=lambda p: p.stem)
def test_every_shipped_product_resolves_and_says_that_it_is_invented(path: Path) -> None:
    """Without a fault."""
    assert read_demands(path).pair_demands
    assert "invented" in path.read_text("utf-8")


def test_the_demo_product_has_the_points_of_its_fixture() -> None:
    """examples/demo/fixture.yaml."""
    from orchestrator.documents import read_document
    from orchestrator.model.fixture import Fixture

    fixture = read_document(EXAMPLES / "demo" / "fixture.yaml", Fixture).model
    assert set(read_demands(EXAMPLES / "products/larkfield.yaml").net_of_point) == set(
        fixture.points
    )


def test_the_harness_demands_all_2016_pairs_and_64_wires() -> None:
    """64 · 63 / 2."""
    found = read_demands(EXAMPLES / "products" / "tansy.yaml")
    assert found.pair_demands[0].pairs.pairs == 2016
    assert len(found.net_demands[0].nets) == 64


@pytest.mark.parametrize("path", PRODUCTS, ids=lambda p: p.stem)
def test_every_shipped_product_can_be_tested_with_no_net_left_open(path: Path) -> None:
    """Nets that may not stand apart at a level go together; each demanded pair stays parted."""
    found = read_demands(path)
    for demand in found.pair_demands:
        side = list(range(len(found.nets)))
        for one, other in combinations(range(len(found.nets)), 2):
            if found.highest(one, other).of(demand.waveform) < demand.level_v:
                side = [side[one] if s == side[other] else s for s in side]
        for one, other in combinations(sorted(demand.pairs.nets), 2):
            if (one, other) in demand.pairs:
                assert side[one] != side[other], (demand.name, one, other)


TWO_NETS: dict[str, object] = {"name": "x", "revision": "1", "nets": {"a": "a", "b": "b"}}


@pytest.mark.parametrize(
    ("kind", "limit", "found"),
    [
        ("insulation", {"at_least": "5 mohm"}, "5 mohm"),
        ("insulation", {"at_least": "999 ohm"}, "999 ohm"),
        ("bonding", {"at_most": "100 Mohm"}, "100 Mohm"),
    ],
)
def test_a_slip_of_a_prefix_is_no_limit(kind: str, limit: dict[str, str], found: str) -> None:
    """mohm for Mohm and the reverse: in a program and in a product, at the limit's own place."""
    level = "500 V" if kind == "insulation" else "25 A"
    accept: dict[str, object] = {"resistance": limit}
    said: dict[str, object] = {"name": "x", "kind": kind, "level": level, "dwell": "1 s"}
    step = {**said, "accept": accept, "apply_to": ["a"], "against": ["b"]}
    pairs = {"between": ["a", "b"]} if kind == "insulation" else {}
    demand = {**said, **pairs, "accept": accept}
    with pytest.raises(Refused, match=f"{found}.*correct the unit"):
        build(Program, {"name": "x", "revision": "1", "steps": [step]})
    with pytest.raises(Refused, match=f"{found}.*correct the unit"):
        build(Product, {**TWO_NETS, "demands": [demand]})


def test_a_level_of_volts_for_kilovolts_is_refused() -> None:
    """1.5 V is no withstand level."""
    accept: dict[str, object] = {"total_current": {"at_most": "5 mA"}}
    demand: dict[str, object] = {"name": "x", "kind": "withstand_ac", "between": ["a", "b"]}
    demand |= {"level": "1.5 V", "frequency": "50 Hz", "dwell": "1 s", "accept": accept}
    with pytest.raises(Refused, match=r"1\.5 V.*10 V to 100 kV"):
        build(Product, {**TWO_NETS, "demands": [demand]})


@pytest.mark.parametrize(
    ("counts", "told"), [("", True), (", counts: together", False), (", counts: each_pair", False)]
)
def test_a_capacitor_to_joined_nets_that_counts_several_times_is_told(
    counts: str, told: bool
) -> None:
    """A Y-capacitor is one part; by each pair it would count for earth and for the lid."""
    text = f"""\
name: x
revision: "1"
nets: {{pe: pe, lid: lid, l: l}}
protective_earth: pe
accessible_parts: lid
capacitances: [{{between: [l, protective_earth], value: 4.7 nF, tolerance_percent: 20{counts}}}]
demands:
  - {{name: b, kind: bonding, level: 10 A, dwell: 1 s,
      accept: {{resistance: {{at_most: 0.1 ohm}}}}}}
"""
    found = resolve(parse_document(text, "p.yaml", Product))
    assert any("so 2 times towards pe, lid" in notice for notice in found.notices) is told


def test_nets_that_parts_join_are_one_body_and_no_pair_of_it_is_demanded() -> None:
    """A rectifier: mains and its link are never opposed, and the refusal names the reason."""
    text = """\
name: x
revision: "1"
nets: {pe: pe, l: l, plus: plus, minus: minus}
protective_earth: pe
joined: [{nets: [l, plus, minus], reason: the rectifier conducts}]
demands:
  - {name: i, kind: insulation, between: [l, WHAT], level: 500 V, dwell: 1 s,
     accept: {resistance: {at_least: 2 Mohm}}}
"""
    found = resolve(parse_document(text.replace("WHAT", "all_others"), "p.yaml", Product))
    assert set(found.bodies) == {(0,), (1, 2, 3)}
    assert [d.pairs.groups for d in found.pair_demands] == [((1,), (0,))]
    with pytest.raises(Refused, match="the rectifier conducts"):
        resolve(parse_document(text.replace("WHAT", "plus"), "p.yaml", Product))


def test_joined_needs_two_nets() -> None:
    """One is joined to nothing."""
    text = """\
name: x
revision: "1"
nets: {a: a, b: b}
joined: [{nets: a, reason: nothing but itself}]
demands:
  - {name: i, kind: insulation, between: [a, b], level: 500 V, dwell: 1 s,
     accept: {resistance: {at_least: 2 Mohm}}}
"""
    with pytest.raises(Refused, match=r"joined\[1\], found no two nets"):
        resolve(parse_document(text, "p.yaml", Product))
