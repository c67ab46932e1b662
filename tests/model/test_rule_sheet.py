"""Rule sheets: shipped values against published ones, and what a sheet makes of a product."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.documents import Document, build, parse_document, read_document
from orchestrator.errors import Refused
from orchestrator.model.demands import Demands
from orchestrator.model.product import Product
from orchestrator.model.resolve import read_demands, resolve
from orchestrator.model.rule_sheet import RuleSheet
from orchestrator.model.ruling import level_a, level_v
from orchestrator.model.words import Edge, Measured, StepKind

RULES = Path(__file__).resolve().parents[2] / "examples" / "rules"
SHEETS = sorted(RULES.glob("*.yaml"))


def sheet(name: str) -> RuleSheet:
    return read_document(RULES / f"{name}.yaml", RuleSheet).model


def level_at(name: str, kind: str, ends: set[str], volts: int) -> Decimal | None:
    held = sheet(name)
    (rule,) = (
        rule
        for rule in held.rules
        if rule.kind.value == kind
        and set(rule.between or ()) == ends
        and (
            rule.voltages is None or rule.voltages.above.value < volts <= rule.voltages.up_to.value
        )
    )
    return level_v(held, rule, Decimal(volts))


# ---- shipped values -----------------------------------------------------------------------------

MACHINE = ("iec_60204_1_clause_18", "withstand_ac", {"power", "protective_earth"})
HOUSE = ("iec_60335_1_routine", "withstand_ac", {"mains_basic", "protective_earth"})
DOUBLE = ("iec_60335_1_routine", "withstand_ac", {"mains_reinforced", "protective_earth"})
SELV = ("iec_60335_1_routine", "withstand_ac", {"selv", "protective_earth"})
GEAR = ("iec_61439_1_routine", "withstand_ac", {"main_circuit", "protective_earth"})
GEAR_DC = ("iec_61439_1_routine", "withstand_dc", {"main_circuit", "protective_earth"})
LAB = ("iec_61010_1_ed3_routine", "withstand_ac", {"mains", "protective_earth"})
LAB_DC = ("iec_61010_1_ed3_routine", "withstand_dc", {"mains", "protective_earth"})
PUBLISHED = [
    # IEC 60204-1, 18.4: max(2U, 1000 V); rule from memory, figures computed.
    *((*MACHINE, u, max(2 * u, 1000)) for u in (230, 400, 500, 600, 690)),
    (*MACHINE, 600, 1200),
    (*MACHINE, 690, 1380),
    # IEC 60335-1:2010, table A.1: 1000 and 2500 V as quoted by others; the rest from memory.
    (*HOUSE, 230, 1000),
    (*HOUSE, 120, 800),
    (*DOUBLE, 230, 2500),
    (*DOUBLE, 120, 2000),
    (*SELV, 24, 400),
    # IEC 61439-1, table 8, from memory.
    *((*GEAR, u, v) for u, v in ((60, 1000), (300, 1500), (690, 1890), (800, 2000), (1000, 2200))),
    *((*GEAR_DC, u, v) for u, v in ((60, 1415), (300, 2120), (690, 2670), (800, 2830))),
    (*GEAR_DC, 1000, 3110),
    (*GEAR_DC, 1500, 3820),
    # IEC 61010-1 ed 3, 6.7.2.2, basic insulation, 5 s, overvoltage category II, from memory.
    (*LAB, 150, 840),
    (*LAB, 230, 1390),
]


@pytest.mark.parametrize(("name", "kind", "ends", "volts", "level"), PUBLISHED)
def test_shipped_levels_are_the_published_ones(
    name: str, kind: str, ends: set[str], volts: int, level: int
) -> None:
    """To the volt, at both ends of a range where a table has ranges."""
    assert level_at(name, kind, ends, volts) == level


def test_the_dc_column_of_61439_is_root_two_times_ac_rounded_to_tens() -> None:
    """1414.2, 2121.3, 2672.9, 2828.4, 3111.3 V, computed; the table is within 5 V of each."""
    for volts in (60, 300, 690, 800, 1000):
        ac, dc = level_at(*GEAR, volts), level_at(*GEAR_DC, volts)
        assert ac is not None
        assert dc is not None
        assert abs(float(dc) - float(ac) * 2**0.5) < 5


def test_dc_in_61010_is_exactly_root_two_times_ac() -> None:
    """√2 · 1390 V = 1965.7569 V, computed."""
    found = level_at(*LAB_DC, 230)
    assert found is not None
    assert float(found) == pytest.approx(1965.7568517, abs=1e-6)


FORMULA = """\
name: formulas
edition: none
source: of our own, for this test
statement: this sheet is for a test and for nothing else
classes: {a: anything}
rules:
  - name: ac
    kind: withstand_ac
    between: [a, protective_earth]
    level: {formula: of_working_voltage, times_percent: TIMES, plus: PLUS, at_least: LEAST,
            source: none, status: own}
    frequency: {value: 60 Hz, source: none, status: own}
    dwell: {value: 60 s, source: none, status: own}
  - name: dc
    kind: withstand_dc
    instead_of: ac
    between: [a, protective_earth]
    level: {formula: peak_of, rule: ac, source: none, status: own}
    dwell: {value: 60 s, source: none, status: own}
  - name: bond
    kind: bonding
    level: {formula: of_rated_current, times_percent: 200, at_least: 25 A,
            source: none, status: own}
    dwell: {value: 60 s, source: none, status: own}
