"""A simulated Quillhaven Orrin (an invented instrument), after profiles/orrin.md."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from drivers.simulators.base import LineInstrument, simulated
from drivers.simulators.error_queue import COMPLETE, POWER_ON, ErrorQueue, ScpiError
from drivers.simulators.orrin_setup import (
    KINDS,
    NO_VALUE,
    OVER_RANGE,
    SETTINGS,
    Setup,
    exponent,
    number,
    word,
)
from drivers.simulators.output import Output
from drivers.simulators.output_models import Outcome, Phase, Reading, Traits, Verdict

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

TRAITS = Traits(
    discharge_ohm=100e3,
    discharged_v=25.0,
    trip_ac_a=0.11,
    trip_dc_a=0.022,
    insulation_most_a=0.002,
    bond_compliance_v=12.0,
    continuity_compliance_v=6.0,
    bond_range_ohm=2.0,
    continuity_range_ohm=60.0,
    terminal_ac_v=5000.0,
    terminal_dc_v=6000.0,
)
VERDICTS = {
    Verdict.PASS: "PASS",
    Verdict.HIGH: "HIGH",
    Verdict.BREAKDOWN: "HIGH",
    Verdict.LOW: "LOW",
    Verdict.FLASH: "FLASH",
    Verdict.HALTED: "HALTED",
    Verdict.BARRED: "BARRED",
    Verdict.SOURCE: "SOURCE",
    Verdict.LAPSED: "HALTED",
}
OWN_ERRORS = {
    301: "Guard open",
    302: "Trip latched",
    303: "Discharge overdue",
    304: "Source fault",
}
LONGEST = 120
INSULATION_RANGE_OHM = 1e10
DOOR_S = 0.010
CLOSED_LINK_S = 0.030
OVERDUE_S = 10.0


class Orrin(LineInstrument):
    """The tester with a command tree, an error queue and a result counter.

    Args:
        bench: it stands on.
        name: on the bench; its terminals are output, return, high-current output, high-current
            return, sense high, sense low.
        serial: in its identity; begins with 'SIM-'.
        link_watch: it notices when its connection is closed (TCP yes, GPIB no).
        latency_s: time a query's answer takes.
    """

    longest = LONGEST + 1  # room for the CR that doesn't count

    def __init__(
        self,
        bench: Bench,
        name: str,
        *,
        serial: str = "SIM-00417",
        link_watch: bool = True,
        latency_s: float = 0.002,
    ) -> None:
        super().__init__(bench, name)
        self._identity = f"QUILLHAVEN,ORRIN,{simulated(serial)},2.31"
        self._link_watch = link_watch
        self._latency_s = latency_s
        self._errors = ErrorQueue(OWN_ERRORS)
        self._setup = Setup()
        self._watch = self._trip = self._trip_pending = False
        self._count = 0
        self._result: str | None = None
        self._masks = {"*ESE": 0, "*SRE": 0}
        self.output = Output(bench, name, TRAITS, self._ended, self._phase_changed)
        bench.on_guard(self._door_moved)
        self._queries = self._query_table()
        self._commands = self._command_table()
        self._powered_up()

    # ---- messages

    def _work(self, line: bytes, too_long: bool) -> None:
        try:
            self._carry_out(line.removesuffix(b"\r"), too_long)
        except ScpiError as error:
            self._errors.add(error.number)

    def _carry_out(self, line: bytes, too_long: bool) -> None:
        if too_long or len(line) > LONGEST or b";" in line:
            raise ScpiError(-102)
        if not all(0x20 <= byte <= 0x7E for byte in line):
            raise ScpiError(-102)
        text = line.decode("ascii").upper().strip().removeprefix(":")
        if not text:
            return
        header, _, rest = text.partition(" ")
        parameters = [part.strip() for part in rest.split(",")] if rest.strip() else []
        if header.endswith("?"):
            self._query(header[:-1], parameters)
        else:
            self._command(header, parameters)

    def _query(self, header: str, parameters: list[str]) -> None:
        setting = header.removeprefix("TASK:")
        known = header in self._queries
        if not known and not (header.startswith("TASK:") and setting in SETTINGS):
            raise ScpiError(-113)
        if parameters:
            raise ScpiError(-108)
        answer = self._queries[header]() if known else self._setup.get(setting)
        self.reply(answer, self._latency_s)

    def _command(self, header: str, parameters: list[str]) -> None:
        setting = header.removeprefix("TASK:")
        is_setting = header.startswith("TASK:") and setting in SETTINGS
        if not is_setting and header not in self._commands:
            raise ScpiError(-113)
        takes, action = (1, self._set(setting)) if is_setting else self._commands[header]
        if len(parameters) != takes:
            raise ScpiError(-108 if len(parameters) > takes else -109)
        action(*parameters)

    def _query_table(self) -> Mapping[str, Callable[[], str]]:
        table: dict[str, Callable[[], str]] = {
            "*IDN": lambda: self._identity,
            "*ESR": lambda: str(self._errors.take_events()),
            "*ESE": lambda: str(self._masks["*ESE"]),
            "*SRE": lambda: str(self._masks["*SRE"]),
            "*OPC": lambda: "1",
            "*TST": self._self_test,
            "*STB": lambda: str(self.status_byte()),
            "GUARD:DOOR": lambda: "CLOSED" if self.bench.interlock_closed else "OPEN",
            "GUARD:WATCH": lambda: "ON" if self._watch else "OFF",
            "TASK:COUNT": lambda: str(self._count),
            "TASK:STATE": self._state,
            "TASK:LIVE": self._live,
            "TASK:RESULT": self._tell_result,
            "TERMINAL:VOLTAGE": self._terminal_voltage,
        }
        for spelling in ("SYST:ERR", "SYSTEM:ERROR", "SYST:ERR:NEXT", "SYSTEM:ERROR:NEXT"):
            table[spelling] = self._errors.next
        return table

    def _command_table(self) -> Mapping[str, tuple[int, Callable[..., None]]]:
        return {
            "*RST": (0, self._reset),
            "*CLS": (0, self._errors.clear),
            "*ESE": (1, lambda text: self._set_mask("*ESE", text)),
            "*SRE": (1, lambda text: self._set_mask("*SRE", text)),
            "*OPC": (0, self._complete),
            "*WAI": (0, lambda: None),
            "GUARD:WATCH": (1, self._set_watch),
            "TASK:BEGIN": (0, self._begin),
            "TASK:HALT": (0, lambda: self.output.halt(Verdict.HALTED)),
            "TASK:CLEAR": (0, self._clear),
        }

    # ---- settings and common commands

    def _set(self, name: str) -> Callable[[str], None]:
        def change(text: str) -> None:
            self._not_running()
            if name == "KIND":
                self._setup = Setup(word(text, *KINDS))
            else:
                self._setup.set(name, text)

        return change

    def _set_watch(self, text: str) -> None:
        self._not_running()
        self._watch = word(text, "ON", "OFF") == "ON"

    def _set_mask(self, name: str, text: str) -> None:
        value = number(text)
        if value != value.to_integral_value() or not 0 <= value <= 255:
            raise ScpiError(-222)
        self._masks[name] = int(value)

    def _not_running(self) -> None:
        if self.output.running:
            raise ScpiError(-284)

    def _self_test(self) -> str:
        self._not_running()
        return "0"

    def _complete(self) -> None:
        self._errors.events |= COMPLETE

    def _reset(self) -> None:
        self.output.halt(Verdict.HALTED)
        self._setup = Setup()

    def status_byte(self) -> int:
        """The status byte as `*STB?` and a serial poll read it."""
        byte = 1 * self.output.running | 2 * self._trip | 4 * bool(len(self._errors))
        byte |= 8 * (self._result is not None) | 16 * bool(self._outbox)
        byte |= 32 * bool(self._errors.events & self._masks["*ESE"])
        return byte | 64 * bool(byte & self._masks["*SRE"] & ~64)

    # ---- run

    def _begin(self) -> None:
        if self.output.running:
            raise ScpiError(-213)
        if self._trip:
            raise ScpiError(302)
        if self._watch and not self.bench.interlock_closed:
            raise ScpiError(301)
        order = self._setup.order()
        self._count = self._count % 65535 + 1
        self.output.start(order)

    def _clear(self) -> None:
        self._not_running()
        if self._trip and not self.bench.interlock_closed:
            raise ScpiError(302)
        self._trip = False

    def _state(self) -> str:
        phase = self.output.shown_phase
        if phase is not Phase.OFF:
            return phase.upper()
        if self._trip:
            return "TRIP"
        return "REST" if self._result is None else "DONE"

    def _live(self) -> str:
        output = self.output
        figures = _figures(output.reading()) if output.on else (NO_VALUE,) * 3
        level = output.reading().level
        state_s = exponent(output.seconds_in_phase)
        return ",".join((self._state(), exponent(level), *figures, state_s))

    def _terminal_voltage(self) -> str:
        output = self.output
        bonding = output.on and output.order is not None and output.order.kind.bonding
        # The bonding source has terminals of its own; output and return are idle then.
        return exponent(0.0 if bonding else max(output.voltage()))

    def _tell_result(self) -> str:
        if self._result is None:
            raise ScpiError(-230)
        return self._result

    def _ended(self, outcome: Outcome) -> None:
        kind = next(name for name, kind in KINDS.items() if kind is outcome.order.kind)
        figures = _figures(outcome.reading)
        dwell = exponent(round(outcome.dwell_s, 2))
        verdict = VERDICTS[outcome.verdict]
        fields = (str(self._count), kind, verdict, exponent(outcome.level), *figures, dwell)
        self._result = ",".join(fields)
        if outcome.verdict is Verdict.SOURCE:
            self._errors.add(304)
            # A source that can't keep its level is faulty; one that is overloaded isn't.
            self._trip_pending |= self.output.faults.level_factor < 1.0
        self._trip, self._trip_pending = self._trip or self._trip_pending, False

    # ---- events

    def _phase_changed(self) -> None:
        if self.output.phase is Phase.BLEED:
            start = self.output.starts

            def overdue() -> None:
                if self.output.phase is Phase.BLEED and self.output.starts == start:
                    self._errors.add(303)

            self.bench.after(OVERDUE_S, overdue)

    def _door_moved(self, closed: bool) -> None:
        if closed or not self._watch or not self.output.on:
            return

        def bar() -> None:
            if self.output.on:
                self._trip_pending = True
                self.output.halt(Verdict.BARRED)

        self.bench.after(DOOR_S, bar)

    def _controller_gone(self) -> None:
        self._line.clear()
        if self._link_watch:
            self.bench.after(CLOSED_LINK_S, lambda: self.output.halt(Verdict.HALTED))

    def _powered_up(self) -> None:
        super()._powered_up()
        self.output.power_lost()
        self._setup = Setup()
        self._watch = self._trip = self._trip_pending = False
        self._count, self._result = 0, None
        self._masks.update({"*ESE": 0, "*SRE": 0})
        self._errors.clear()
        self._errors.events = POWER_ON


def _figures(reading: Reading) -> tuple[str, str, str]:
    """Total, in-phase and resistance, over-range and missing ones as their tokens."""
    most_a = TRAITS.trip_dc_a if reading.in_phase_a is None else TRAITS.trip_ac_a
    # Bonding and continuity beyond their ranges are open leads already.
    most_ohm = 0.0 if reading.open_lead else INSULATION_RANGE_OHM
    return (
        _told(reading.total_a, most_a),
        _told(reading.in_phase_a, most_a),
        _told(reading.resistance_ohm, most_ohm),
    )


def _told(value: float | None, most: float) -> str:
    if value is None:
        return NO_VALUE
    return OVER_RANGE if abs(value) > most else exponent(value)
