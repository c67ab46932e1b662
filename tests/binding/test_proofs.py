"""Proof that an instrument can't give: a named exemption, or no binding. Discharge: evidence."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from decimal import Decimal

import pytest

from orchestrator.binding.proofs import worst_bleed_s
from orchestrator.documents import parse_document
from orchestrator.model.abilities import Abilities, MatrixAbilities
from orchestrator.model.station import Station
from orchestrator.model.words import (
    HIGH_VOLTAGE_KINDS,
    DischargeGrade,
    Measured,
    ReadBackProof,
    StepKind,
    Waveform,
)
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    INSULATE,
    KINDS,
    MATRIX,
    TESTER,
    Bench,
    changed,
    kind_with,
    plain,
)

NO_VOLTAGE = kind_with(
    StepKind.WITHSTAND_AC, readings=frozenset({Measured.TOTAL_CURRENT, Measured.TIME})
)
NO_CURRENT = kind_with(StepKind.BONDING, readings=frozenset({Measured.RESISTANCE}))

# Rule 4 of the design: an instrument that can't give a piece of this proof needs an exemption.
GAPS: list[tuple[str, str, Abilities, MatrixAbilities]] = [
    ("freshness", "t1", replace(TESTER, freshness=frozenset()), MATRIX),
    ("setup_check", "t1", replace(TESTER, setup_check="none"), MATRIX),
    ("elapsed_time", "t1", replace(TESTER, reports_dwell=False), MATRIX),
    ("level_reading", "t1", NO_VOLTAGE, MATRIX),
    ("level_reading", "t1", NO_CURRENT, MATRIX),
    ("relay_position", "relays", TESTER, replace(MATRIX, read_back=None)),
    ("relay_position", "relays", TESTER, replace(MATRIX, read_back=ReadBackProof.COIL)),
    ("relay_position", "relays", TESTER, replace(MATRIX, read_back=ReadBackProof.COMMANDED)),
]


@pytest.mark.parametrize(("rule", "instrument", "abilities", "matrix"), GAPS)
def test_missing_proof_needs_an_exemption_which_the_schedule_carries(
    rule: str, instrument: str, abilities: Abilities, matrix: MatrixAbilities
) -> None:
    """Refused with the text to add; with it, bound, and the reason is on record."""
    bench = Bench().tester(abilities)
    bench.matrix = matrix
    fault = bench.only_fault()
    assert f"{{rule: {rule}, instrument: {instrument}, reason: " in fault.remedy
    assert str(fault.position).startswith("station.yaml:")
    reason = "checked by hand each morning"
    bench.station["exemptions"] = [{"rule": rule, "instrument": instrument, "reason": reason}]
    assert bench.bind().exemptions == {(rule, instrument): reason}


def test_an_exemption_that_is_not_needed_is_noticed() -> None:
    """It neither hurts nor stands in the record as used."""
    bench = Bench()
    entry = {"rule": "freshness", "instrument": "t1", "reason": "left from an older tester"}
    bench.station["exemptions"] = [entry]
    schedule = bench.bind()
    assert schedule.exemptions == {}
    assert any("freshness of t1 isn't needed" in notice for notice in schedule.notices)


@pytest.mark.parametrize("grade", [DischargeGrade.NONE, DischargeGrade.BLEEDER])
def test_a_hazardous_dc_step_without_discharge_evidence_is_refused(grade: DischargeGrade) -> None:
    """Rule 2 of the design: no grade at all is refused for hazardous DC."""
    bench = Bench().tester(replace(TESTER, discharge=grade)).steps(BOND, CONTACT, INSULATE)
    assert "discharge of t1, found no evidence" in str(bench.only_fault())
    assert bench.steps(BOND, CONTACT, HIPOT).bind().steps  # AC leaves no charge to speak of


@pytest.mark.parametrize(
    ("resistance", "capacitance", "holds"),
    # 500 V to 60 V: R·C·ln(500/60) = 2.120264·R·C, twice: 4.240527·R·C (computed, formula E1)
    [("1 Mohm", "1 uF", True), ("14.1 Mohm", "1 uF", True), ("14.2 Mohm", "1 uF", False)],
)
def test_a_declared_bleeder_counts_if_it_is_quick_enough(
    resistance: str, capacitance: str, holds: bool
) -> None:
    """Computed time with margin; 60 s at most."""
    bench = Bench().tester(replace(TESTER, discharge=DischargeGrade.NONE))
    bench.steps(BOND, CONTACT, INSULATE)
    entry = {"tester": "t1", "resistance": resistance, "worst_capacitance": capacitance}
    bench.station["bleeders"] = [entry]
    if holds:
        assert bench.bind().steps
    else:
        assert "by its bleeder" in bench.only_fault().found


def test_the_deadline_holds_the_bleeders_time() -> None:
    """Predicted time, spare time and the time to discharge."""
    quick = replace(TESTER, discharge=DischargeGrade.NONE, off_within_s=Decimal(1))
    bench = Bench().tester(quick).steps(BOND, CONTACT, changed(INSULATE, rise="1 s", fall="0 s"))
    entry = {"tester": "t1", "resistance": "10 Mohm", "worst_capacitance": "1 uF"}
    bench.station["bleeders"] = [entry]
    step = bench.bind().steps[2]
    assert step.predicted_s == 2
    assert step.deadline_s == pytest.approx(2 + 2 + 42.405, abs=0.01)


def test_the_schedule_carries_the_bleeders_time_to_the_run() -> None:
    """Without it the run would take 'off' for 'discharged': 42.405 s for 10 s of R·C, as above."""
    bench = Bench().tester(replace(TESTER, discharge=DischargeGrade.NONE))
    entry = {"tester": "t1", "resistance": "10 Mohm", "worst_capacitance": "1 uF"}
    bench.station["bleeders"] = [entry]
    schedule = bench.steps(BOND, CONTACT, INSULATE).bind()
    assert schedule.bleed_s == {"t1": pytest.approx(42.405, abs=0.001)}
    assert bench.steps(BOND, CONTACT, HIPOT).bind().bleed_s == {}  # AC


def test_first_contact_waits_for_the_bleeder_from_the_highest_dc_level() -> None:
    """What a dead process left is unknown: the most of this tester to 60 V, twice R·C·ln."""
    weak = replace(TESTER, discharge=DischargeGrade.NONE)
    bench = Bench()
    entry = {"tester": "t1", "resistance": "1 Mohm", "worst_capacitance": "1 uF"}
    bench.station["bleeders"] = [entry]
    station = parse_document(json.dumps(plain(bench.station)), "station.yaml", Station).model
    most = max(
        float(ability.level.most)
        for kind, ability in TESTER.kinds.items()
        if kind in HIGH_VOLTAGE_KINDS and Waveform.DC in ability.waveforms
    )
    expected_s = 2 * math.log(most / 60)
    assert worst_bleed_s(station, "t1", weak) == pytest.approx(expected_s, rel=1e-5)
    assert worst_bleed_s(station, "t2", weak) is None
    assert worst_bleed_s(station, "t1", replace(weak, discharge=DischargeGrade.STATUS)) is None


def test_a_tester_that_only_some_steps_use_is_judged_by_these() -> None:
    """A kind that the program doesn't use needs no exemption."""
    bench = Bench().tester(NO_VOLTAGE).steps(BOND, CONTACT, INSULATE)
    assert Measured.VOLTAGE in KINDS[StepKind.INSULATION].readings
    assert bench.bind().exemptions == {}
