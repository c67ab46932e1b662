"""Leads at binding: gauge against current, limit against compliance voltage, two-wire error."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.errors import Refused
from orchestrator.formulas.leads import ampacity_a, area_mm2, carries_a
from orchestrator.model.words import StepKind
from tests.binding.helpers import BOND, CONTACT, HIPOT, Bench, Data, changed, kind_with, span

D = Decimal


def with_leads(lead: Data, *positions: str, step: Data = BOND) -> Bench:
    bench = Bench().steps(step, CONTACT, HIPOT)
    bench.tester(kind_with(StepKind.BONDING, level=span("1", "40")))
    bench.fixture["leads"] = dict.fromkeys(positions or ("hc1", "hc2"), lead)
    return bench


# NEC 2023, table 310.16, copper, 30 °C: 12 AWG 20 A and 10 AWG 30 A at 60 °C, 30 and 40 A at 90 °C
# (reference C [S30]); 4 mm² lies between them. Steps longer than 10 s are held to 60 °C.
GAUGES = [
    ("4 mm2", "25 A", "2 s", True),
    ("4 mm2", "25 A", "60 s", False),
    ("AWG 10", "30 A", "60 s", True),
    ("AWG 10", "30.1 A", "60 s", False),
    ("AWG 10", "40 A", "1 s", True),
    ("AWG 12", "32 A", "1 s", False),
    ("AWG 8", "40 A", "60 s", True),
    ("6 mm2", "40 A", "2 s", True),
    ("0.75 mm2", "25 A", "1 s", False),
]


@pytest.mark.parametrize(("gauge", "level", "dwell", "fine"), GAUGES)
def test_a_lead_must_carry_the_current_of_its_step(
    gauge: str, level: str, dwell: str, fine: bool
) -> None:
    """Refused with what it carries, where the figure is from, and both ways out."""
    bench = with_leads(
        {"gauge": gauge, "length": "1 m"}, step=changed(BOND, level=level, dwell=dwell)
    )
    if fine:
        bench.bind()
        return
    faults = bench.faults()
    assert [fault.what for fault in faults] == [
        "step 'bond cover', lead at 'hc2'",
        "step 'bond cover', lead at 'hc1'",
    ]
    assert gauge in faults[0].found
    assert "NEC 2023, table 310.16" in faults[0].expected
    assert "write carries and reason" in faults[0].remedy


def test_what_the_fixture_says_of_a_lead_wins_over_the_table() -> None:
    """With its reason, which `--explain` repeats; and it can be too little as well."""
    silicone = {"gauge": "4 mm2", "length": "1 m", "reason": "silicone, 180 degC by its maker"}
    step = changed(BOND, level="40 A", dwell="60 s")
    bound = with_leads({**silicone, "carries": "40 A"}, step=step).bind().steps[0]
    assert any("fixture: silicone, 180 degC" in reason for reason in bound.reasons)
    faults = with_leads({**silicone, "carries": "39 A"}, step=step).faults()
    assert faults[0].expected == "at most 39 A (fixture: silicone, 180 degC by its maker)"


@pytest.mark.parametrize("key", ["carries", "reason"])
def test_a_lead_has_carries_and_reason_or_neither(key: str) -> None:
    """A figure against the table needs a word about it."""
    value = {"carries": "40 A", "reason": "because I say so"}[key]
    bench = with_leads({"gauge": "4 mm2", "length": "1 m", key: value})
    with pytest.raises(Refused, match=f"{key} without"):
        bench.bind()


@pytest.mark.parametrize("gauge", ["0 mm2", "0.001 mm2", "2000 mm2", "AWG 41"])
def test_a_gauge_that_no_lead_has_is_refused(gauge: str) -> None:
    """Nothing can be reckoned with it."""
    with pytest.raises(Refused, match="AWG 0 to AWG 40"):
        with_leads({"gauge": gauge, "length": "1 m"}).bind()


def test_a_lead_that_is_not_declared_is_not_checked_and_that_is_told() -> None:
    """Nothing is guessed."""
    step = Bench().bind().steps[0]
    assert "The leads of positions hc2, hc1 are not declared: gauge and resistance unchecked." in (
        step.reasons
    )
    step = with_leads({"gauge": "4 mm2", "length": "1 m"}, "hc1").bind().steps[0]
    assert any("lead of position hc2 is not declared" in reason for reason in step.reasons)


def test_sense_leads_and_voltage_steps_need_no_gauge() -> None:
    """What carries nothing isn't held to a current."""
    thin = {"gauge": "AWG 30", "length": "1 m"}
    with_leads(thin, "sense1", "sense2", "hv3").bind()


def many_bonds(count: int, dwell: str) -> Bench:
    bonds = [changed(BOND, name=f"bond {n}", level="32 A", dwell=dwell) for n in range(count)]
    bench = Bench().steps(*bonds, CONTACT, HIPOT)
    bench.fixture["leads"] = {"hc1": {"gauge": "4 mm2", "length": "1 m"}}
    return bench


def test_many_short_loads_must_not_add_up() -> None:
    """32 A through 4 mm² for 5 s: the 90 °C column stands one of them (33.5 A), and the rms current
    over the program stays below the 60 °C column's 23.5 A; twenty in a row don't."""
    many_bonds(1, "5 s").bind()
    fault = many_bonds(20, "5 s").only_fault()
    assert fault.what == "step 'bond 0', lead at 'hc1'"
    assert "in which it is loaded 20 times" in fault.found
    assert "at most 23.54 A (NEC 2023, table 310.16, 60 °C column" in fault.expected
    many_bonds(20, "0.5 s").bind()


