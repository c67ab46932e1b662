"""The Quorrick Dapple, a safety tester that tells its results unasked, after its manual alone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from drivers.simulators.base import LineInstrument, simulated
from drivers.simulators.output import Output
from drivers.simulators.output_models import Kind, Outcome, Phase, Reading, Traits, Verdict
from tests.profiles.unknown.dapple.notation import (
    Refused,
    checksum,
    figures,
    show_current,
    show_volts,
    telegram,
)
from tests.profiles.unknown.dapple.plan import Plan, parse_plan

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

TRAITS: Final = Traits(
    discharge_ohm=150e3,
    discharged_v=30.0,
    trip_ac_a=0.045,
    trip_dc_a=0.018,
    insulation_most_a=0.0015,
    bond_compliance_v=11.0,
    continuity_compliance_v=11.0,
    bond_range_ohm=2.0,
    continuity_range_ohm=2.0,
    terminal_ac_v=3000.0,
    terminal_dc_v=4200.0,
)
_ANSWER_S: Final = 0.004
_EVENT_S: Final = 0.002
_RESULT_AFTER_SAFE_S: Final = 0.030
_DOOR_OFF_S: Final = 0.010
_HIGHEST_RUN: Final = 999

_STATES: Final = {
    Phase.OFF: "IDLE",
    Phase.RISE: "RISE",
    Phase.HOLD: "DWELL",
    Phase.FALL: "DWELL",
    Phase.BLEED: "DRAIN",
}
_WORDS: Final = {
    Verdict.PASS: "GOOD",
    Verdict.HIGH: "HIGH",
    Verdict.LOW: "LOW",
    Verdict.BREAKDOWN: "BREAK",
    Verdict.SOURCE: "WEAK",
    Verdict.HALTED: "STOPPED",
    Verdict.BARRED: "DOOR",
}
_MOST_SHOWN_A: Final = {Kind.STAND_AC: 0.04, Kind.STAND_DC: 0.015}
_OHM: Final = (("KOHM", 1e3), ("MOHM", 1e6), ("GOHM", 1e9))
_SMALL_OHM: Final = (("mOHM", 1e-3), ("OHM", 1.0))


class Dapple(LineInstrument):
    """One Dapple.

    Args:
        bench: whose clock and wiring it lives with.
        name: on the bench; its terminals are output, return, high_current_output,
            high_current_return, sense_high, sense_low.
        serial: begins with 'SIM-'.
        station: its address on the line, 1 to 31.

    Raises:
        ValueError: the serial number could be a real one's, or the address is out of range.
    """

    boot_s = 1.5
    end = b"\r"
    longest = 120

    def __init__(
        self, bench: Bench, name: str, *, serial: str = "SIM-6031", station: int = 7
    ) -> None:
        super().__init__(bench, name)
        if not 1 <= station <= 31:
            raise ValueError(f"{name}: station {station} is out of 1 to 31")
        self.serial = simulated(serial)
        self.station = station
        self._plan: Plan | None = None
        self._run = 0
        self._latched = False
        self._power_ups = 0
        self._busy_until_s = bench.now_s
        self.output = Output(bench, name, TRAITS, self._ended, self._phase_changed)
        bench.on_guard(self._door_moved)

    # ---- telegrams

    def _work(self, line: bytes, too_long: bool) -> None:
        line = line.lstrip(b"\n")
        start = b"%02d" % self.station
        if too_long or not line.startswith(start) or line[-3:-2] != b"*":
            return
        if checksum(line[:-2]) != line[-2:]:
            return
        body = line[2:-3].decode("latin-1")
        if self.bench.now_s < self._busy_until_s - 1e-9 and body != "OFF":
            return  # before the prompt only OFF is heard
        self._busy_until_s = self.bench.now_s + _ANSWER_S
        word, *items = body.split(",")
        try:
            answer = self._carry_out(word, tuple(items))
        except Refused as refused:
            answer = f"NO={refused.number:02d}"
        if answer is not None:
            self._send(answer, _ANSWER_S)
        self.emit(b"%02d>" % self.station, _ANSWER_S)
        if word == "GO" and answer is not None and answer.startswith("GO"):
            self._send(f"!START,RUN={self._run:03d}", _ANSWER_S + _EVENT_S)

    def _carry_out(self, word: str, items: tuple[str, ...]) -> str | None:
        if word == "PLAN":
            if self.output.running:
                raise Refused(7)
            self._plan = parse_plan(items, self._plan)
            return self._plan.text()
        if items:
            raise Refused(1)
        if word == "WHO":
            return f"WHO,MAKER=QUORRICK,TYPE=DAPPLE,SERIAL={self.serial},ISSUE=1.4"
        if word == "HOW":
            door = "SHUT" if self.bench.guard_closed else "OPEN"
            latch = "SET" if self._latched else "CLEAR"
            state = _STATES[self.output.shown_phase]
            return f"HOW={state},DOOR={door},LATCH={latch},RUN={self._run:03d}"
        if word == "GO":
            self._go()
            return f"GO,RUN={self._run:03d}"
        if word == "OFF":
            self._off()
            return None
        if word == "CLEAR":
            if not self.bench.guard_closed:
                raise Refused(8)
            self._latched = False
            return None
        raise Refused(1)

    def _send(self, body: str, after_s: float) -> None:
        self.emit(telegram(self.station, body) + b"\r\n", after_s)

    def _event(self, body: str, after_s: float = _EVENT_S) -> None:
        self._send(f"!{body}", after_s)

    # ---- the test

    def _go(self) -> None:
        if self.output.running:
            raise Refused(7)
        if self._latched:
            raise Refused(10)
        if not self.bench.guard_closed:
            raise Refused(8)
        if self._plan is None:
            raise Refused(9)
        self._run = self._run % _HIGHEST_RUN + 1
        self.output.start(self._plan.order())

    def _off(self) -> None:
        if self.output.running:
            self.output.halt(Verdict.HALTED)
        else:
            self._event(f"SAFE,RUN={self._run:03d}", _ANSWER_S + _EVENT_S)

    def _phase_changed(self) -> None:
        phase = self.output.phase
        if phase is Phase.HOLD:
            self._event(f"DWELL,RUN={self._run:03d}")
        elif phase is Phase.BLEED:
            self._event(f"DRAIN,RUN={self._run:03d}")

    def _ended(self, outcome: Outcome) -> None:
        self._event(f"SAFE,RUN={self._run:03d}")
        body = f"END,RUN={self._run:03d},SAYS={_WORDS[outcome.verdict]}," + _figures(outcome)
        power_ups = self._power_ups

        def tell() -> None:
            if self._power_ups == power_ups:
                self._event(body)

        self.bench.after(_RESULT_AFTER_SAFE_S, tell)

    # ---- door and power

    def _door_moved(self, closed: bool) -> None:
        if self.bench.now_s < self._ready_s:
            return
        self._event(f"DOOR,IS={'SHUT' if closed else 'OPEN'}")
        if not closed and self.output.on:
            self._latched = True
            starts, power_ups = self.output.starts, self._power_ups

            def off() -> None:
                if self.output.starts == starts and self._power_ups == power_ups:
                    self.output.halt(Verdict.BARRED)

            self.bench.after(_DOOR_OFF_S, off)

    def _powered_up(self) -> None:
        super()._powered_up()
        self._power_ups += 1
        self._plan, self._run, self._latched = None, 0, False
        self._busy_until_s = self.bench.now_s
        self.output.power_lost()
        self._outbox.clear()
        self._event(f"READY,SERIAL={self.serial}", self.boot_s)


def _figures(outcome: Outcome) -> str:
    """The readings of an END line; NONE where the test never came to its dwell."""
    kind, reading = outcome.order.kind, outcome.reading
    none = outcome.dwell_s == 0 and outcome.verdict in {Verdict.HALTED, Verdict.BARRED}
    if kind is Kind.BOND_AC:
        shown = f"I={outcome.level:.1f}A,R={'NONE' if none else _bond(reading)}"
    elif kind is Kind.INSUL:
        shown = f"U={show_volts(outcome.level)},R={'NONE' if none else _insulation(reading)}"
    else:
        shown = f"U={show_volts(outcome.level)},I={'NONE' if none else _current(kind, reading)}"
    return f"{shown},T={outcome.dwell_s:.1f}s"


def _current(kind: Kind, reading: Reading) -> str:
    value = reading.total_a or 0.0
    if value > _MOST_SHOWN_A[kind]:
        return f">{show_current(_MOST_SHOWN_A[kind])}"
    return "<1.00uA" if value < 1e-6 else show_current(value)


def _insulation(reading: Reading) -> str:
    ohm = math.inf if reading.resistance_ohm is None else reading.resistance_ohm
    if ohm > 20e9:
        return ">20.00GOHM"
    return "<100.0KOHM" if ohm < 100e3 else figures(ohm, 4, _OHM)


def _bond(reading: Reading) -> str:
    ohm = math.inf if reading.resistance_ohm is None else reading.resistance_ohm
    if ohm > 2.0:
        return ">2.000OHM"
    return "<1.000mOHM" if ohm < 1e-3 else figures(ohm, 4, _SMALL_OHM)
