"""A simulated Grelling Osier, written from manual.md and not from its profile.

Time stands still between `pass_time` calls. The item under test is one resistance.
"""

from __future__ import annotations

from dataclasses import dataclass, field

STX, ETX = 0x02, 0x03
WIDTH = 28
RISE_S, DRAIN_S = 0.3, 0.15
TOP_OHM, TOP_A = 5e9, 12e-3


def check_byte(covered: bytes) -> int:
    """Section 1: two's complement of the sum."""
    return -sum(covered) & 0xFF


@dataclass
class Osier:
    """Section numbers refer to manual.md."""

    resistance_ohm: float = 1.25e9
    address: bytes = b"04"
    now_s: float = 0.0
    lid_closed: bool = True
    kind: str = ""
    level_v: float = 0.0
    dwell_s: float = 0.0
    least: int | None = None
    most: int | None = None
    starts: int = 0
    lose_safe: bool = False
    _in: bytearray = field(default_factory=bytearray)
    _out: bytearray = field(default_factory=bytearray)
    _plan: list[tuple[float, str]] = field(default_factory=list)

    # ---- link

    def feed(self, data: bytes) -> None:
        """Bytes to it; a block is complete with the byte behind an ETX."""
        self._in += data
        while STX in self._in:
            del self._in[: self._in.index(STX)]
            if ETX not in self._in or len(self._in) < self._in.index(ETX) + 2:
                return
            end = self._in.index(ETX) + 1
            block, check = bytes(self._in[1:end]), self._in[end]
            del self._in[: end + 1]
            if check == check_byte(block) and block[:2] == self.address:
                self._say(self._answer(block[2:-1].decode("ascii")))
                if block[2:3] == b"X" and not self._plan:
                    self._safe()

    def take(self) -> bytes:
        """Bytes from it."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def pass_time(self, seconds: float) -> None:
        """Let a test go on."""
        until_s = self.now_s + seconds
        while self._plan and self._plan[0][0] <= until_s:
            self.now_s, what = self._plan.pop(0)
            if what == "!S":
                self._safe()
            else:
                self._say(what)
        self.now_s = until_s

    def open_lid(self) -> None:
        """Section 3."""
        self.lid_closed = False
        self._say("!L")
        if self._plan:
            self._cut_off()

    # ---- inside

    def _say(self, body: str) -> None:
        block = self.address + body.ljust(WIDTH).encode("ascii") + bytes([ETX])
        self._out += bytes([STX]) + block + bytes([check_byte(block)])

    def _safe(self) -> None:
        if not self.lose_safe:
            self._say("!S")

    def _answer(self, body: str) -> str:
        letter, data = body[:1], body[1:]
        if letter == "W":
            return "WGRELLING OSIER  SIM-0007"
        if letter == "K":
            return "K1" if self.lid_closed else "K0"
        if letter == "X":
            if self._plan:
                self._cut_off()
            return "X"
        if letter not in ("P", "L", "U", "G"):
            return "?01"
        if self._plan:
            return "?04"
        return self._start() if letter == "G" else self._set(letter, data)

    def _set(self, letter: str, data: str) -> str:
        if letter == "P":
            kind, digits = data[:1], data[1:]
            if kind not in ("I", "D") or len(digits) != 9 or not digits.isdigit():
                return "?02"
            level, dwell = int(digits[:4]) * 10 ** int(digits[8]), int(digits[4:8])
            top = 1000 if kind == "I" else 3000
            if not 50 <= level <= top or level % 10 or not 50 <= dwell <= 9999:
                return "?02"
            self.kind, self.level_v, self.dwell_s = kind, level, dwell / 100
            self.least = self.most = None
            return letter + data
        value = None if data == "-----" else int(data) if len(data) == 5 else -1
        if value is not None and not 1 <= value <= (50000 if self.kind == "I" else 9999):
            return "?02"
        if letter == "L":
            self.least = value
        else:
            self.most = value
        return letter + data

    def _start(self) -> str:
        needed = self.least if self.kind == "I" else self.most
        if not self.kind or needed is None:
            return "?05"
        if not self.lid_closed:
            return "?03"
        self.starts += 1
        end_s = self.now_s + RISE_S + self.dwell_s
        self._plan = [
            (self.now_s, "!A"),
            (self.now_s + RISE_S, "!B"),
            (end_s, "!C"),
            (end_s + DRAIN_S, self._result(self.dwell_s, None)),
            (end_s + DRAIN_S, "!S"),
        ]
        return "G"

    def _cut_off(self) -> None:
        self._plan = [
            (self.now_s, "!C"),
            (self.now_s + DRAIN_S, self._result(0.0, "#")),
            (self.now_s + DRAIN_S, "!S"),
        ]

    def _result(self, dwell_s: float, verdict: str | None) -> str:
        insulation = self.kind == "I"
        value = self.resistance_ohm if insulation else self.level_v / self.resistance_ohm
        count = value / (1e5 if insulation else 1e-6)
        above = value > (TOP_OHM if insulation else TOP_A)
        text = "^" * 9 if above else f"{value / (1e6 if insulation else 1e-3):.2f}"
        if verdict is None:
            high = self.most is not None and count > self.most
            low = self.least is not None and count < self.least
            verdict = ">" if high else "<" if low else "+"
        body = f"!R{verdict}{self.level_v:7.1f}{text:>10}{dwell_s:6.2f}"
        return body.replace(".", ",")