# ---- compliance ---------------------------------------------------------------------------------


def limited(limit: str, level: str = "40 A") -> Data:
    return changed(BOND, level=level, accept={"resistance": {"at_most": limit}})


@pytest.mark.parametrize(
    ("limit", "length", "fine"),
    # 12 V drive 40 A through at most 0.300 ohm (reference E1, computed). AWG 8 has 2.061 mohm/m
    # (handbook, reference C [S26]), 10 m on each side 41.2 mohm.
    [
        ("300 mohm", None, True),
        ("301 mohm", None, False),
        ("258 mohm", "10 m", True),
        ("259 mohm", "10 m", False),
    ],
)
def test_the_source_must_drive_the_level_at_the_limit(
    limit: str, length: str | None, fine: bool
) -> None:
    """Four wires: the leads come on top of the limit."""
    lead = {"gauge": "AWG 8", "length": length or "1 cm"}
    bench = with_leads(lead, step=limited(limit))
    if length is None:
        bench.fixture["leads"] = {}
    if fine:
        bench.bind()
        return
    fault = bench.only_fault()
    assert "at most 12 V (compliance), a loop of at most 300 mohm" in fault.expected
    assert fault.found.startswith(f"40 A through {limit}")
    assert ("of leads" in fault.found) is (length is not None)


def test_the_remedy_of_a_limit_beyond_compliance_holds() -> None:
    """350 mohm at 40 A need 14 V; the limit or the level it names binds."""
    fault = with_leads({"gauge": "AWG 8", "length": "1 m"}, step=limited("350 mohm")).only_fault()
    assert "which needs 14.16 V" in fault.found  # 40 A · (0.350 + 2 · 2.061e-3) ohm
    assert "lower the limit to at most 295 mohm, lower the level to at most 33.8 A" in fault.remedy
    for step in (limited("295 mohm"), limited("350 mohm", "33.8 A")):
        with_leads({"gauge": "AWG 8", "length": "1 m"}, step=step).bind()


def test_with_two_wires_the_limit_holds_the_leads_already() -> None:
    """6 V drive 100 mA through 60 ohm, leads within it; the reading is told to be too high."""
    step = changed(CONTACT, accept={"resistance": {"at_most": "60 ohm"}})
    bench = Bench().steps(BOND, step, HIPOT)
    bench.fixture["leads"] = {p: {"gauge": "AWG 18", "length": "1.5 m"} for p in ("hv1", "hv3")}
    bound = bench.bind().steps[1]
    # AWG 18: 20.948 ohm/km (handbook, reference C [S26]); 2 · 1.5 m are 62.84 mohm
    wanted = "Measured with two wires: the reading is too high by its leads, by up to 62.84 mohm"
    assert any(reason.startswith(wanted) for reason in bound.reasons)
    beyond = changed(CONTACT, accept={"resistance": {"at_most": "60.1 ohm"}})
    kinds = kind_with(
        StepKind.CONTINUITY,
        limits={
            key: span("0.01", "100")
            for key in bench.testers["t1"].abilities.kinds[StepKind.CONTINUITY].limits
        },
    )
    assert (
        "a loop of at most 60 ohm"
        in Bench().steps(BOND, beyond, HIPOT).tester(kinds).only_fault().expected
    )


def test_a_measured_offset_is_told_and_not_subtracted() -> None:
    """What the empty fixture has on the path of a two-wire step."""
    bench = Bench()
    offset = {"between": ["earth", "live"], "resistance": "70 mohm", "measured": "2026-01-05"}
    bench.fixture["offsets"] = [offset]
    reasons = bench.bind().steps[1].reasons
    wanted = "has 70 mohm on earth – live [fixture, measured 2026-01-05]; without take_out"
    assert any(wanted in reason for reason in reasons)


def test_an_unstated_compliance_is_told() -> None:
    """Refused where contacts stand it; here a reason says that nothing was checked."""
    bench = Bench().tester(kind_with(StepKind.BONDING, compliance_v=None))
    assert any("compliance" in str(fault) for fault in bench.faults())


def test_the_peak_of_ac_is_told_with_its_figure() -> None:
    """1500 V rms have a peak of 2121.3 V (reference A7, computed)."""
    reasons = Bench().bind().steps[2].reasons
    assert any("1.5 kV rms, 2.121 kV peak" in reason and "√2" in reason for reason in reasons)


def test_reasons_are_sentences() -> None:
    """Each begins like one and ends like one."""
    for step in Bench().bind().steps:
        for reason in step.reasons:
            assert reason[0].isupper() or reason[0].isdigit(), reason
            assert reason.endswith("."), reason


@given(
    area=st.sampled_from(["0.5 mm2", "1.5 mm2", "2.5 mm2", "4 mm2", "6 mm2", "AWG 12", "AWG 8"]),
    level=st.integers(1, 40),
    dwell=st.integers(1, 30),
)
def test_a_bound_bond_never_exceeds_what_its_leads_carry(area: str, level: int, dwell: int) -> None:
    """For any lead, level and dwell: bound within the figure; refused only above 60 °C."""
    step = changed(BOND, level=f"{level} A", dwell=f"{dwell} s", rise="0.1 s", fall="0.1 s")
    bench = with_leads({"gauge": area, "length": "10 cm"}, step=step)
    most, _ = carries_a(area_mm2(area), level, dwell + 0.2)
    try:
        bench.bind()
    except Refused:
        assert level > ampacity_a(area_mm2(area))
    else:
        assert level <= most
