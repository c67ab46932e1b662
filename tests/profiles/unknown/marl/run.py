"""The runs of the Ostwyn Marl 8: slot after slot, scanner and status, after its manual alone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from drivers.simulators.output import Output
from drivers.simulators.output_models import Kind, Outcome, Phase, Reading, Traits, Verdict
from drivers.simulators.relays import BankTraits, RelayUnit
from tests.profiles.unknown.marl.notation import CHANNELS, Refused, Step, mantissa

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.timers import Timer

BANK: Final = "scan"
TRAITS: Final = Traits(
    discharge_ohm=180e3,
    discharged_v=25.0,
    trip_ac_a=0.024,
    trip_dc_a=0.012,
    insulation_most_a=0.0012,
    bond_compliance_v=6.0,
    continuity_compliance_v=6.0,
    bond_range_ohm=100.0,
    continuity_range_ohm=100.0,
    terminal_ac_v=4000.0,
    terminal_dc_v=5000.0,
)
SCANNER: Final = {BANK: BankTraits(CHANNELS, 4000.0, 5660.0, 5600.0, 2.0)}
_OPEN_S, _REST_S = 0.015, 0.040
_SETTLE_S: Final = 0.045
_GUARD_OFF_S: Final = 0.010
_REFRESH_S: Final = 0.050
_HIGHEST_RUN: Final = 9999

_PHASE_BITS: Final = {
    Phase.OFF: 1,
    Phase.RISE: 2,
    Phase.HOLD: 4,
    Phase.FALL: 8,
    Phase.BLEED: 16,
}
_LETTERS: Final = {
    Verdict.PASS: "P",
    Verdict.HIGH: "U",
    Verdict.LOW: "L",
    Verdict.BREAKDOWN: "F",
    Verdict.SOURCE: "W",
    Verdict.HALTED: "H",
    Verdict.BARRED: "G",
}
ABOVE, BELOW, NONE = "9,9999;+99", "0,0000;-99", "-,----;+00"
_MOST_SHOWN: Final = {Kind.STAND_AC: 20e-3, Kind.STAND_DC: 10e-3, Kind.INSUL: 10e9, Kind.CONT: 50.0}
_LEAST_SHOWN: Final = {Kind.STAND_AC: 1e-6, Kind.STAND_DC: 1e-6, Kind.INSUL: 1e4, Kind.CONT: 1e-3}


class Runner:
    """Output, scanner and the run through the slots.

    Args:
        bench: whose timers and guard it follows.
        tester: name of the Marl on the bench.
        unit: name of the scanner's unit in the wiring, 'tester/unit'.
    """

    def __init__(self, bench: Bench, tester: str, unit: str) -> None:
        self.bench = bench
        self.scanner = RelayUnit(bench, tester, unit, SCANNER, open_s=_OPEN_S, rest_s=_REST_S)
        self.armed = False
        self.run = 0
        self._todo: tuple[tuple[int, Step], ...] = ()
        self._number = 0
        self._step: Step | None = None
        self._settling: Timer | None = None
        self._closing_down = False
        self._complete = self._failed = self._latched = self._stopped = False
        self._results: dict[int, str] = {}
        self._history: list[tuple[float, str]] = []
        self.output = Output(bench, tester, TRAITS, self._ended, self._changed)
        bench.on_guard(self._guard_moved)
        self._changed()

    # ---- looks

    @property
    def busy(self) -> bool:
        """A run is on, its discharge and the opening of its contacts included."""
        return self._number != 0 or self._closing_down or self.output.running

    def status(self) -> str:
        """The T answer: what stood there at the last refresh."""
        tick_s = math.floor(self.bench.now_s / _REFRESH_S + 1e-9) * _REFRESH_S
        shown = self._history[0][1]
        for at_s, text in self._history:
            if at_s <= tick_s + 1e-9:
                shown = text
        return f"T;{shown}"

    def refresh(self) -> None:
        """Stop commands refresh the status at once."""
        self._history = [(0.0, self._now())]

    def live(self) -> str:
        """The M answer: now, without the refresh."""
        if self.output.on and self._step is not None:
            reading = self.output.reading()
            return f"M;{self._number:02d};{mantissa(reading.level)};{self._value(reading)}"
        return f"M;{self._number:02d};{mantissa(max(self.output.voltage()))};{NONE}"

    def result(self, number: int) -> str:
        """The R answer. Raises Refused 09."""
        if number not in self._results:
            raise Refused(9)
        return f"R{number:02d};{self._results[number]}"

    def _now(self) -> str:
        ready = self.output.phase is Phase.OFF and not self.busy
        bits = 0 if self.output.phase is Phase.OFF else _PHASE_BITS[self.output.phase]
        flags = (
            (1, ready),
            (32, self._complete),
            (64, self._failed),
            (128, not self.bench.guard_closed),
            (256, self.armed),
            (512, self._latched),
            (1024, self._stopped),
            (2048, self._settling is not None),
        )
        bits += sum(bit for bit, is_set in flags if is_set)
        return f"{bits:05d};{self._number:02d};{self.run:04d}"

    def _changed(self) -> None:
        now_s = self.bench.now_s
        tick_s = math.floor(now_s / _REFRESH_S + 1e-9) * _REFRESH_S
        old = [entry for entry in self._history if entry[0] <= tick_s]
        self._history = [*old[-1:], *(e for e in self._history if e[0] > tick_s)]
        self._history.append((now_s, self._now()))

    # ---- commands

    def start(self, todo: tuple[tuple[int, Step], ...]) -> str:
        """Run slots. Raises Refused."""
        if self.busy:
            raise Refused(6)
        if self._latched:
            raise Refused(10)
        if self.armed and not self.bench.guard_closed:
            raise Refused(7)
        if not todo:
            raise Refused(8)
        self.run = self.run % _HIGHEST_RUN + 1
        self._results.clear()
        self._complete = self._failed = self._stopped = False
        self._todo = todo
        self._next()
        return f"G;{self.run:04d}"

    def stop(self) -> None:
        """Output off at once; the run is over."""
        if self._number:
            self._stopped = True
            self._cut(Verdict.HALTED)
        self.refresh()

    def arm(self, armed: bool) -> None:
        """Watch the guard contact or not. Raises Refused."""
        if self.busy:
            raise Refused(6)
        self.armed = armed
        self._changed()

    def clear(self) -> None:
        """Forget the latch. Raises Refused."""
        if self.busy:
            raise Refused(6)
        if not self.bench.guard_closed:
            raise Refused(7)
        self._latched = False
        self._changed()

    def power_lost(self) -> None:
        """Everything off and forgotten but the steps."""
        if self._settling is not None:
            self._settling.cancel()
        self._todo, self._number, self._step, self._settling = (), 0, None, None
        self._complete = self._failed = self._latched = self._stopped = False
        self._closing_down = self.armed = False
        self.run = 0
        self._results.clear()
        self.output.power_lost()
        self.scanner.power_lost()
        self.refresh()

    # ---- slot after slot

    def _next(self) -> None:
        (self._number, self._step), *rest = self._todo
        self._todo = tuple(rest)
        self.scanner.put(BANK, self._step.routing())
        self._settling = self.bench.after(_SETTLE_S, self._energise)
        self._changed()

    def _energise(self) -> None:
        self._settling = None
        if self._step is not None:
            self.output.start(self._step.order())

    def _cut(self, verdict: Verdict) -> None:
        self._todo = ()
        if self._settling is not None and self._number:
            self._settling.cancel()
            self._settling = None
            letter = _LETTERS[verdict]
            self._results[self._number] = f"{self.run:04d};{letter};0,0000;+00;{NONE};0,0"
            self._failed = True
            self._over()
        else:
            self.output.halt(verdict)

    def _ended(self, outcome: Outcome) -> None:
        if self._step is None:
            return
        letter = _LETTERS[outcome.verdict]
        value = NONE
        if outcome.dwell_s > 0 or outcome.verdict not in {Verdict.HALTED, Verdict.BARRED}:
            value = self._value(outcome.reading)
        dwell = f"{outcome.dwell_s:.1f}".replace(".", ",")
        level = mantissa(outcome.level)
        self._results[self._number] = f"{self.run:04d};{letter};{level};{value};{dwell}"
        self._failed = self._failed or letter != "P"
        if letter == "P" and self._todo and not self._stopped:
            self._next()
        else:
            self._over()

    def _over(self) -> None:
        self._todo, self._number, self._step = (), 0, None
        self._closing_down = True
        self.scanner.open_all()
        self._settling = self.bench.after(_SETTLE_S, self._done)
        self._changed()

    def _done(self) -> None:
        self._settling = None
        self._closing_down = False
        self._complete = not (self._stopped or self._latched)
        self._changed()

    def _guard_moved(self, closed: bool) -> None:
        self._changed()
        if closed or not self.armed or not self._number:
            return
        self._latched = True
        run = self.run

        def off() -> None:
            if self.run == run and self._number:
                self._cut(Verdict.BARRED)

        self.bench.after(_GUARD_OFF_S, off)

    def _value(self, reading: Reading) -> str:
        if self._step is None:
            return NONE
        kind = self._step.format.kind
        value = reading.total_a if kind.withstand else reading.resistance_ohm
        if value is None:
            return NONE
        if value > _MOST_SHOWN[kind]:
            return ABOVE
        return BELOW if value < _LEAST_SHOWN[kind] else mantissa(value)
