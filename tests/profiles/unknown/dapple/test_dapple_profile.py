"""The Dapple driven by its profile: figures of three digits, results as events, run numbers."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drivers.adapters.tester import ProfileTester
from drivers.language.checker import check_profile, render_report
from drivers.language.profile import load_profile, load_tester
from orchestrator.contract import CannotCarry
from orchestrator.errors import InstrumentRefused
from orchestrator.model.record import Reading
from orchestrator.model.words import Edge, Evidence, Measured, TesterState
from tests.profiles.harness import order_of
from tests.profiles.unknown.dapple.bench_of_manual import ManualBench
from tests.profiles.unknown.dapple.notation import telegram
from tests.profiles.unknown.runs import Hand

HERE = Path(__file__).parent
AC = "kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s"
LONG = f"{{{AC}, dwell: 20 s, at_most: 5 mA}}"
SHORT = f"{{{AC}, dwell: 2 s, at_most: 5 mA}}"
DC = "kind: withstand_dc, level: 2000 V, rise: 2 s, dwell: 3 s"
TESTER = ProfileTester(load_tester(str(HERE / "profile.yaml")), "dapple")
INSULATION = "kind: insulation, level: 500 V, rise: 0.5 s, dwell: 1 s"


def hand() -> Hand:
    found = Hand(ManualBench(), HERE)
    assert found.connect().simulated
    return found


def test_the_profile_is_sound() -> None:
    """The checker finds no fault."""
    report = check_profile(load_profile(str(HERE / "profile.yaml")))
    assert report.sound, render_report(report)


@pytest.mark.parametrize(
    ("order", "plan"),
    [
        (
            SHORT,
            "KIND=ALT,U=1500V,F=50Hz,SLOPE=1500V/s,TOTAL=3.0s,MAX=5.00mA,MIN=OFF",
        ),
        (
            f"{{{DC}, at_most: 800 uA, at_least: 1 uA}}",
            "KIND=DIRECT,U=2000V,SLOPE=1000V/s,TOTAL=5.0s,MAX=800uA,MIN=1.00uA",
        ),
        (
            f"{{{INSULATION}, at_least: 100 Mohm}}",
            "KIND=INSUL,U=500V,SLOPE=1000V/s,TOTAL=1.5s,MAX=5.00uA,MIN=OFF",
        ),
        (
            f"{{{INSULATION}, at_least: 700 Mohm}}",
            "KIND=INSUL,U=500V,SLOPE=1000V/s,TOTAL=1.5s,MAX=714nA,MIN=OFF",
        ),
        (
            "{kind: bonding, level: 10 A, frequency: 50 Hz, dwell: 2 s, at_most: 100 mohm}",
            "KIND=PE,I=10.0A,F=50Hz,TOTAL=2.1s,MAX=100mOHM,MIN=OFF",
        ),
    ],
)
def test_a_plan_goes_out_as_the_manual_writes_it(order: str, plan: str) -> None:
    """Section 7, and 500 V / 700 Mohm = 714.28 nA by Ohm's law, tightened to 714 nA."""
    assert hand().prepare(order) == [telegram(7, f"PLAN,{plan}") + b"\r"]


def test_limits_tighten_to_three_figures_and_change_their_unit_in_rounding() -> None:
    """999.6 uA at least becomes 1.00 mA, 12.345 mA at most 12.3 mA."""
    (sent,) = hand().prepare(f"{{{AC}, dwell: 2 s, at_least: 999.6 uA, at_most: 12.345 mA}}")
    assert b"MAX=12.3mA,MIN=1.00mA" in sent


def test_a_slope_is_rounded_so_that_neither_rise_nor_dwell_is_shorter_than_asked() -> None:
    """1250 V in 0.3 s: 4166 V/s, 0.30005 s; the whole time takes the rest of its step."""
    found = hand()
    (order,) = order_of(
        "{kind: withstand_ac, level: 1250 V, frequency: 50 Hz, rise: 0.3 s, dwell: 0.6 s, "
        "at_most: 5 mA}"
    )
    carried = found.tester.quantise(order)
    assert carried.rise is not None
    assert Decimal("0.3") <= carried.rise < Decimal("0.3001")
    assert carried.dwell >= Decimal("0.6")
    assert carried.rise + carried.dwell == 1


@given(
    level=st.integers(100, 5000),
    rise=st.decimals("0.5", 20, places=2),
    dwell=st.decimals("0.2", 60, places=2),
)
def test_slope_and_whole_time_never_shorten_what_was_asked(
    level: int, rise: Decimal, dwell: Decimal
) -> None:
    """Section 4: the dwell is what remains of TOTAL behind level / SLOPE."""
    (order,) = order_of(
        f"{{kind: withstand_ac, level: {level} V, frequency: 50 Hz, rise: {rise} s, "
        f"dwell: {dwell} s, at_most: 5 mA}}"
    )
    assume(10 <= level / rise <= 5000)  # section 3
    carried = TESTER.quantise(order)
    assert carried.rise is not None
    slope, total = round(level / carried.rise), carried.rise + carried.dwell
    assert abs(level / carried.rise - slope) < Decimal("1E-20")
    assert total == round(total, 1)
    assert carried.rise >= rise
    assert carried.dwell >= dwell
    assert total < carried.rise + dwell + Decimal("0.1")
    assert TESTER.quantise(carried) == carried


