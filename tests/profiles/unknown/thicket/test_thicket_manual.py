"""The Thicket answers byte for byte as its manual says, however the bytes come."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import patch

import pytest

from drivers.simulators.bench import SIMULATORS, Bench
from orchestrator.clock import VirtualClock
from tests.profiles.unknown.dialogues import dialogues, play
from tests.profiles.unknown.thicket.bench_of_manual import KIND, ManualBench

HERE = Path(__file__).parent


def _asked(stage: ManualBench, command: str) -> bytes:
    stage.instrument.feed(command.encode("ascii") + b"\r")
    stage.clock.advance(0.050)
    return stage.instrument.take()


def test_every_dialogue_of_the_manual_comes_out_byte_for_byte() -> None:
    """In the manual's order, on one bench, without a violation."""
    stage = ManualBench()
    found = list(dialogues(HERE / "manual.md"))
    assert len(found) == 8
    for dialogue in found:
        assert tuple(play(dialogue, stage.instrument, stage.clock, stage.happen)) == dialogue.lines
    assert stage.bench.violations == ()


@pytest.mark.parametrize(
    ("relay", "contact"),
    [
        (1, ("rack/first/high/1", "source")),
        (216, ("rack/first/high/16", "return")),
        (17, ("rack/first/bond/1", "source")),
        (220, ("rack/first/bond/4", "return")),
        (23, ("rack/second/high/3", "source")),
        (240, ("rack/second/bond/4", "return")),
    ],
)
def test_numbers_run_through_banks_and_places(relay: int, contact: tuple[str, str]) -> None:
    """Section 2: 20 channels a place, 16 high and 4 bond; RETURN is 200 more."""
    stage = ManualBench()
    _asked(stage, "S41")
    assert _asked(stage, f"C{relay}") == b">"
    assert stage.bench.state().closed == {contact}
    place = 0 if contact[0].startswith("rack/first/") else 1
    assert _asked(stage, f"R{place}") == b"R%d=%03X\r\n>" % (place, relay)


def test_the_prompt_comes_only_when_contacts_rest() -> None:
    """45 ms for what moves; what is sent before is lost."""
    stage = ManualBench()
    _asked(stage, "S41")
    stage.instrument.feed(b"C1\r")
    stage.clock.advance(0.044)
    assert stage.instrument.take() == b""
    stage.instrument.feed(b"C2\r")
    stage.clock.advance(0.1)
    assert stage.instrument.take() == b">"
    assert _asked(stage, "R0") == b"R0=001\r\n>"


def test_a_command_may_come_byte_by_byte() -> None:
    """The link may cut it anywhere."""
    stage = ManualBench()
    for byte in b"E?\r":
        stage.instrument.feed(bytes([byte]))
        stage.clock.advance(0.01)
    assert stage.instrument.take() == b"E71\r\n>"


def test_a_refused_command_changes_nothing() -> None:
    """Section 5: the good relays of a bad list don't close either."""
    stage = ManualBench()
    _asked(stage, "S41")
    assert _asked(stage, "C1,2,61") == b"?04\r\n>"
    assert _asked(stage, "C1,2,202") == b"?06\r\n>"
    assert _asked(stage, "R0") == b"R0=---\r\n>"


def test_switching_the_supply_off_opens_everything() -> None:
    """S40."""
    stage = ManualBench()
    _asked(stage, "S41")
    _asked(stage, "C1,202,23,240")
    _asked(stage, "S40")
    assert stage.bench.state().closed == frozenset()
    assert _asked(stage, "S?") == b"S40\r\n>"


def test_a_relay_that_never_closes_is_told_as_error_11() -> None:
    """The auxiliary contact disagrees; the read-back tells the truth."""
    stage = ManualBench()
    _asked(stage, "S41")
    stage.bench.wiring.unit("rack/first").break_contact("high", 2, "return")
    assert _asked(stage, "C1,202") == b"?11\r\n>"
    assert _asked(stage, "R0") == b"R0=001\r\n>"


def test_power_up_opens_everything_and_sends_a_prompt() -> None:
    """Section 3: after 0.8 s, coil supply off."""
    stage = ManualBench()
    _asked(stage, "S41")
    _asked(stage, "C1")
    stage.instrument.power_cycle()
    stage.clock.advance(0.85)
    assert stage.instrument.take() == b">"
    assert _asked(stage, "R0") == b"R0=---\r\n>"
    assert _asked(stage, "C1") == b"?09\r\n>"


def test_a_place_out_of_the_rack_or_taken_twice_is_refused() -> None:
    """0 to 7, each once."""
    bench = Bench(VirtualClock())
    with patch.dict(SIMULATORS, KIND), pytest.raises(ValueError, match="0-7"):
        bench.add("rack", "thicket", units={"a": 8})