"""


def formulas(times: int, plus: int, least: int) -> RuleSheet:
    text = FORMULA.replace("TIMES", str(times)).replace("PLUS", f"{plus} V")
    return parse_document(text.replace("LEAST", f"{least} V"), "f.yaml", RuleSheet).model


@pytest.mark.parametrize(
    ("volts", "level", "raised"),
    [
        # UL type level 2U + 1000 V and 1.2 times it, computed.
        (120, 1240, 1488),
        (230, 1460, 1752),
        (240, 1480, 1776),
        (250, 1500, 1800),
        (400, 1800, 2160),
        (480, 1960, 2352),
        (600, 2200, 2640),
    ],
)
def test_twice_the_voltage_plus_1000(volts: int, level: int, raised: int) -> None:
    """And 1200 V + 2.4 U, which is 1.2 times it at every voltage."""
    type_test, line = formulas(200, 1000, 0), formulas(240, 1200, 0)
    assert level_v(type_test, type_test.rules[0], Decimal(volts)) == level
    assert level_v(line, line.rules[0], Decimal(volts)) == raised


@pytest.mark.parametrize(
    ("ac", "dc"),
    [
        (1000, 1414.2),
        (1250, 1767.8),
        (1500, 2121.3),
        (2500, 3535.5),
        (4000, 5656.9),
        (5000, 7071.1),
    ],
)
def test_peak_of_an_ac_level(ac: int, dc: float) -> None:
    """√2, computed, to the tenth of a volt."""
    held = formulas(1, ac, 0)
    found = level_v(held, held.rules[1], Decimal(0))
    assert found is not None
    assert float(found) == pytest.approx(dc, abs=0.05)


@given(st.integers(1, 1000), st.integers(1, 500), st.integers(0, 3000), st.integers(0, 3000))
def test_a_level_never_falls_with_the_voltage_nor_below_its_least(
    volts: int, times: int, plus: int, least: int
) -> None:
    """For any parameters."""
    held = formulas(times, plus, least)
    low = level_v(held, held.rules[0], Decimal(volts))
    high = level_v(held, held.rules[0], Decimal(volts + 1))
    assert low is not None
    assert high is not None
    assert least <= low <= high


def test_a_current_of_twice_the_rating_but_at_least_25_a() -> None:
    """IEC 61010-1, 6.5.2.4, from memory: 25 A, or twice the rated current if that is more."""
    rule = formulas(200, 0, 0).rules[2]
    assert level_a(rule, Decimal(10)) == 25
    assert level_a(rule, Decimal(16)) == 32
    assert level_a(rule, None) is None


# ---- every shipped sheet ------------------------------------------------------------------------


@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
def test_no_shipped_sheet_is_checked_and_each_says_so(path: Path) -> None:
    """A licensed professional must check it."""
    held = read_document(path, RuleSheet).model
    assert held.checked_by == "nobody yet"
    assert not held.checked
    assert "licensed professional must check" in held.statement
    assert "edition in force" in held.statement


@pytest.mark.parametrize(
    ("word", "checked"),
    [
        ("nobody yet", False), ("Nobody yet.", False), ("nobody", False), ("none", False),
        ("tbd", False), ("T.B.D.", False), ("-", False), ("?", False), ("not checked", False),
        ("N/A", False), ("2026-11-02", False), ("J. Marr, P.E.", True), ("Nora Tonnard", True),
    ],
)  # fmt: skip
def test_only_a_name_counts_as_somebody(word: str, checked: bool) -> None:
    """Else a slip of the pen would take the caution from every page."""
    held = sheet("iec_60335_1_routine").model_copy(update={"checked_by": word})
    assert held.checked is checked


def test_two_editions_differ_as_data() -> None:
    """IEC 61010-1: 33 V rms in 2010, as quoted by others; 30 V before and after, from memory."""
    one, other = sheet("iec_61010_1_ed3_routine"), sheet("iec_61010_1_ed3_1_routine")
    key = "accessible voltage, normal condition"
    assert one.facts[key].value == "33 V rms, 46.7 V peak, 70 V DC"
    assert other.facts[key].value == "30 V rms, 42.4 V peak, 60 V DC"
    assert one.edition != other.edition


def test_machine_insulation_and_household_breakdown_current() -> None:
    """IEC 60204-1, 18.3: 500 V, 1 Mohm (memory); IEC 60335-1, A.2: 5 mA (quoted by others)."""
    (rule,) = (r for r in sheet("iec_60204_1_clause_18").rules if r.name.endswith("power circuits"))
    assert rule.accept is not None
    assert rule.accept.value.resistance is not None
    assert str(rule.accept.value.resistance.at_least) == "1 Mohm"
    for rule in sheet("iec_60335_1_routine").rules[1:]:
        assert rule.accept is not None
        assert rule.accept.value.total_current is not None
        assert str(rule.accept.value.total_current.at_most) == "5 mA"
        assert rule.dwell.value.value == 1


# ---- applied to a product -----------------------------------------------------------------------


def product(**changes: object) -> Document[Product]:
    data: dict[str, object] = {
        "name": "cabinet",
        "revision": "1",
        "nets": {n: n for n in ("pe", "door", "a1", "a2", "b1", "c1")},
        "circuits": {
            "a": {"nets": ["a1", "a2"], "working_voltage": "230 V", "class": "main_circuit"},
            "b": {"nets": ["b1"], "working_voltage": "690 V", "class": "main_circuit"},
            "c": {"nets": ["c1"], "working_voltage": "690 V", "class": "main_circuit"},
        },
        "protective_earth": "pe",
        "accessible_parts": "door",
        "rules": "gear.yaml",
        "rule_limits": {
            "withstand_ac": {"total_current": {"at_most": "5 mA"}},
            "withstand_dc": {"total_current": {"at_most": "1 mA"}},
        },
        "demands": [
            {
                "name": "bond",
                "kind": "bonding",
                "level": "10 A",
                "dwell": "1 s",
                "accept": {"resistance": {"at_most": "100 mohm"}},
            }
        ],
    }
    return Document.built(build(Product, data | changes), "cabinet")


def ruled(**changes: object) -> Demands:
    return resolve(product(**changes), read_document(RULES / "iec_61439_1_routine.yaml", RuleSheet))


def refusal(**changes: object) -> str:
    with pytest.raises(Refused) as caught:
        ruled(**changes)
    return str(caught.value)


def test_circuits_of_one_class_and_voltage_are_treated_together() -> None:
    """b and c at 690 V; the higher of two voltages counts."""
    found = {(d.pairs.groups, int(d.level_v)) for d in ruled().pair_demands}
    assert found == {
        (((2, 3), (4, 5)), 1890),
        (((2, 3), (0, 1)), 1500),
        (((4,), (5,)), 1890),
        (((4, 5), (0, 1)), 1890),
    }


def test_a_product_that_wants_dc_gets_the_dc_column() -> None:
    """Instead of AC, not beside it."""
    found = ruled(rules_waveform="dc").pair_demands
    assert {(d.kind, int(d.level_v)) for d in found} == {
        (StepKind.WITHSTAND_DC, 2670),
        (StepKind.WITHSTAND_DC, 2120),
    }


def test_a_ruled_demand_says_where_it_stems_from() -> None:
    """Line of the sheet, source, status; and that the sheet is unchecked."""
    found = ruled()
    origin = found.pair_demands[0].origin
    assert origin.from_rule
    assert origin.rule_at is not None
    assert origin.rule_at.line > 10
    assert (origin.source, origin.status) == ("table 8", "memory")
    assert any("nobody yet" in reason for reason in origin.reasons)
    assert found.sheet is not None
    assert not found.sheet.checked
    assert "checked by nobody yet" in found.notices[0]
    assert found.pair_demands[0].limit(Measured.TOTAL_CURRENT, Edge.AT_MOST) == Decimal("0.005")


CIRCUIT = {"nets": ["a1", "a2"], "working_voltage": "230 V", "class": "main_circuit"}


@pytest.mark.parametrize(
    ("circuit", "told"),
    [
        (CIRCUIT | {"class": "main_circuits"}, "did you mean 'main_circuit'?"),
        ({k: v for k, v in CIRCUIT.items() if k != "class"}, "found no class"),
        ({k: v for k, v in CIRCUIT.items() if k != "working_voltage"}, "no working_voltage"),
        (CIRCUIT | {"working_voltage": "3 kV"}, "a rule of kind withstand_ac for 3 kV"),
        (CIRCUIT | {"nets": ["a1", "a2", "pe"]}, "'pe', which is bonded to earth"),
    ],
)
def test_what_no_rule_can_reach_is_refused(circuit: dict[str, object], told: str) -> None:
    """Silence would leave it untested."""
    rest = {n: CIRCUIT | {"nets": [f"{n}1"]} for n in "bc"}
    assert told in refusal(circuits={"a": circuit, **rest})


def test_a_net_in_no_circuit_is_refused() -> None:
    """But for earth and what is bonded to it."""
    told = refusal(circuits={"a": CIRCUIT, "b": CIRCUIT | {"nets": ["b1"]}})
    assert "net 'c1', found in no circuit" in told


def test_a_rule_without_a_limit_needs_one_of_the_product() -> None:
    """The message shows one."""
    told = refusal(rule_limits={})
    assert "rule_limits: {withstand_ac: {total_current: {at_most: 5 mA}}}" in told


def test_classes_that_a_sheet_says_nothing_about_are_told() -> None:
    """Not refused: that is for a person to read."""
    text = FORMULA.replace("TIMES", "200").replace("PLUS", "0 V").replace("LEAST", "1 kV")
    text = text.replace("{a: anything}", "{a: anything, main_circuit: another}")
    found = resolve(
        product(circuits={"a": CIRCUIT | {"class": "a", "nets": ["a1", "a2", "b1"]},
                          "c": CIRCUIT | {"nets": ["c1"]}},
                rated_current="16 A",
                rule_limits={"bonding": {"resistance": {"at_most": "0.1 ohm"}},
                             "withstand_ac": {"total_current": {"at_most": "5 mA"}}}),
        parse_document(text, "f.yaml", RuleSheet),
    )  # fmt: skip
    assert any("main_circuit" in pair for pair in found.unruled)
    assert any("nothing is demanded there" in notice for notice in found.notices)
    assert found.bond_demands[-1].level_a == 32


def test_the_shipped_ruled_product_gets_bonding_and_1000_v() -> None:
    """IEC 60335-1:2010, annex A, 230 V: 10 A, 0.1 ohm (seen); 1000 V, 1 s (quoted by others)."""
    found = read_demands(RULES.parent / "products" / "quince.yaml")
    assert found.bond_demands[0].level_a == 10
    assert found.bond_demands[0].limit(Measured.RESISTANCE, Edge.AT_MOST) == Decimal("0.1")
    (demand,) = found.pair_demands
    assert (demand.level_v, demand.frequency_hz) == (Decimal(1000), Decimal(50))
    assert demand.dwell_s == 1


# ---- faults of a sheet --------------------------------------------------------------------------

BROKEN = {
    "unknown class": (
        "between: [a, protective_earth]",
        "between: [b, protective_earth]",
        "class 'b'",
    ),
    "formula": ("formula: peak_of, rule: ac", "formula: peek_of, rule: ac", "peak_of"),
    "expression": ("formula: peak_of, rule: ac", "formula: 'sqrt(2)*ac'", "'sqrt(2)*ac'"),
    "reference": ("rule: ac,", "rule: bond,", "a withstand_ac rule for the same classes"),
    "current": ("formula: of_rated_current", "formula: of_working_voltage", "at_least"),
    "name twice": ("name: dc", "name: ac", "the name 'ac' a second time"),
    "status": ("status: own", "status: sure", "seen"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_sheet_is_refused(case: str) -> None:
    """With line and remedy."""
    old, new, told = BROKEN[case]
    text = FORMULA.replace("TIMES", "1").replace("PLUS", "0 V").replace("LEAST", "1 V")
    with pytest.raises(Refused) as caught:
        parse_document(text.replace(old, new, 1), "f.yaml", RuleSheet)
    assert told in str(caught.value)
    assert "f.yaml:" in str(caught.value)


def test_two_rules_for_one_voltage_are_refused() -> None:
    """Which of them counts would be chance."""
    text = (RULES / "iec_60335_1_routine.yaml").read_text("utf-8")
    with pytest.raises(Refused, match="that rule 'basic insulation up to 150 V' is for, too"):
        parse_document(text.replace("above: 150 V", "above: 140 V", 1), "x.yaml", RuleSheet)


GEAR_AT = """\
name: busbar box (invented)
revision: "1"
nets: {pe: pe, plus: plus, minus: minus}
circuits:
  feed: {nets: [plus, minus], working_voltage: VOLTS, class: main_circuit}