def test_a_limit_beyond_what_three_figures_and_the_largest_unit_can_say_is_refused() -> None:
    """1000 V over 0.5 Mohm is 2 mA; the Dapple's insulation limit ends at 999 uA."""
    (order,) = order_of(
        "{kind: insulation, level: 1000 V, rise: 1 s, dwell: 1 s, at_least: 0.5 Mohm}"
    )
    with pytest.raises(CannotCarry, match="below 1000 uA"):
        hand().tester.quantise(order)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("rise: 1 s", "rise: 0.2 s"), "slope"),
        (("rise: 1 s", "rise: 400 s"), "slope"),
        (("dwell: 2 s", "dwell: 999 s"), "total_time"),
    ],
)
def test_a_slope_or_a_whole_time_that_it_does_not_know_is_refused_when_bound(
    change: tuple[str, str], told: str
) -> None:
    """Section 3: 10 to 5000 V/s, at most 999.9 s; 1500 V in 0.2 s is 7500 V/s."""
    (order,) = order_of(SHORT.replace(*change))
    with pytest.raises(CannotCarry) as refused:
        TESTER.quantise(order)
    assert refused.value.field == told


def test_a_run_goes_to_its_end_and_the_result_event_is_its_own() -> None:
    """States by HOW; that it went to its end only the event tells, 30 ms behind IDLE."""
    found = hand()
    mark = found.start(SHORT)
    assert found.states() == [
        TesterState.RISING,
        TesterState.DWELLING,
        TesterState.DISCHARGING,
        TesterState.COMPLETE,
    ]
    reading = found.hold(found.tester.result(mark, 0))
    assert (reading.verdict, reading.cause) == ("pass", "within limits")
    assert reading.values[Measured.TOTAL_CURRENT] == Reading(Decimal("0.00121"))
    assert reading.evidence == {Evidence.EVENT, Evidence.COUNTER}
    assert found.off().discharged
    assert found.stage.bench.violations == ()


def test_a_reading_beyond_the_range_is_a_bound() -> None:
    """R=>20.00GOHM."""
    found = hand()
    found.stage.happen("object 300 Gohm")
    reading = found.run(f"{{{INSULATION}, at_least: 100 Mohm}}")
    assert reading.values[Measured.RESISTANCE] == Reading(Decimal(20_000_000_000), "above")


def test_a_broken_limit_fails_and_bonding_is_read_in_ohms() -> None:
    """HIGH in the rise; 85 milliohm."""
    found = hand()
    failed = found.run(f"{{{DC}, at_most: 800 uA}}")
    assert (failed.verdict, failed.cause) == ("fail", "upper limit broken")
    bond = found.run("{kind: bonding, level: 10 A, frequency: 50 Hz, dwell: 1 s, at_most: 0.1 ohm}")
    assert bond.values[Measured.RESISTANCE] == Reading(Decimal("0.085"))


def test_the_late_result_of_the_run_before_is_not_taken_for_this_one() -> None:
    """Section 5: a new GO may be given before !END; the run number tells them apart."""
    found = hand()
    found.start(SHORT)
    found.states()
    mark = found.start(f"{{{AC}, dwell: 2 s, at_most: 1 mA}}")
    late = telegram(7, "!END,RUN=001,SAYS=GOOD,U=1.500kV,I=0.50mA,T=2.0s") + b"\r\n"
    found.tester.absorb(late)
    assert found.hold(found.tester.poll()).state is TesterState.RISING
    found.states()
    reading = found.hold(found.tester.result(mark, 0))
    assert (reading.verdict, reading.cause) == ("fail", "upper limit broken")
    assert b"RUN=002" in reading.raw


def test_a_stop_is_heard_before_the_prompt_and_proved_by_the_state() -> None:
    """Section 4: OFF on the heels of GO, whose prompt is still owed; the late lines do no harm."""
    found = hand()
    found.prepare(LONG)
    found.pump.send(telegram(7, "GO") + b"\r")
    found.stop()
    assert found.pump.sent[-1] == telegram(7, "OFF") + b"\r"
    proof = found.off()
    assert (proof.off, proof.discharged) == (True, True)


def test_an_opened_door_ends_the_run_and_latches() -> None:
    """!DOOR before any question, then the latch until a person resets it with the door shut."""
    found = hand()
    mark = found.start(LONG)
    found.stage.clock.advance(2.0)
    found.stage.happen("door opens")
    found.stage.clock.advance(0.1)
    assert found.hold(found.tester.poll()).latched_open
    assert found.hold(found.tester.interlock()) is False
    reading = found.hold(found.tester.result(mark, 0))
    assert (reading.verdict, reading.cause) == (None, "door opened")
    with pytest.raises(InstrumentRefused, match="door is open"):
        found.hold(found.tester.reset_trip())
    found.stage.happen("door shuts")
    with pytest.raises(InstrumentRefused, match="latch is set"):
        found.hold(found.tester.start())
    found.hold(found.tester.reset_trip())
    found.hold(found.tester.start())


def test_the_prompt_bears_the_station_s_address() -> None:
    """At station 12 the prompt is '12>', and a stop is addressed too."""
    found = Hand(ManualBench(), HERE, address=12)
    assert found.tester.compiled.framing.frame.prompt == b"12>"
    assert found.tester.stop_bytes == (telegram(12, "OFF") + b"\r",)


def test_an_order_keeps_its_edge_when_the_limit_travels_as_a_current() -> None:
    """At least R goes out as at most U / R; carried, it is never below what was asked."""
    (order,) = order_of(f"{{{INSULATION}, at_least: 700 Mohm}}")
    carried = hand().tester.quantise(order).limit(Measured.RESISTANCE, Edge.AT_LEAST)
    assert carried is not None
    assert carried >= 700_000_000
