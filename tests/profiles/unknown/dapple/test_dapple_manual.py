"""The Dapple answers byte for byte as its manual says, however the bytes come."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import patch

import pytest

from drivers.simulators.bench import SIMULATORS, Bench
from orchestrator.clock import VirtualClock
from tests.profiles.unknown.dapple.bench_of_manual import KIND, ManualBench
from tests.profiles.unknown.dapple.notation import telegram
from tests.profiles.unknown.dialogues import dialogues, play

HERE = Path(__file__).parent


def _sent(body: str) -> bytes:
    return telegram(7, body) + b"\r"


PLAN = "PLAN,KIND=ALT,U=1500V,F=50Hz,SLOPE=1500V/s,TOTAL=3.0s,MAX=5.00mA,MIN=OFF"


def _asked(stage: ManualBench, body: str) -> bytes:
    stage.instrument.feed(_sent(body))
    stage.clock.advance(0.010)
    return stage.instrument.take()


def test_every_dialogue_of_the_manual_comes_out_byte_for_byte() -> None:
    """In the manual's order, on one bench, without a violation."""
    stage = ManualBench()
    found = list(dialogues(HERE / "manual.md"))
    assert len(found) == 9
    for dialogue in found:
        assert tuple(play(dialogue, stage.instrument, stage.clock, stage.happen)) == dialogue.lines
    assert stage.bench.violations == ()


def test_the_checksum_is_that_of_the_manuals_worked_example() -> None:
    """48+55+87+72+79+42 = 383 = 256 + 127, and 127 is 7F."""
    assert _sent("WHO") == b"07WHO*7F\r"


def test_a_telegram_may_come_byte_by_byte() -> None:
    """The link may cut it anywhere."""
    stage = ManualBench()
    for byte in _sent("HOW"):
        stage.instrument.feed(bytes([byte]))
        stage.clock.advance(0.003)
    stage.clock.advance(0.010)
    assert stage.instrument.take().endswith(b"\r\n07>")


def test_before_the_prompt_only_off_is_heard() -> None:
    """A HOW on the heels of GO is lost; an OFF isn't."""
    stage = ManualBench()
    _asked(stage, PLAN)
    stage.instrument.feed(_sent("GO") + _sent("HOW") + _sent("OFF"))
    stage.clock.advance(0.2)
    came = stage.instrument.take()
    assert b"HOW" not in came
    assert b"SAYS=STOPPED" in came
    assert not stage.bench.state().any_on


@pytest.mark.parametrize("body", ["HOW", "WHO", "GO"])
def test_a_foreign_station_is_not_answered(body: str) -> None:
    """Silence, no prompt."""
    stage = ManualBench()
    stage.instrument.feed(telegram(8, body) + b"\r")
    stage.clock.advance(1.0)
    assert stage.instrument.take() == b""


@pytest.mark.parametrize(
    ("change", "number"),
    [
        (("U=1500V", "U=5001V"), b"05"),
        (("U=1500V", "U=1.5kV"), b"03"),
        (("MAX=5.00mA", "MAX=5.000mA"), b"03"),
        (("MAX=5.00mA", "MAX=40.1mA"), b"05"),
        (("MIN=OFF", "MIN=5.00mA"), b"05"),
        (("TOTAL=3.0s", "TOTAL=1.1s"), b"06"),
        (("SLOPE=1500V/s,", ""), b"04"),
        (("KIND=ALT,", ""), b"04"),
        (("KIND=ALT", "KIND=AC"), b"02"),
        (("F=50Hz", "F=55Hz"), b"02"),
        (("F=50Hz", "G=50Hz"), b"02"),
        (("PLAN", "PLAIN"), b"01"),
    ],
)
def test_a_wrong_plan_is_refused_by_number(change: tuple[str, str], number: bytes) -> None:
    """Section 6; the plan before stays."""
    assert _asked(ManualBench(), PLAN.replace(*change)).startswith(b"07NO=" + number + b"*")


def test_min_and_frequency_left_out_stay_as_they_were() -> None:
    """Section 4: MIN for the same kind only, F across kinds."""
    stage = ManualBench()
    _asked(stage, PLAN.replace("MIN=OFF", "MIN=1.00mA").replace("F=50Hz", "F=60Hz"))
    short = "PLAN,KIND=ALT,U=500V,SLOPE=500V/s,TOTAL=2.0s,MAX=5.00mA"
    assert b"F=60Hz" in (came := _asked(stage, short))
    assert b"MIN=1.00mA" in came
    assert b"MIN=OFF" in _asked(stage, "PLAN,KIND=PE,I=5.0A,TOTAL=1.0s,MAX=100mOHM")
    assert b"F=60Hz" in _asked(stage, "PLAN,KIND=PE,I=5.0A,TOTAL=1.0s,MAX=100mOHM")


def test_the_insulation_limit_is_ohms_law() -> None:
    """500 V and at most 5.00 uA: 99 Mohm fails LOW, 101 Mohm is GOOD (R = U / I = 100 Mohm)."""
    for resistance, word in (("99 Mohm", b"LOW"), ("101 Mohm", b"GOOD")):
        stage = ManualBench()
        stage.happen(f"object {resistance}")
        _asked(stage, "PLAN,KIND=INSUL,U=500V,SLOPE=500V/s,TOTAL=2.0s,MAX=5.00uA")
        _asked(stage, "GO")
        stage.clock.advance(3.0)
        assert b"SAYS=" + word + b"," in stage.instrument.take()


def test_power_up_announces_itself_and_forgets_plan_and_run() -> None:
    """Section 5."""
    stage = ManualBench()
    _asked(stage, PLAN)
    _asked(stage, "GO")
    stage.instrument.power_cycle()
    stage.clock.advance(1.6)
    assert stage.instrument.take().startswith(b"07!READY,SERIAL=SIM-6031*")
    assert _asked(stage, "GO").startswith(b"07NO=09*")


def test_a_serial_number_that_could_be_real_is_refused() -> None:
    """The project's convention."""
    with patch.dict(SIMULATORS, KIND), pytest.raises(ValueError, match="SIM-"):
        Bench(VirtualClock()).add("tester", "dapple", serial="6031")
