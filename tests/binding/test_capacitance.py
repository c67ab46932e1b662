"""A declared capacitance against limits, source and rise (reference E1, B: computed)."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.errors import Refused
from orchestrator.model.words import DischargeGrade, Edge, Measured, StepKind
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    INSULATE,
    KINDS,
    TESTER,
    Bench,
    Data,
    changed,
    kind_with,
    span,
)

D = Decimal

DC_HIPOT: Data = {
    "name": "mains to earth, DC",
    "kind": "withstand_dc",
    "apply_to": ["live"],
    "against": ["earth"],
    "level": "5 kV",
    "rise": "5 s",
    "dwell": "2 s",
    "accept": {"total_current": {"at_most": "1 mA"}},
    "prove_contact": ["contact"],
}


def with_step(step: Data, **changes: object) -> Bench:
    return Bench().steps(BOND, CONTACT, changed(step, **changes))


def limit(text: str) -> Data:
    return {"total_current": {"at_most": text}}


# ---- AC -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_most", "fine"),
    # 2πfCU: 4.4 nF, 1500 V, 50 Hz draw 2.073451 mA (reference E1, rank 12)
    [("2.08 mA", True), ("2.07 mA", False), ("5 mA", True)],
)
def test_an_ac_limit_below_the_capacitive_current_is_refused(at_most: str, fine: bool) -> None:
    """It could only fail."""
    bench = with_step(HIPOT, capacitance="4.4 nF", accept=limit(at_most))
    if fine:
        bench.bind()
        return
    fault = bench.only_fault()
    assert fault.found == "2.073 mA through 4.4 nF at 1.5 kV"
    assert fault.expected == "at most 2.07 mA (total_current at_most)"
    assert "test with DC" in fault.remedy


def test_an_ac_source_that_cannot_feed_the_capacitance_is_refused() -> None:
    """10 nF at 5 kV, 50 Hz draw 15.708 mA (reference E1)."""
    bench = with_step(HIPOT, capacitance="10 nF", level="5 kV", accept=limit("20 mA"))
    bench.bind()
    bench.tester(kind_with(StepKind.WITHSTAND_AC, source_current_a=D("0.015")))
    fault = bench.only_fault()
    assert fault.found.startswith("15.71 mA through 10 nF")
    assert fault.expected == "at most 15 mA (the tester's source_current)"


def test_the_capacitive_current_is_told() -> None:
    """With frequency, level and the limit it stands against; energy at the peak."""
    reasons = with_step(HIPOT, capacitance="4.4 nF").bind().steps[2].reasons
    told = "4.4 nF draw 2.073 mA at 1.5 kV, 50 Hz [2πfCU]; against it the limit 5 mA."
    assert told in reasons
    # ½ · 4.4 nF · (√2 · 1500 V)² = 9.9 mJ (reference E1 for 2121.32 V)
    assert any("store 9.9 mJ at the peak" in reason for reason in reasons)


# ---- DC -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("capacitance", "at_most", "in_rise", "fine"),
    # C·U/t: 100 nF to 5 kV in 5 s take 100.0 µA (reference E1)
    [
        ("100 nF", "100 uA", "yes", True),
        ("100 nF", "90 uA", "yes", False),
        ("100 nF", "90 uA", "no", True),
        ("101 nF", "100 uA", "yes", False),
    ],
)
def test_a_rise_that_breaks_its_own_limit_is_refused(
    capacitance: str, at_most: str, in_rise: str, fine: bool
) -> None:
    """Only where the limit acts in the rise."""
    bench = with_step(
        DC_HIPOT, capacitance=capacitance, accept=limit(at_most), limits_during_rise=in_rise
    )
    if fine:
        bench.bind()
        return
    fault = bench.only_fault()
    assert f"to charge {capacitance} to 5 kV in 5 s" in fault.found
    assert "acts in the rise" in fault.expected


def test_the_shortest_rise_that_is_named_binds() -> None:
    """100 nF to 5 kV at 90 µA need 5.56 s, rounded up."""
    step = {"capacitance": "100 nF", "accept": limit("90 uA"), "limits_during_rise": "yes"}
    fault = with_step(DC_HIPOT, **step).only_fault()
    assert "rise in at least 5.56 s" in fault.remedy
    with_step(DC_HIPOT, **step, rise="5.56 s").bind()
    assert with_step(DC_HIPOT, **step, rise="5.55 s").faults()


def test_the_remedy_fits_a_rise_that_cannot_be_set() -> None:
    """Or limits that always act."""
    step = {"capacitance": "1 uF", "accept": limit("1 mA"), "limits_during_rise": "yes"}
    fixed = kind_with(StepKind.WITHSTAND_DC, rise=None, fixed_rise_s=D(1))
    fault = with_step(DC_HIPOT, **step, rise=None).tester(fixed).only_fault()
    assert "rise of 1 s can't be set" in fault.remedy
    always = kind_with(StepKind.WITHSTAND_DC, limits_during_rise="always")
    fault = with_step(DC_HIPOT, **step, rise="1 s").tester(always).only_fault()
    assert fault.remedy == "rise in at least 5 s, or raise the limit"


def test_a_weak_source_reaches_the_level_late_and_that_is_told() -> None:
    """1 µF to 1 kV at 2 mA need 0.5 s (C·U/I): later than the rise, before the dwell is over."""
    accept = {"resistance": {"at_least": "1 Mohm"}}
    step = changed(
        INSULATE, capacitance="1 uF", level="1 kV", rise="0.3 s", dwell="1 s", accept=accept
    )
    schedule = with_step(step).bind()
    assert any("2 mA need 500 ms to charge 1 uF" in notice for notice in schedule.notices)
    told = "With 2 mA from the source 1 kV are reached after 500 ms at the earliest"
    assert any(reason.startswith(told) for reason in schedule.steps[2].reasons)
    slow = with_step(changed(step, rise="0.5 s")).bind()
    assert not any("to charge" in notice for notice in slow.notices)


def test_a_source_too_weak_for_rise_and_dwell_is_refused() -> None:
    """10 µF to 1 kV at 2 mA need 5 s."""
    step = changed(INSULATE, capacitance="10 uF", level="1 kV", rise="0.3 s", dwell="1 s")
    fault = with_step(step).only_fault()
    assert fault.found == "5 s for 2 mA to charge 10 uF to 1 kV"
    assert fault.expected == "less than rise and dwell, 1.3 s"


@pytest.mark.parametrize(
    ("capacitance", "level", "side"),
    # ½CU²: exactly 350 mJ (reference B): 2.80 µF at 500 V, 700 nF at 1 kV, 28 nF at 5 kV
    [
        ("2.8 uF", "500 V", "not above"),
        ("2.81 uF", "500 V", "above"),
        ("700 nF", "1 kV", "not above"),
        ("701 nF", "1 kV", "above"),
        ("28 nF", "5 kV", "not above"),
        ("28.1 nF", "5 kV", "above"),
    ],
)
def test_stored_energy_is_told_beside_the_mark_of_en_50191(
    capacitance: str, level: str, side: str
) -> None:
    """350 mJ, clause 1.2 (d); the boundary is exempt."""
    step = changed(DC_HIPOT, capacitance=capacitance, level=level, rise="90 s")
    reasons = with_step(step).bind().steps[2].reasons
    assert any(f"[½CU²], {side} the 350 mJ" in reason for reason in reasons)


def bled(worst: str) -> Bench:
    bench = with_step(DC_HIPOT, capacitance="100 nF")
    bench.tester(replace(TESTER, discharge=DischargeGrade.BLEEDER))
    entry = {"tester": "t1", "resistance": "1 Mohm", "worst_capacitance": worst}
    bench.station["bleeders"] = [entry]
    return bench


def test_the_discharge_of_a_bleeder_is_told() -> None:
    """100 nF from 5 kV to 60 V through 1 Mohm: 0.442285 s (reference E1, rank 13)."""
    reasons = bled("200 nF").bind().steps[2].reasons
    assert any("of 1 Mohm takes it to 60 V in 442.3 ms" in reason for reason in reasons)
    no_bleeder = with_step(DC_HIPOT, capacitance="100 nF").bind().steps[2].reasons
    assert any("no bleeder is declared" in reason for reason in no_bleeder)


def test_a_bleeder_reckoned_for_less_than_the_step_has_is_refused() -> None:
    """Its time would be no evidence of discharge."""
    fault = bled("50 nF").only_fault()
    assert fault.found == "100 nF, with a bleeder reckoned for 50 nF"


def test_without_a_capacitance_nothing_is_reckoned() -> None:
    """The key is optional, and only where a voltage is applied."""
    for step in Bench().bind().steps:
        assert not any("store" in reason for reason in step.reasons)
    with pytest.raises(Refused, match="capacitance"):
        Bench().steps(changed(BOND, capacitance="1 nF"), CONTACT, HIPOT).bind()


@given(
    picofarads=st.integers(1, 10_000_000),
    rise_tenths=st.integers(1, 900),
    microamps=st.integers(10, 39_000),
)
def test_a_bound_rise_never_breaks_the_limit_that_acts_in_it(
    picofarads: int, rise_tenths: int, microamps: int
) -> None:
    """For any capacitance, rise and limit: C·U/t within the limit on the wire, or refused."""
    strong = kind_with(StepKind.WITHSTAND_DC, source_current_a=D(10))
    step = changed(
        DC_HIPOT,
        capacitance=f"{picofarads} pF",
        rise=f"{D(rise_tenths) / 10} s",
        accept=limit(f"{microamps} uA"),
        limits_during_rise="yes",
    )
    try:
        bound = with_step(step).tester(strong).bind().steps[2].order
    except Refused:
        # the paper tester's wire carries limits in steps of 10 µA, rounded down
        charge = picofarads * D("1E-12") * 5000
        assert charge / (D(rise_tenths) / 10) > microamps // 10 * D("1E-5")
        return
    limit_a = bound.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST) or D(0)
    assert picofarads * D("1E-12") * bound.level <= limit_a * (bound.rise or 0)


def test_the_range_of_the_rise_in_these_tests_is_the_paper_testers() -> None:
    """Otherwise the property above would only see refusals."""
    assert KINDS[StepKind.WITHSTAND_DC].rise == span("0.1", "99.9")
