"""The Ostwyn Marl 8, a step-memory tester with a scanner of its own, after its manual alone."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from drivers.simulators.base import Instrument, simulated
from tests.profiles.unknown.marl.notation import (
    CAN,
    ETX,
    NAK,
    SLOTS,
    STX,
    Refused,
    Step,
    frame,
    lrc,
    read_step,
)
from tests.profiles.unknown.marl.run import BANK, Runner

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.output import Output

_ANSWER_S: Final = 0.006
_LONGEST: Final = 80


class Marl(Instrument):
    """One Marl 8.

    Args:
        bench: whose clock and wiring it lives with.
        name: on the bench; its rear terminals are output and return, its scanner's channels are
            those of bank 'scan' of 'name/unit', fed from these terminals.
        serial: begins with 'SIM-'.
        unit: name of the scanner in the wiring.

    Raises:
        ValueError: the serial number could be a real one's.
    """

    boot_s = 1.0

    def __init__(
        self, bench: Bench, name: str, *, serial: str = "SIM-3318", unit: str = "1"
    ) -> None:
        super().__init__(bench, name)
        self.serial = simulated(serial)
        self.runner = Runner(bench, name, unit)
        bench.feed(name, "output", f"{name}/{unit}", BANK, "source")
        bench.feed(name, "return", f"{name}/{unit}", BANK, "return")
        self._memory: dict[int, Step] = {}
        self._body: bytearray | None = None
        self._awaits_lrc = False

    @property
    def output(self) -> Output:
        """Its output, for looks and electrical faults."""
        return self.runner.output

    # ---- frames

    def _received(self, data: bytes) -> None:
        for byte in data:
            if self._awaits_lrc:
                body, self._body, self._awaits_lrc = bytes(self._body or b""), None, False
                self.answer(body, lambda body=body, sent=byte: self._work(body, sent))  # type: ignore[misc]
            elif self._body is None:
                if byte == STX:
                    self._body = bytearray()
                elif byte == CAN:
                    self.answer(bytes([CAN]), self.runner.stop)
            elif byte == STX:
                self._body.clear()
            elif byte == ETX:
                self._awaits_lrc = True
            else:
                self._body.append(byte)

    def _work(self, body: bytes, sent: int) -> None:
        if lrc(body) != sent or len(body) > _LONGEST or not body.isascii():
            self.emit(bytes([NAK]), _ANSWER_S)
            return
        try:
            answer = self._carry_out(body.decode("ascii"))
        except Refused as refused:
            answer = f"-{refused.number:02d}"
        self.emit(frame(answer), _ANSWER_S)

    def _carry_out(self, body: str) -> str:
        plain: dict[str, Callable[[], str]] = {
            "I": lambda: f"I;OSTWYN;MARL 8;{self.serial};2,0",
            "T": self.runner.status,
            "M": self.runner.live,
            "V?": lambda: f"V;{int(self.runner.armed)}",
            "G": lambda: self.runner.start(self._first_slots()),
        }
        if body in plain:
            return plain[body]()
        acts: dict[str, Callable[[], None]] = {
            "H": self.runner.stop,
            "C": self.runner.clear,
            "V0": lambda: self.runner.arm(False),
            "V1": lambda: self.runner.arm(True),
        }
        if body in acts:
            acts[body]()
            return "+"
        return self._slot_command(body)

    # ---- memory

    def _slot_command(self, body: str) -> str:
        head, *fields = body.split(";")
        if head[:1] not in set("PQER"):
            raise Refused(1)
        if re.fullmatch(r"\d\d", head[1:], re.ASCII) is None:
            raise Refused(3)
        number = int(head[1:])
        if not 1 <= number <= SLOTS:
            raise Refused(4)
        if head[0] != "P" and fields:
            raise Refused(2)
        if head[0] == "R":
            return self.runner.result(number)
        if head[0] == "Q":
            step = self._memory.get(number)
            return f"Q{number:02d};{'-' if step is None else step.text()}"
        if self.runner.busy:
            raise Refused(6)
        if head[0] == "E":
            self._memory = {at: step for at, step in self._memory.items() if at < number}
            return "+"
        self._memory.pop(number, None)
        self._memory[number] = read_step(tuple(fields))
        return "+"

    def _first_slots(self) -> tuple[tuple[int, Step], ...]:
        """From slot 01 to the first empty one."""
        found: list[tuple[int, Step]] = []
        for number in range(1, SLOTS + 1):
            if number not in self._memory:
                break
            found.append((number, self._memory[number]))
        return tuple(found)

    # ---- events

    def _powered_up(self) -> None:
        self._body, self._awaits_lrc = None, False
        self.runner.power_lost()
