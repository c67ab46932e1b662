"""A simulated Dunmarrow Pell (an invented instrument), after profiles/pell.md."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from drivers.simulators.base import LineInstrument, simulated
from drivers.simulators.output import Output
from drivers.simulators.output_models import Outcome, Phase, Reading, Traits, Verdict
from drivers.simulators.pell_setup import KINDS, WIDTHS, KindTraits, Refusal, Setup

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.timers import Timer

TRAITS = Traits(
    discharge_ohm=100e3,
    discharged_v=30.0,
    trip_ac_a=0.045,
    trip_dc_a=0.012,
    insulation_most_a=0.002,
    bond_compliance_v=8.0,
    continuity_compliance_v=6.0,
    bond_range_ohm=2.0,
    continuity_range_ohm=50.0,
    terminal_ac_v=4300.0,
    terminal_dc_v=6000.0,
    continuity_four_wire=True,
)
VERDICTS = {
    Verdict.PASS: "P",
    Verdict.HIGH: "H",
    Verdict.LOW: "L",
    Verdict.BREAKDOWN: "B",
    Verdict.FLASH: "B",
    Verdict.SOURCE: "N",
    Verdict.HALTED: "S",
    Verdict.BARRED: "D",
    Verdict.LAPSED: "E",
}
STATES = {Phase.RISE: "11", Phase.HOLD: "12", Phase.FALL: "13", Phase.BLEED: "21"}
QUERIES = frozenset({"ID", "QM", "QS", "QT", "QI", "QL", "QR"})
ACTIONS = frozenset({"KA", "GO", "ST", "CL"})
CHARACTER_S = 0.00104
ECHO_S = 0.002
SETTING_S, QUERY_S, START_S, STOP_S = 0.030, 0.010, 0.030, 0.020
LAPSE_S = 5.0
INTERLOCK_S = 0.010
KEPT_LINES = 4


class Pell(LineInstrument):
    """The tester on a serial line: echo, data line, acknowledge; remote mode lapses.

    Args:
        bench: it stands on.
        name: on the bench; its terminals are output, return, high-current output, high-current
            return, sense high, sense low.
        serial: in its identity; begins with 'SIM-'.
        lag_s: how long after the K of GO its state still shows the one before.

    Attributes:
        internal_fault: state 50, for tests.
    """

    end = b"\r"
    longest = 24
    boot_s = 1.5

    def __init__(
        self, bench: Bench, name: str, *, serial: str = "SIM-0093", lag_s: float = 0.060
    ) -> None:
        super().__init__(bench, name)
        self._identity = f"DUNMARROW,PELL,{simulated(serial)},V1.4"
        self.internal_fault = False
        self._setup = Setup()
        self._remote = self._trip = self._trip_pending = False
        self._result: str | None = None
        self._queue: deque[tuple[bytes, bool]] = deque()
        self._busy = False
        self._working = 0
        self._done_s = 0.0
        self._lapse: Timer | None = None
        self.output = Output(bench, name, TRAITS, self._ended)
        self.output.faults.start_lag_s = lag_s + START_S
        bench.on_guard(self._interlock_moved)

    # ---- lines

    def _received(self, data: bytes) -> None:
        super()._received(data.replace(b"\n", b""))

    def _line_came(self, line: bytes, too_long: bool) -> None:
        if not line or self.faults.deaf:
            return
        self._keep_remote()
        is_stop = line == b"ST" and not too_long
        if is_stop:
            self.output.halt(Verdict.HALTED)
        if not self._busy:
            self._work_off(line, too_long)
        elif is_stop or len(self._queue) < KEPT_LINES:
            self._queue.append((line, too_long))

    def _work_off(self, line: bytes, too_long: bool) -> None:
        self._busy = True
        self._working += 1
        self._done_s = 0.0
        turn = self._working

        def next_line() -> None:
            if turn != self._working:
                return
            self._busy = False
            if self._queue:
                self._work_off(*self._queue.popleft())

        self.answer(line, lambda: self._work(line, too_long))
        self.bench.after(self._done_s, next_line)

    def _work(self, line: bytes, too_long: bool) -> None:
        self._done_s = self._exchange(line, too_long)

    def _exchange(self, line: bytes, too_long: bool) -> float:
        """Echo, data line, acknowledge; returns when the last character is out."""
        at_s = ECHO_S + (len(line) + 1) * CHARACTER_S
        self.emit(line + b"\r", at_s)
        try:
            data, delay_s = self._carry_out(line, too_long)
            acknowledge = "K"
        except Refusal as refusal:
            data, delay_s, acknowledge = None, QUERY_S, f"R{refusal.code:02d}"
        if data is not None:
            at_s += (len(data) + 1) * CHARACTER_S
            self.reply(data, at_s)
        at_s += delay_s
        self.reply(acknowledge, at_s)
        return at_s

    # ---- commands

    def _carry_out(self, line: bytes, too_long: bool) -> tuple[str | None, float]:
        if too_long:
            raise Refusal(11)
        text = line.decode("latin-1")
        letters, rest = text[:2], text[2:]
        if letters in QUERIES:
            _no_more(rest)
            return self._query(letters), QUERY_S
        if letters in ACTIONS:
            _no_more(rest)
            return None, self._act(letters)
        if letters == "RM":
            _digits(rest, 1)
            self._set_remote(rest)
            return None, SETTING_S
        if letters not in WIDTHS:
            raise Refusal(1)
        _digits(rest, WIDTHS[letters])
        self._may(remote=True, sound=True, idle=True)
        if letters == "SK":
            self._setup = self._setup.choose(rest)
        else:
            self._setup.set(letters, rest)
        return None, SETTING_S

    def _query(self, letters: str) -> str:
        if letters == "ID":
            return self._identity
        if letters == "QM":
            return "1" if self._remote else "0"
        if letters == "QS":
            return self._setup.told()
        if letters == "QT":
            return self._state()
        if letters == "QI":
            return "1" if self.bench.interlock_closed else "0"
        if letters == "QL":
            return self._live()
        if self._result is None:
            raise Refusal(8)
        return self._result

    def _act(self, letters: str) -> float:
        if letters == "KA":
            self._may(remote=True)
            return QUERY_S
        if letters == "ST":
            self.output.halt(Verdict.HALTED)
            return STOP_S
        self._may(remote=True, sound=True, idle=True)
        closed = self.bench.interlock_closed
        if letters == "CL":
            if self._trip and not closed:
                raise Refusal(6)
            self._trip, self._result = False, None
            return SETTING_S
        if self._trip:
            raise Refusal(9)
        if not closed:
            raise Refusal(6)
        self.output.start(self._setup.order())
        return START_S

    def _set_remote(self, digit: str) -> None:
        self._may(idle=True)
        if digit not in {"0", "1"}:
            raise Refusal(4)
        self._remote = digit == "1"
        if self._remote:
            self._setup = Setup()
        self._keep_remote()

    def _may(self, *, remote: bool = False, sound: bool = False, idle: bool = False) -> None:
        if remote and not self._remote:
            raise Refusal(3)
        if sound and self.internal_fault:
            raise Refusal(10)
        if idle and self.output.running:
            raise Refusal(5)

    # ---- state

    def _state(self) -> str:
        if self.internal_fault:
            return "50"
        phase = self.output.shown_phase
        if phase is not Phase.OFF:
            return STATES[phase]
        if self._trip:
            return "40"
        return "00" if self._result is None else "30"

    def _live(self) -> str:
        output, level, reading = self.output, 0.0, "-----"
        lagging = output.shown_phase is not output.phase
        if output.order is not None and output.running and not lagging:
            traits = _traits_of(output)
            now = output.reading()
            # While discharging, what is left on the terminals; a charge only kinds 3 to 5 leave.
            level = (now.level if output.on else output.residual_v()) / traits.level_unit
            if output.on and now.level > 0:
                reading = _counts(traits, now)
        tenths = min(999, int(output.seconds_in_phase * 10 + 1e-6))
        return f"{self._state()}{min(9999, round(level)):04d}{reading}{tenths:03d}"

    def _ended(self, outcome: Outcome) -> None:
        digit = next(d for d, t in KINDS.items() if t.kind is outcome.order.kind)
        traits = KINDS[digit]
        level = round(outcome.level / traits.level_unit)
        dwell = min(999, round(outcome.dwell_s * 10))
        reading = _counts(traits, outcome.reading)
        self._result = f"{digit}{VERDICTS[outcome.verdict]}{level:04d}{reading}{dwell:03d}"
        self._trip, self._trip_pending = self._trip or self._trip_pending, False

    # ---- events

    def _keep_remote(self) -> None:
        if self._lapse is not None:
            self._lapse.cancel()
            self._lapse = None
        if self._remote:
            self._lapse = self.bench.after(LAPSE_S, self._lapsed)

    def _lapsed(self) -> None:
        self._remote = False
        self._end_with_trip(Verdict.LAPSED)

    def _interlock_moved(self, closed: bool) -> None:
        if not closed and self.output.on:
            self.bench.after(INTERLOCK_S, lambda: self._end_with_trip(Verdict.BARRED))

    def _end_with_trip(self, verdict: Verdict) -> None:
        if self.output.on:
            self._trip_pending = True
            self.output.halt(verdict)

    def _powered_up(self) -> None:
        super()._powered_up()
        self.output.power_lost()
        self._setup = Setup()
        self._remote = self._trip = self._trip_pending = self.internal_fault = False
        self._result = None
        self._queue.clear()
        self._busy = False
        self._working += 1
        self._keep_remote()


def _traits_of(output: Output) -> KindTraits:
    return next(t for t in KINDS.values() if output.order and t.kind is output.order.kind)


def _counts(traits: KindTraits, reading: Reading) -> str:
    counts = traits.reading(reading)
    if counts is None:
        return "-----"
    return "^^^^^" if counts > traits.range_counts else f"{round(counts):05d}"


def _digits(text: str, width: int) -> None:
    if len(text) != width or not (text.isascii() and text.isdigit()):
        raise Refusal(2)


def _no_more(text: str) -> None:
    if text:
        raise Refusal(2)
