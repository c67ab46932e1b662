"""Contacts that don't do as told, and charges that don't go away."""

from __future__ import annotations

import math

import pytest

from drivers.simulators.output_models import Phase
from drivers.simulators.unit import parse_unit
from drivers.simulators.violations import What
from orchestrator.errors import Refused, RelayMismatch
from orchestrator.model.words import DischargeGrade, Outcome
from orchestrator.running.interlock import Trip
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import GOOD, PROGRAM, SHORT_STEPS, STATIONS, unit_text

DISTURBED = "withstand mains"
BEFORE = SHORT_STEPS[: SHORT_STEPS.index(DISTURBED)]
PROVED = ("orrin", "stave")
"""Stations whose relay units read their contacts back; the Comb reads coils (comb.md 3)."""


# ---- contacts


@pytest.mark.parametrize("station", PROVED)
def test_a_contact_found_welded_at_the_take_over_keeps_everything_from_starting(
    make_rig: MakeRig, station: str
) -> None:
    """It can't be opened: no run on this station."""
    rig = make_rig(station)
    bank = rig.make.banks[0]
    rig.relays.weld(bank, 5, "source")
    error = rig.run_or_error()
    assert isinstance(error, RelayMismatch)
    rig.check_refused_before_start(error, welded=(f"{bank}/5",))


@pytest.mark.parametrize("station", PROVED)
def test_a_contact_that_welds_in_a_step_is_found_when_the_next_route_is_read_back(
    make_rig: MakeRig, station: str
) -> None:
    """It stays closed when told to open; nothing is started on such a route."""
    rig = make_rig(station)
    bank = rig.make.banks[0]
    rig.during(Phase.HOLD, lambda: rig.relays.weld(bank, 1, "return"), step="withstand mains")
    result = rig.run()
    assert rig.output.starts == len(SHORT_STEPS) - 1
    assert "closed too many" in result.reason
    assert "relay unit" in result.remedy
    rig.check(result, before=SHORT_STEPS[:-1], relays="kept", welded=(f"{bank}/1",))


@pytest.mark.parametrize("station", PROVED)
def test_a_contact_that_doesn_t_close_is_found_before_the_start(
    make_rig: MakeRig, station: str
) -> None:
    """A broken contact would let any insulation pass."""
    rig = make_rig(station)
    bank = rig.make.banks[0]
    rig.after_step(BEFORE[-1], lambda: rig.relays.break_contact(bank, 4, "source"))
    result = rig.run()
    assert rig.output.starts == len(BEFORE)
    assert "not closed" in result.reason
    rig.check(result, before=BEFORE)


def test_a_broken_contact_behind_coil_read_back_is_found_by_the_contact_steps(
    make_rig: MakeRig,
) -> None:
    """The Comb can't see it; the continuity step that the program names for proof does."""
    rig = make_rig("pell")
    rig.relays.break_contact("bond", 3, "source")
    result = rig.run(PROGRAM)
    failed = next(step for step in result.steps if step.outcome is Outcome.FAIL)
    assert failed.name == "contact mains"
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_a_read_back_in_another_order_is_the_same_route(make_rig: MakeRig, station: str) -> None:
    """lattice.md 3 and sprig.md 3: in any order. Compared as sets, never as text."""
    rig = make_rig(station)
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)
    seen = [m for m in rig.chain.faults.seen if b"CONTACTS" in m or b"look" in m or b"R1" in m]
    assert seen


@pytest.mark.parametrize("station", STATIONS)
def test_a_relay_closed_by_nobody_between_steps_doesn_t_survive_the_next_route(
    make_rig: MakeRig, station: str
) -> None:
    """The whole wanted state is sent each time: what isn't wanted opens."""
    rig = make_rig(station)
    rig.after_step(
        BEFORE[-1], lambda: rig.relays.put(rig.make.banks[1], {2: "return", 6: "source"})
    )
    rig.check(rig.run(), (Outcome.PASS, Outcome.NO_VERDICT), before=BEFORE)


@pytest.mark.parametrize("station", STATIONS)
def test_a_relay_moved_by_nobody_in_the_dwell_is_found_after_it(
    make_rig: MakeRig, station: str
) -> None:
    """One contact opens under voltage: no verdict, evidence of discharge void, the rest stays."""
    rig = make_rig(station)
    bank = rig.make.banks[0]
    rig.during(Phase.HOLD, lambda: rig.relays.put(bank, {3: "source", 1: "return"}), step=DISTURBED)
    result = rig.run()
    assert "void" in result.reason
    assert "keep away" in result.remedy
    rig.check(
        result,
        before=BEFORE,
        relays="kept",
        violations=frozenset({What.RELAY_COMMANDED_HOT, What.RELAY_MOVED_HOT}),
    )


# ---- discharge


