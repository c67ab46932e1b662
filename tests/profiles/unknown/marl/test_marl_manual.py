"""The Marl 8 answers byte for byte as its manual says, however the bytes come."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.profiles.unknown.dialogues import dialogues, play
from tests.profiles.unknown.marl.bench_of_manual import ManualBench
from tests.profiles.unknown.marl.notation import frame, lrc, mantissa

HERE = Path(__file__).parent

STEP = "P01;A;1500;1,0;2,0;0,0;5,000;X;50;O.R....."


def _asked(stage: ManualBench, body: str) -> str:
    stage.instrument.feed(frame(body))
    stage.clock.advance(0.010)
    came = stage.instrument.take()
    assert came[:1] == b"\x02"
    assert came[-2:] == bytes([3, lrc(came[1:-2])])
    return came[1:-2].decode("ascii")


def test_every_dialogue_of_the_manual_comes_out_byte_for_byte() -> None:
    """In the manual's order, on one bench, without a violation."""
    stage = ManualBench()
    found = list(dialogues(HERE / "manual.md"))
    assert len(found) == 7
    for dialogue in found:
        assert tuple(play(dialogue, stage.instrument, stage.clock, stage.happen)) == dialogue.lines
    assert stage.bench.violations == ()


def test_the_check_byte_is_that_of_the_manuals_worked_example() -> None:
    """49 XOR 03 = 4A."""
    assert frame("I") == bytes.fromhex("02 49 03 4A")


def test_a_check_byte_may_look_like_any_control_character() -> None:
    """A body whose LRC is ETX or STX is one whole frame all the same."""
    stage = ManualBench()
    for body, check in (("II", 0x03), ("II! ", 0x02), ("II8#", 0x18)):
        assert frame(body)[-1] == check
        assert _asked(stage, body) == "-01"


def test_a_frame_may_come_byte_by_byte() -> None:
    """The link may cut it anywhere, before the LRC too."""
    stage = ManualBench()
    for byte in frame("T"):
        stage.instrument.feed(bytes([byte]))
        stage.clock.advance(0.02)
    assert stage.instrument.take() == frame("T;00001;00;0000")


def test_the_status_lags_a_start_but_not_a_stop() -> None:
    """Section 5: up to 50 ms after G still the run before; H and CAN refresh at once."""
    stage = ManualBench()
    _asked(stage, STEP)
    stage.clock.advance(0.050 - stage.clock.monotonic() % 0.050 + 0.002)
    assert _asked(stage, "G") == "G;0001"
    assert _asked(stage, "T") == "T;00001;00;0000"
    stage.clock.advance(1.0)
    stage.instrument.feed(b"\x18")
    stage.clock.advance(0.001)
    assert _asked(stage, "T") == "T;01040;01;0001"


def test_a_stop_while_relays_move_never_energises() -> None:
    """The output stays off; the slot's verdict is H without a reading."""
    stage = ManualBench()
    _asked(stage, STEP)
    _asked(stage, "G")
    assert _asked(stage, "H") == "+"
    stage.clock.advance(1.0)
    assert _asked(stage, "R01") == "R01;0001;H;0,0000;+00;-,----;+00;0,0"
    assert stage.instrument.output.starts == 0  # type: ignore[attr-defined]
    assert stage.bench.state().closed == frozenset()


def test_contacts_close_for_their_step_only() -> None:
    """Roles of the step while it runs; all open after the run."""
    stage = ManualBench()
    _asked(stage, STEP)
    _asked(stage, "G")
    stage.clock.advance(1.5)
    closed = {("tester/1/scan/1", "source"), ("tester/1/scan/3", "return")}
    assert stage.bench.state().closed == closed
    stage.clock.advance(3.0)
    assert stage.bench.state().closed == frozenset()
    assert stage.bench.violations == ()


def test_a_run_ends_with_the_first_step_that_is_not_good_and_at_the_first_empty_slot() -> None:
    """Sections 3 and 5."""
    stage = ManualBench()
    _asked(stage, STEP.replace("5,000", "0,500"))
    _asked(stage, STEP.replace("P01", "P02"))
    _asked(stage, "G")
    stage.clock.advance(9.0)
    assert _asked(stage, "R01").startswith("R01;0001;U;")
    assert _asked(stage, "R02") == "-09"
    _asked(stage, STEP)
    _asked(stage, STEP.replace("P01", "P04"))
    _asked(stage, "G")
    stage.clock.advance(15.0)
    assert _asked(stage, "R02").startswith("R02;0002;P;")
    assert _asked(stage, "R04") == "-09"


def test_the_guard_only_acts_while_it_is_watched() -> None:
    """Section 6; not watched after power-up."""
    stage = ManualBench()
    _asked(stage, STEP)
    _asked(stage, "V1")
    stage.instrument.power_cycle()
    stage.clock.advance(1.1)
    assert _asked(stage, "V?") == "V;0"
    assert _asked(stage, "Q01") == STEP.replace("P01", "Q01")
    assert _asked(stage, "G") == "G;0001"
    stage.clock.advance(1.5)
    stage.happen("guard opens")
    stage.clock.advance(0.2)
    assert stage.bench.state().any_on


@pytest.mark.parametrize(
    ("change", "answer"),
    [
        (("1500", "4001"), "-04"),
        (("1500", "500"), "-03"),
        (("2,0;", "2.0;"), "-03"),
        (("5,000", "X"), "-03"),
        ((";X;50", ";6,000;50"), "-04"),
        ((";50;", ";X;"), "-03"),
        (("O.R.....", "O.R...."), "-05"),
        (("O.R.....", "O.O....."), "-05"),
        ((";O.R.....", ""), "-02"),
        (("P01", "P41"), "-04"),
        (("P01", "P1"), "-03"),
        (("P01", "N01"), "-01"),
    ],
)
def test_a_wrong_step_is_refused_by_number(change: tuple[str, str], answer: str) -> None:
    """Section 7."""
    assert _asked(ManualBench(), STEP.replace(*change)) == answer


def test_a_refused_step_leaves_its_slot_empty() -> None:
    """Section 4."""
    stage = ManualBench()
    _asked(stage, STEP)
    _asked(stage, STEP.replace("1500", "4001"))
    assert _asked(stage, "Q01") == "Q01;-"


def test_mantissas_round_into_the_next_power() -> None:
    """9.99996 V is 1,0000;+01."""
    assert mantissa(9.99996) == "1,0000;+01"
    assert mantissa(1.2097e-3) == "1,2097;-03"
    assert mantissa(0.0) == "0,0000;+00"
