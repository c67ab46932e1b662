"""The Marl 8 driven by its profile: check byte behind the end, roles side by side, step memory."""

from __future__ import annotations

from decimal import Decimal
from itertools import product
from pathlib import Path
from string import ascii_letters, digits
from typing import Any

import pytest

from drivers.language.checker import check_profile, render_report
from drivers.language.profile import load_profile
from orchestrator.errors import InstrumentRefused, SetupMismatch
from orchestrator.model.record import Reading
from orchestrator.model.words import Evidence, Measured, TesterState
from tests.profiles.unknown.marl.bench_of_manual import ManualBench
from tests.profiles.unknown.marl.notation import frame, lrc
from tests.profiles.unknown.runs import Hand

HERE = Path(__file__).parent
TIMES = "rise: 1 s, dwell: 2 s, fall: 0 s"


def points(source: int, back: int) -> str:
    return f"route: own/scan/{source}=source own/scan/{back}=return"


AC = (
    f"{{kind: withstand_ac, level: 1500 V, frequency: 50 Hz, {TIMES}, at_most: 5 mA, "
    f"{points(1, 3)}}}"
)
THREE = (
    f"[{AC}, {{kind: insulation, level: 500 V, rise: 0.5 s, dwell: 1 s, fall: 0 s, "
    f"at_least: 100 Mohm, {points(2, 3)}}}, "
    f"{{kind: continuity, level: 250 mA, dwell: 0.5 s, at_most: 5 ohm, {points(4, 5)}}}]"
)


def hand() -> Hand:
    found = Hand(ManualBench(), HERE, units={"own": None})
    found.connect()
    return found


def test_the_profile_is_sound() -> None:
    """The checker finds no fault: the raw check byte is known by its place."""
    report = check_profile(load_profile(str(HERE / "profile.yaml")))
    assert report.sound, render_report(report)


def test_three_steps_go_out_as_the_manual_writes_them() -> None:
    """Section 8; each is asked back, what lies behind the last is cleared."""
    bodies = [data[1:-2].decode() for data in hand().prepare(THREE)]
    assert bodies == [
        "P01;A;1500;1,0;2,0;0,0;5,000;X;50;O.R.....",
        "Q01",
        "P02;R;0500;0,5;1,0;0,0;X;100,0;X;.OR.....",
        "Q02",
        "P03;K;0,25;X;0,5;X;5,00;X;X;...OR...",
        "Q03",
        "E04",
    ]


def test_a_batch_of_three_kinds_runs_with_its_own_routing() -> None:
    """Readings of section 8, each from its slot and with this run's number."""
    found = hand()
    mark = found.start(THREE)
    assert found.states()[-1] is TesterState.COMPLETE
    read = [found.hold(found.tester.result(mark, index)) for index in range(3)]
    assert [one.verdict for one in read] == ["pass", "pass", "pass"]
    assert read[0].values[Measured.TOTAL_CURRENT] == Reading(Decimal("0.0012097"))
    assert read[1].values[Measured.RESISTANCE] == Reading(Decimal(1487700000))
    assert read[2].values[Measured.RESISTANCE] == Reading(Decimal("4.02"))
    assert all(one.evidence == {Evidence.SLOT_ECHO, Evidence.COUNTER} for one in read)
    assert found.off().discharged
    assert found.stage.bench.violations == ()


def test_a_step_without_route_leaves_the_scanner_open_and_a_bound_is_read() -> None:
    """Rear sockets alone; 9,9999;+99 is above the range's end, 10 Gohm."""
    found = hand()
    (stored, *_) = found.prepare(f"{{kind: insulation, level: 1000 V, {TIMES}, at_least: 1 Mohm}}")
    assert stored.endswith(b";........\x03" + bytes([lrc(stored[1:-2])]))
    mark = found.hold(found.tester.start())
    found.states()
    reading = found.hold(found.tester.result(mark, 0))
    assert reading.values[Measured.RESISTANCE] == Reading(Decimal(10_000_000_000), "above")


def test_a_stop_is_one_byte_and_answers_nothing() -> None:
    """CAN; the status tells when it is off and discharged."""
    found = hand()
    mark = found.start(AC.replace("dwell: 2 s", "dwell: 20 s"))
    found.stage.clock.advance(2.0)
    found.hold(found.tester.poll())
    found.stop()
    assert found.pump.sent[-1] == b"\x18"
    proof = found.off()
    assert (proof.off, proof.discharged) == (True, True)
    assert found.hold(found.tester.result(mark, 0)).cause == "stopped"


def test_an_opened_guard_is_watched_after_arming_and_latches() -> None:
    """V0 after power-up: arming is asked back; then the guard ends the run."""
    found = Hand(ManualBench(), HERE, units={"own": None})
    assert not found.hold(found.tester.check_armed())
    found.connect()
    assert found.hold(found.tester.check_armed())
    mark = found.start(AC.replace("dwell: 2 s", "dwell: 20 s"))
    found.stage.clock.advance(2.0)
    found.stage.happen("guard opens")
    found.stage.clock.advance(0.2)
    assert found.hold(found.tester.interlock()) is False
    assert found.hold(found.tester.poll()).latched_open
    assert found.hold(found.tester.result(mark, 0)).cause == "guard opened"
    found.stage.happen("guard shuts")
    with pytest.raises(InstrumentRefused, match="latch is set"):
        found.start(AC)
    found.hold(found.tester.reset_trip())
    found.start(AC)


def test_a_step_stored_otherwise_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """One role differs in what Q01 answers: a mismatch, nothing is started."""
    found = hand()
    instrument: Any = found.stage.instrument
    work = instrument._carry_out

    def wrong(body: str) -> str:
        answer: str = work(body)
        return answer.replace("O.R.....", "O..R....") if body == "Q01" else answer

    monkeypatch.setattr(instrument, "_carry_out", wrong)
    with pytest.raises(SetupMismatch, match="channel_roles"):
        found.prepare(AC)


@pytest.mark.parametrize("mark", [2, 3, 0x18, 0x15])
def test_check_bytes_that_look_like_marks_do_no_harm(mark: int) -> None:
    """STX, ETX, CAN and NAK as check bytes of answers: known by their place behind ETX."""
    found = hand()
    serials = (f"SIM-{a}{b}" for a, b in product(ascii_letters + digits, repeat=2))
    bodies = (f"I;OSTWYN;MARL 8;{serial};2,0" for serial in serials)
    body = next(body for body in bodies if lrc(body.encode()) == mark)
    instrument: Any = found.stage.instrument
    instrument.serial = body.split(";")[3]
    assert frame(body)[-1] == mark
    assert found.hold(found.tester.identify()).serial == body.split(";")[3]
