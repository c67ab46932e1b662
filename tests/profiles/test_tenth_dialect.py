"""A tenth dialect: prose first, then profile and simulator apart, no change in code.

Blocks between control characters with a raw check byte, places instead of separators, a decimal
comma, mantissa and exponent in fields that don't stand together, results pushed as events.
"""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import TypeVar

import pytest

from drivers.adapters.tester import ProfileTester
from drivers.language.checker import check_profile, render_report
from drivers.language.profile import load_profile, load_tester
from orchestrator.contract import CannotCarry, Pause, Receive, Reply, Send, StartMark, Talk
from orchestrator.errors import InstrumentRefused, LinkError, TimedOut
from orchestrator.model.record import Reading
from orchestrator.model.words import Evidence, Measured, TesterState
from orchestrator.running.framing import FrameReader
from tests.profiles.harness import order_of
from tests.profiles.tenth.simulator import ETX, STX, Osier, check_byte

HERE = Path(__file__).parent / "tenth"
PROFILE = str(HERE / "profile.yaml")
SLICE_S = 0.01
INSULATION = "{kind: insulation, level: 500 V, dwell: 1 s, at_least: 2 Mohm}"
T = TypeVar("T")


class Bench:
    """The adapter, the simulator, and time that passes while one waits."""

    def __init__(self, resistance_ohm: float = 1.25e9) -> None:
        self.osier = Osier(resistance_ohm)
        self.tester = ProfileTester(load_tester(PROFILE), "osier")
        self.reader = FrameReader()

    def hold(self, talk: Talk[T]) -> T:
        answer: Reply | None = None
        error: LinkError | None = None
        try:
            while True:
                wanted = talk.send(answer) if error is None else talk.throw(error)
                answer = error = None
                if isinstance(wanted, Send):
                    self.osier.feed(wanted.data)
                elif isinstance(wanted, Receive):
                    try:
                        answer = self._receive(wanted)
                    except TimedOut as caught:
                        error = caught
                else:
                    assert isinstance(wanted, Pause)
                    self.osier.pass_time(wanted.seconds)
        except StopIteration as stop:
            result: T = stop.value
            return result

    def _receive(self, wanted: Receive) -> Reply | None:
        left_s = wanted.within_s
        while True:
            for byte in self.osier.take():  # byte by byte, as a serial line gives them
                self.reader.feed(bytes([byte]))
            reply = self.reader.take(wanted.frame)
            if reply is not None:
                return reply
            if left_s <= 0:
                break
            self.osier.pass_time(SLICE_S)
            left_s -= SLICE_S
        if wanted.silence_ok and not self.reader.pending:
            return None
        raise TimedOut("no whole block", received=self.reader.pending)

    def start(self, text: str = INSULATION) -> StartMark:
        orders = tuple(self.tester.quantise(order) for order in order_of(text))
        self.hold(self.tester.prepare(orders))
        return self.hold(self.tester.start())

    def states(self, polls: int = 400) -> list[TesterState]:
        """The states seen until the run is over, each once."""
        seen: list[TesterState] = []
        for _ in range(polls):
            state = self.hold(self.tester.poll()).state
            if state not in seen[-1:]:
                seen.append(state)
            if state in (TesterState.COMPLETE, TesterState.OFF):
                break
        return seen

    def stop(self) -> None:
        """As the engine does it: bytes out, then what comes late is handed over."""
        for data in self.tester.stop_bytes:
            self.osier.feed(data)
        self.tester.stopped()
        self.tester.absorb(self.reader.drain() + self.osier.take())


def test_the_profile_is_sound() -> None:
    """The checker finds no fault; a raw check byte is allowed since every block has one length."""
    report = check_profile(load_profile(PROFILE))
    assert report.sound, render_report(report)


def test_a_run_passes_with_the_result_that_came_as_an_event() -> None:
    """Rising, dwelling, discharging, then the result; its decimal comma is read."""
    bench = Bench()
    assert bench.hold(bench.tester.identify()).simulated
    mark = bench.start()
    assert (
        bench.states()
        == [
            TesterState.RISING,
            TesterState.DWELLING,
            TesterState.DISCHARGING,
            TesterState.COMPLETE,
        ]
        or bench.hold(bench.tester.poll()).state is TesterState.OFF
    )
    reading = bench.hold(bench.tester.result(mark, 0))
    assert reading.verdict == "pass"
    assert reading.values[Measured.RESISTANCE] == Reading(Decimal(1250000000))
    assert reading.values[Measured.VOLTAGE] == Reading(Decimal(500))
    assert reading.evidence == {Evidence.EVENT}
    assert reading.cause == "limits kept"


def test_mantissa_and_exponent_travel_apart() -> None:
    """Section 2: 'PI' 0500 0100 0; what was taken is compared with the order."""
    bench = Bench()
    bench.start()
    assert (bench.osier.kind, bench.osier.level_v, bench.osier.dwell_s) == ("I", 500, 1.0)
    assert (bench.osier.least, bench.osier.most) == (20, None)


