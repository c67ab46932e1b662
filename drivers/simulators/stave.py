"""The Varrowby Stave, a safety tester with a step memory, after profiles/stave.md alone."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from drivers.simulators.base import LineInstrument, simulated
from drivers.simulators.stave_memory import StepMemory, parse_slot, slot_number
from drivers.simulators.stave_run import Runner
from drivers.simulators.stave_wire import (
    KEPT_LINES,
    LONGEST_LINE,
    Refused,
    body_of,
    line,
    refusal,
)

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.output import Output
    from drivers.simulators.sprig import Sprig

_ANSWER_S: Final = 0.005
_REFUSAL_S: Final = 0.003
_END_AFTER_REFUSAL_S: Final = 0.025
_CARRY_PATIENCE_S: Final = 0.200
_LONGEST_TEXT: Final = 240
_SOCKET: Final = 1

Fields = tuple[str, ...]


class Stave(LineInstrument):
    """One Stave.

    Args:
        bench: whose clock and wiring it lives with.
        name: its name on the bench.
        serial: serial number; begins with 'SIM-', by the project's convention.

    Raises:
        ValueError: the serial number could be a real one's.
    """

    boot_s = 2.0
    longest = LONGEST_LINE
    newcomer_wins = True

    def __init__(self, bench: Bench, name: str, *, serial: str = "SIM-2207") -> None:
        super().__init__(bench, name)
        self.serial = simulated(serial)
        self.memory = StepMemory()
        self.runner = Runner(bench, name)
        self.expansion: Sprig | None = None
        self._waiting: deque[tuple[bytes, bool]] = deque()
        self._busy_until_s = bench.now_s
        self._later_s = _ANSWER_S  # when the answer of the line in work is complete
        # Number of fields, and what works the command off; it returns the data line, if any.
        self._commands: dict[str, tuple[int, Callable[[Fields], str | None]]] = {
            "WHO?": (0, lambda _: f"WHO Varrowby,Stave,{self.serial},3.0"),
            "RESET": (0, lambda _: self.runner.reset()),
            "SLOT": (10, self._fill),
            "SLOT?": (1, self._show),
            "CLEAR": (1, self._clear),
            "COUNT?": (0, lambda _: f"COUNT {len(self.memory.filled())}"),
            "LAUNCH": (0, lambda _: self.runner.launch(self.memory.filled())),
            "QUIT": (0, lambda _: None),  # has acted when its LF came
            "STATUS?": (0, lambda _: self.runner.status()),
            "LIVE?": (0, lambda _: self.runner.live()),
            "RESULT?": (1, lambda fields: self.runner.result(slot_number(fields[0]))),
            "CARRY": (2, self._carry),
        }

    @property
    def output(self) -> Output:
        """Its output, for looks and electrical faults."""
        return self.runner.output

    def plug(self, unit: Sprig | None) -> None:
        """Plug a unit into the expansion socket, or pull it out."""
        with self.bench.lock:
            self.expansion = unit

    # ---- lines in turn

    def next_due(self) -> float | None:
        """When to look again: the next byte, or the next line's turn, which may yield bytes."""
        with self.bench.lock:
            due_s = super().next_due()
            if not self._waiting:
                return due_s
            return self._busy_until_s if due_s is None else min(due_s, self._busy_until_s)

    def _line_came(self, line: bytes, too_long: bool) -> None:
        if not (too_long or self.faults.deaf) and _is_quit(line):
            self.runner.quit()
        if len(self._waiting) < KEPT_LINES:
            self._waiting.append((line, too_long))
        self._work_off()

    def _work_off(self) -> None:
        # Grace for rounding, as for what is sent.
        while self._waiting and self.bench.now_s >= self._busy_until_s - 1e-9:
            message, too_long = self._waiting.popleft()
            self.answer(message, lambda m=message, t=too_long: self._work(m, t))  # type: ignore[misc]
        if self._waiting:
            self.bench.at(self._busy_until_s, self._work_off)

    def _work(self, line: bytes, too_long: bool) -> None:
        self._later_s = _ANSWER_S
        try:
            data = self._carry_out(line, too_long)
        except Refused as refused:
            for code in refused.codes:
                self.emit(refusal(code), _REFUSAL_S)
            self._later_s = _REFUSAL_S + _END_AFTER_REFUSAL_S
        else:
            if data is not None:
                self._say(data)
        self._say("END")
        self._busy_until_s = self.bench.now_s + self._later_s

    def _say(self, body: str) -> None:
        self.emit(line(body), self._later_s)

    def _carry_out(self, message: bytes, too_long: bool) -> str | None:
        if too_long:
            raise Refused(1)
        word, blank, rest = body_of(message).partition(" ")
        if word not in self._commands:
            raise Refused(2)
        wanted, work = self._commands[word]
        # A carried text may hold commas of its own.
        fields = tuple(rest.split(",", 1 if word == "CARRY" else -1)) if blank else ()
        if len(fields) != wanted:
            raise Refused(3)
        return work(fields)

    # ---- commands

    def _fill(self, fields: Fields) -> None:
        self._not_while_running()
        number, slot = parse_slot(fields)
        self.memory.fill(number, slot)

    def _clear(self, fields: Fields) -> None:
        self._not_while_running()
        self.memory.clear_from(slot_number(fields[0]))

    def _not_while_running(self) -> None:
        if self.runner.running:
            raise Refused(6)

    def _show(self, fields: Fields) -> str:
        number = slot_number(fields[0])
        slot = self.memory.get(number)
        return f"SLOT {number},{'EMPTY' if slot is None else slot.text()}"

    def _carry(self, fields: Fields) -> str:
        socket, text = fields
        faults = [] if socket == str(_SOCKET) else [5 if socket.isdecimal() else 4]
        if not text.isprintable():
            faults.append(4)
        if not 1 <= len(text) <= _LONGEST_TEXT:
            faults.append(5)
        if faults:
            raise Refused(*faults)
        found = None
        if self.expansion is not None:
            found = self.expansion.exchange(text.encode("ascii"), _CARRY_PATIENCE_S)
        if found is None:
            self._later_s = _CARRY_PATIENCE_S + _ANSWER_S
            return f"CARRIED {_SOCKET},SILENT"
        self._later_s = found[0] + _ANSWER_S
        return f"CARRIED {_SOCKET},{found[1].decode('ascii', 'replace').replace(chr(0xFFFD), '?')}"

    # ---- events

    def _powered_up(self) -> None:
        super()._powered_up()
        self._waiting.clear()
        self._busy_until_s = self.bench.now_s
        self.runner.power_lost()
        if self.expansion is not None:
            self.expansion.power_cycle()

    def _controller_gone(self) -> None:
        self._line.clear()
        self._too_long = False
        self._waiting.clear()


def _is_quit(raw: bytes) -> bool:
    try:
        return body_of(raw) == "QUIT"
    except Refused:
        return False
