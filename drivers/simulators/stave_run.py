"""The Varrowby Stave's runs: slot after slot, latches, results, after profiles/stave.md, 3 to 6."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from drivers.simulators.output import Output
from drivers.simulators.output_models import Kind, Order, Outcome, Phase, Reading, Traits, Verdict
from drivers.simulators.stave_memory import DWELL, KindFormat, Slot
from drivers.simulators.stave_wire import Refused

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.timers import Timer

TRAITS: Final = Traits(
    discharge_ohm=200e3,  # the prose gives times only: short with the usual capacitances
    discharged_v=30.0,
    trip_ac_a=0.033,
    trip_dc_a=0.011,
    insulation_most_a=0.001,
    bond_compliance_v=10.0,
    continuity_compliance_v=5.0,
    bond_range_ohm=2.0,
    continuity_range_ohm=50.0,
    terminal_ac_v=3000.0,
    terminal_dc_v=4200.0,
    bleed_least_s=0.020,
)
_BETWEEN_SLOTS_S: Final = 0.010
_GUARD_OFF_S: Final = 0.010
_DISCHARGE_PATIENCE_S: Final = 10.0

_KINDS: Final = {
    "BOND": Kind.BOND_AC,
    "CONT": Kind.CONT,
    "INSU": Kind.INSUL,
    "WAC": Kind.STAND_AC,
    "WDC": Kind.STAND_DC,
}
_PHASE_BITS: Final = {Phase.RISE: 0x0003, Phase.HOLD: 0x0005, Phase.FALL: 0x0009}
_WORDS: Final = {
    Verdict.PASS: "PASS",
    Verdict.HIGH: "ABOVE",
    Verdict.LOW: "BELOW",
    Verdict.BREAKDOWN: "BREAKDOWN",
    Verdict.SOURCE: "WEAK",
    Verdict.HALTED: "STOPPED",
    Verdict.BARRED: "GUARD",
}


@dataclass(frozen=True, slots=True)
class _Result:
    word: str
    text: str


class Runner:
    """The run machine around one output.

    Args:
        bench: whose timers and guard it follows.
        tester: name of the Stave on the bench.
    """

    def __init__(self, bench: Bench, tester: str) -> None:
        self.bench = bench
        self.output = Output(bench, tester, TRAITS, self._slot_ended, self._phase_changed)
        self._todo: tuple[tuple[int, Slot], ...] = ()
        self._number = 0
        self._slot: Slot | None = None
        self._between: Timer | None = None
        self._power_ups = 0
        self._guard_hit = False
        self._results: dict[int, _Result] = {}
        self._complete = self._failed = self._tripped = self._error = self._stopped = False
        bench.on_guard(self._guard_moved)

    # ---- looks

    @property
    def running(self) -> bool:
        """A run is on: from LAUNCH until its last slot is discharged."""
        return self._number != 0

    def status(self) -> str:
        """The data of STATUS?: four hex digits and the slot in work."""
        word, number = self._output_bits(), self._number
        if self.output.on and self.output.shown_phase is Phase.OFF:
            number = 0  # a status that lags the start shows what was before it
        flags = (
            (0x0040, self._complete),
            (0x0080, self._failed),
            (0x0100, self._tripped),
            (0x0200, not self.bench.interlock_closed),
            (0x0400, self._error),
            (0x0800, self._stopped),
        )
        # Bit 12, a CARRY that waits, can't be seen: a STATUS? waits until the CARRY is answered.
        word |= sum(bit for bit, is_set in flags if is_set)
        return f"STATUS {word:04X},{number}"

    def live(self) -> str:
        """The data of LIVE?."""
        if self._slot is None:
            return "LIVE 0,NONE,NONE"
        kind = self._slot.format
        if self.output.on:
            reading = self.output.reading()
            level, shown = reading.level, _reading(kind, reading)
        else:
            level = 0.0 if kind.is_current_source else self.output.residual_v()
            shown = "NONE"
        return f"LIVE {self._number},{kind.level.write(level)},{shown}"

    def result(self, number: int) -> str:
        """The data of RESULT?.

        Raises:
            Refused: 09, the slot has no result.
        """
        if number not in self._results:
            raise Refused(9)
        return f"RESULT {number},{self._results[number].text}"

    # ---- commands

    def launch(self, filled: tuple[tuple[int, Slot], ...]) -> None:
        """Run all filled slots.

        Raises:
            Refused: 06, or all that apply of 07, 08 and 10.
        """
        # Residual charge after power-up belongs to no run, but forbids another one just as much.
        if self.running or self._output_bits() != 0x0020:
            raise Refused(6)
        reasons = (
            (7, not self.bench.interlock_closed),
            (8, not filled),
            (10, self._tripped or self._error),
        )
        if codes := [code for code, holds in reasons if holds]:
            raise Refused(*codes)
        self._results.clear()
        self._complete = self._failed = self._stopped = self._guard_hit = False
        self._todo = filled
        self._next_slot()

    def quit(self) -> None:
        """Output off at once, the run is over; nothing to do where none is on."""
        if not self.running:
            return
        self._stopped = True
        self._todo = ()
        self.output.halt(Verdict.HALTED)
        self._leave_gap()

    def reset(self) -> None:
        """Clear latches and results.

        Raises:
            Refused: 06 while running; 07, tripped and the interlock still open.
        """
        if self.running:
            raise Refused(6)
        if self._tripped and not self.bench.interlock_closed:
            raise Refused(7)
        self._complete = self._failed = False  # section 2: bits 6, 7, 8, 10, 11
        self._tripped = self._error = self._stopped = False
        self._results.clear()

    def power_lost(self) -> None:
        """Output off, results and latches gone."""
        self._power_ups += 1
        self._todo, self._number, self._slot = (), 0, None
        self._forget_gap()
        self._results.clear()
        self._guard_hit = False
        self._complete = self._failed = self._tripped = self._error = self._stopped = False
        self.output.power_lost()

    # ---- slot after slot

    def _next_slot(self) -> None:
        if not self.bench.interlock_closed:
            self._guard_off(self._power_ups)
            return
        self._between = None
        (self._number, self._slot), *rest = self._todo
        self._todo = tuple(rest)
        self.output.start(_order(self._slot))

    def _slot_ended(self, outcome: Outcome) -> None:
        slot = self._slot
        if slot is None:
            return
        word = "GUARD" if self._guard_hit else _WORDS[outcome.verdict]
        self._results[self._number] = _Result(word, _result_text(slot, word, outcome))
        self._failed = self._failed or word != "PASS"
        over = word != "PASS" or not self._todo
        if not (over or self._stopped or self._tripped or self._error):
            self._between = self.bench.after(_BETWEEN_SLOTS_S, self._next_slot)
            return
        self._complete = not (self._stopped or self._tripped or self._error)
        self._run_over()

    def _run_over(self) -> None:
        self._todo, self._number, self._slot = (), 0, None

    def _leave_gap(self) -> None:
        """End a run that stands between two slots, where no discharge will end it."""
        if self._between is not None:
            self._forget_gap()
            self._run_over()

    def _forget_gap(self) -> None:
        if self._between is not None:
            self._between.cancel()
            self._between = None

    def _phase_changed(self) -> None:
        if self.output.phase is not Phase.BLEED or self._slot is None:
            return
        current_a = self.output.final_reading().total_a or 0.0
        trip_a = TRAITS.trip_dc_a if self._slot.kind == "WDC" else TRAITS.trip_ac_a
        if self._slot.format.is_withstand and current_a > trip_a:
            self._trip()
        since_s, power_ups = self.output.phase_since_s, self._power_ups

        def look() -> None:
            same = (since_s, power_ups) == (self.output.phase_since_s, self._power_ups)
            if same and self.output.phase is Phase.BLEED:
                self._error = True

        self.bench.after(_DISCHARGE_PATIENCE_S, look)

    def _trip(self) -> None:
        self._tripped = self._failed = True
        self._todo = ()

    # ---- interlock

    def _guard_moved(self, closed: bool) -> None:
        if not closed and self.running:
            power_ups = self._power_ups
            self.bench.after(_GUARD_OFF_S, lambda: self._guard_off(power_ups))

    def _guard_off(self, power_ups: int) -> None:
        if not self.running or power_ups != self._power_ups:
            return
        self._guard_hit = True
        self._trip()
        self.output.halt(Verdict.BARRED)
        self._leave_gap()

    def _output_bits(self) -> int:
        phase = self.output.shown_phase
        if phase in _PHASE_BITS:
            return _PHASE_BITS[phase]
        charged = phase is Phase.BLEED or self.output.residual_v() >= TRAITS.discharged_v
        return 0x0010 if charged else 0x0020


def _order(slot: Slot) -> Order:
    scale = slot.format.limit_scale
    return Order(
        kind=_KINDS[slot.kind],
        level=slot.level,
        rise_s=slot.rise_s,
        dwell_s=slot.dwell_s,
        fall_s=slot.fall_s,
        frequency_hz=60.0 if slot.frequency == "60Hz" else 50.0,
        upper=None if slot.at_most is None else slot.at_most * scale,
        lower=None if slot.at_least is None else slot.at_least * scale,
        upper_in_rise=slot.limits_from == "RISE",
    )


def _result_text(slot: Slot, word: str, outcome: Outcome) -> str:
    kind = slot.format
    done_s = math.floor(outcome.dwell_s * 10 + 1e-6) / 10  # tenths that were completed
    return ",".join(
        (
            slot.kind,
            word,
            kind.level.write(outcome.level),
            _reading(kind, outcome.reading),
            DWELL.write(done_s),
        )
    )


def _reading(kind: KindFormat, reading: Reading) -> str:
    base = reading.total_a if kind.is_withstand else reading.resistance_ohm
    if base is None:
        return "NONE"
    value = base / kind.limit_scale
    return "OVER" if value > kind.over else kind.limit.write(value)