def test_a_reading_above_the_range_is_a_bound() -> None:
    """Section 3: ^^^^^^^^^ above 5 Gohm."""
    bench = Bench(resistance_ohm=8e9)
    mark = bench.start()
    bench.states()
    reading = bench.hold(bench.tester.result(mark, 0))
    assert reading.values[Measured.RESISTANCE] == Reading(Decimal(5000000000), "above")


def test_a_broken_limit_fails() -> None:
    """1 Mohm where at least 2 Mohm are wanted."""
    bench = Bench(resistance_ohm=1e6)
    mark = bench.start()
    bench.states()
    reading = bench.hold(bench.tester.result(mark, 0))
    assert (reading.verdict, reading.cause) == ("fail", "below the lower limit")


def test_results_of_the_other_kind_are_read_in_their_own_unit() -> None:
    """DC withstand reports mA where insulation reports Mohm, in the same places."""
    bench = Bench(resistance_ohm=1e6)
    mark = bench.start("{kind: withstand_dc, level: 2000 V, dwell: 0.5 s, at_most: 3 mA}")
    bench.states()
    reading = bench.hold(bench.tester.result(mark, 0))
    assert reading.verdict == "pass"
    assert reading.values[Measured.TOTAL_CURRENT] == Reading(Decimal("0.002"))


def test_only_a_stop_answered_by_the_event_proves_it_off() -> None:
    """The end of a run alone doesn't; after a stop the event does."""
    bench = Bench()
    bench.start()
    bench.states()
    assert not bench.hold(bench.tester.confirm_off()).off
    bench.stop()
    proofs = [bench.hold(bench.tester.confirm_off()) for _ in range(20)]
    assert proofs[-1].off
    assert proofs[-1].discharged


def test_without_the_event_it_never_counts_as_off() -> None:
    """Fault: the block !S is lost."""
    bench = Bench()
    bench.start()
    bench.osier.lose_safe = True
    bench.stop()
    assert not any(bench.hold(bench.tester.confirm_off()).off for _ in range(50))


def test_an_opened_lid_is_noticed_between_question_and_answer() -> None:
    """The event stands before the answer to the next question and isn't lost."""
    bench = Bench()
    bench.start()
    bench.osier.open_lid()
    assert bench.hold(bench.tester.interlock()) is False
    assert bench.hold(bench.tester.poll()).latched_open


def test_a_refusal_is_told_with_its_reason() -> None:
    """Section 1: ?03, the lid is open; nothing was started."""
    bench = Bench()
    bench.osier.lid_closed = False
    with pytest.raises(InstrumentRefused, match="the lid is open"):
        bench.start()
    assert bench.osier.starts == 0


def test_a_limit_that_it_needs_is_asked_for_before_anything_is_sent() -> None:
    """Section 2: I needs L."""
    bench = Bench()
    (order,) = order_of("{kind: insulation, level: 500 V, dwell: 1 s}")
    with pytest.raises(CannotCarry, match="at_least"):
        bench.tester.quantise(order)


def test_the_manual_s_own_dialogue_is_what_the_simulator_says() -> None:
    """Section 5, so that prose, profile and simulator are three witnesses."""
    block = re.search(
        r"^```\n(> W.*?)^```", (HERE / "manual.md").read_text("utf-8"), re.MULTILINE | re.DOTALL
    )
    assert block is not None
    osier, told = Osier(), ""
    for line in block[1].splitlines():
        if line.startswith("> "):
            covered = b"04" + line[2:].encode() + bytes([ETX])
            osier.feed(bytes([STX]) + covered + bytes([check_byte(covered)]))
        else:
            told += line[2:].ljust(28)
        osier.pass_time(2.0 if line == "< G" else 0.0)
    said = osier.take()
    bodies = [said[i + 3 : i + 31].decode() for i in range(0, len(said), 33)]
    assert "".join(bodies) == told


@pytest.mark.parametrize("mark", [STX, ETX])
def test_check_bytes_that_look_like_marks_do_no_harm(mark: int) -> None:
    """Raw check bytes 0x02 and 0x03 occur in answers; blocks are told apart by their length."""
    found = [
        (level, dwell)
        for level in range(50, 3001, 10)
        for dwell in range(9900, 10000)
        if check_byte(b"04" + f"PD{level:04d}{dwell:04d}0".ljust(28).encode() + bytes([ETX]))
        == mark
    ]
    assert found
    for level, dwell in found[:20]:
        bench = Bench()
        bench.start(f"{{kind: withstand_dc, level: {level} V, dwell: {dwell}0 ms, at_most: 1 mA}}")
        assert (bench.osier.level_v, bench.osier.dwell_s) == (level, dwell / 100)