@pytest.mark.parametrize("station", STATIONS)
def test_a_discharge_that_hangs_keeps_the_relays(make_rig: MakeRig, station: str) -> None:
    """400 V stay on the unit: relays stay (their path is the discharge path), a person is told."""
    rig = make_rig(station)

    def stick() -> None:
        rig.output.faults.stuck_discharge = True
        rig.output.faults.stuck_at_v = 400.0

    rig.at_step("withstand coil", stick)
    result = rig.run()
    assert "not confirmed off and discharged" in result.reason
    assert "keep away" in result.remedy
    state = rig.bench.state()
    assert state.outputs[rig.make.tester].dc_v >= 400.0
    assert {bus for _, bus in state.closed} == {"source", "return"}
    rig.check(result, before=SHORT_STEPS[:-1], relays="kept", residual=True)


@pytest.mark.parametrize("station", STATIONS)
def test_a_reset_after_a_hanging_discharge_takes_over_first(
    make_rig: MakeRig, station: str
) -> None:
    """Still charged: nothing is reset, relays kept. Discharged at last: relays open, and on."""
    rig = make_rig(station)
    rig.at_step("withstand coil", lambda: setattr(rig.output.faults, "stuck_discharge", True))
    assert rig.run().relays_kept
    kept = rig.bench.state().closed
    with pytest.raises(Refused, match="alarm 2"):
        rig.run()
    with pytest.raises(Trip, match="not confirmed off and discharged"):
        rig.live.reset(by="M. Example")
    assert rig.bench.state().closed == kept
    rig.output.release_discharge()
    rig.clock.advance(2.0)
    if station == "stave":
        rig.tester.runner.reset()  # stave.md 6: the error bit latches after 10 s
    rig.live.reset(by="M. Example")
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


@pytest.mark.parametrize("station", STATIONS)
def test_a_slow_discharge_is_waited_for(make_rig: MakeRig, station: str) -> None:
    """2 uF take longer than an input may be old (500 ms): they are kept fresh meanwhile.

    U(t) = U0 exp(-t / RC), textbook: from 2120 V to 25 V are 4.4 time constants.
    """
    rig = make_rig(station, unit=unit_text("{between: [line, coil b], capacitance: 2 uF}"))
    rig.check(rig.run(PROGRAM_SLOW), Outcome.PASS)


def test_a_lower_safe_level_than_the_instrument_s_own_is_waited_for_with_fresh_inputs(
    make_rig: MakeRig,
) -> None:
    """An Orrin is DONE below 25 V (orrin.md 5); a station that asks for 8 V waits on, 0.8 s here.

    The door contact, asked through the Orrin, may be 500 ms old: it is asked meanwhile.
    """
    rig = make_rig(
        "orrin",
        unit=unit_text("{between: [line, coil b], capacitance: 5 uF}"),
        extra="safe_level: {ac: 8 V, dc: 8 V}\n",
    )
    result = rig.run(PROGRAM_SLOW.replace("rise: 1 s", "rise: 3 s"))
    assert result.steps[0].residual_v is not None
    assert result.steps[0].residual_v < 8
    rig.check(result, Outcome.PASS)


PROGRAM_SLOW = """\
name: slow
revision: '1'
no_protective_earth: a doubly insulated thing, for tests
steps:
  - name: charge it
    kind: withstand_dc
    apply_to: [line, neutral]
    against: [coil a, coil b]
    unproved_contact: a program that only tries discharging
    level: 2120 V
    rise: 1 s
    dwell: 0.3 s
    fall: 0 s
    limits_during_rise: yes
    accept: {total_current: {at_most: 5 mA}}
"""


@pytest.mark.parametrize("station", STATIONS)
def test_the_record_says_which_evidence_of_discharge_was_used(
    make_rig: MakeRig, station: str
) -> None:
    """Measured voltage (orrin.md 5), the instruments' own status (pell.md 4, stave.md 4)."""
    rig = make_rig(station)
    result = rig.run()
    grade = DischargeGrade.VOLTAGE if station == "orrin" else DischargeGrade.STATUS
    assert {step.discharge for step in result.steps} == {grade}
    rig.check(result, Outcome.PASS, before=SHORT_STEPS)


def test_voltage_fed_from_outside_is_no_proof_of_discharge(make_rig: MakeRig) -> None:
    """State DONE, but the terminals show a voltage: an Orrin's evidence is the voltage."""
    rig = make_rig("orrin")

    def feed() -> None:
        rig.output._residual = (80.0, rig.clock.monotonic(), math.inf)

    rig.during(Phase.BLEED, feed, step="withstand coil")
    result = rig.run()
    rig.check(result, before=SHORT_STEPS[:-1], relays="kept", residual=True)


# ---- two units in a row


@pytest.mark.parametrize("station", STATIONS)
def test_a_unit_exchanged_between_runs_is_tested_with_relays_open(
    make_rig: MakeRig, station: str
) -> None:
    """Between runs nothing is closed, so that a person may handle the unit."""
    rig = make_rig(station)
    assert rig.run().outcome is Outcome.PASS
    _all_open(rig)
    rig.bench.load_unit(parse_unit(GOOD))
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


def _all_open(rig: Rig) -> None:
    state = rig.bench.state()
    assert not state.closed
    assert not state.any_on