protective_earth: pe
rules: SHEET
rules_waveform: WAVEFORM
rule_limits:
  withstand_ac: {total_current: {at_most: 10 mA}}
  withstand_dc: {total_current: {at_most: 5 mA}}
"""


def gear(tmp_path: Path, volts: str, waveform: str, name: str = "iec_61439_1_routine") -> Demands:
    file = tmp_path / "gear.yaml"
    text = GEAR_AT.replace("VOLTS", volts).replace("WAVEFORM", waveform)
    file.write_text(text.replace("SHEET", (RULES / f"{name}.yaml").as_posix()), encoding="utf-8")
    return read_demands(file)


@pytest.mark.parametrize("waveform", ["ac", "dc"])
def test_where_a_sheet_has_dc_alone_dc_is_demanded(tmp_path: Path, waveform: str) -> None:
    """IEC 61439-1, table 8, from memory: above 1000 V up to 1500 V DC there is no AC column."""
    found = gear(tmp_path, "1200 V", waveform)
    assert {(d.kind, d.level_v) for d in found.pair_demands} == {
        (StepKind.WITHSTAND_DC, Decimal(3820))
    }


def test_beyond_a_sheets_last_voltage_nothing_is_guessed(tmp_path: Path) -> None:
    """Refused with the voltage."""
    with pytest.raises(Refused, match=r"1\.6 kV"):
        gear(tmp_path, "1600 V", "dc")


def test_a_sheet_without_dc_says_so_to_a_product_that_wants_it(tmp_path: Path) -> None:
    """AC is planned then, and told."""
    house = GEAR_AT.replace("main_circuit", "mains_basic")
    file = tmp_path / "house.yaml"
    text = house.replace("VOLTS", "230 V").replace("WAVEFORM", "dc")
    path = RULES / "iec_60335_1_routine.yaml"
    file.write_text(text.replace("SHEET", path.as_posix()), encoding="utf-8")
    found = read_demands(file)
    assert {d.kind for d in found.pair_demands} == {StepKind.WITHSTAND_AC}
    assert any("offers AC only: AC is planned" in notice for notice in found.notices)
