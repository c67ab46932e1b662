"""The Tarrowmere Sprig, a relay matrix that a tester carries, after profiles/sprig.md alone.

It has no link of its own: a tester holds it and calls `exchange`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Final, Protocol, runtime_checkable

from drivers.simulators.base import LineInstrument, simulated
from drivers.simulators.relays import RETURN, SOURCE, BankTraits, RelayUnit

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

BANKS: Final = {
    "mix": BankTraits(16, 3000.0, 4250.0, 4200.0, 2.0),
    "heavy": BankTraits(16, 2500.0, 3540.0, 3500.0, 30.0, single_source=True),
    "sense": BankTraits(16, 2500.0, 3540.0, 3500.0, 0.5, single_source=True),
}
LONGEST: Final = 240
_ANSWER_S = 0.010
_PAIR = re.compile(r"([A-Za-z0-9.-]+)=([A-Za-z0-9.-]+)")
_WHY = {
    1: "telegram",
    2: "command",
    3: "bank",
    4: "channel",
    5: "role",
    6: "sources",
    7: "moving",
}

Pairs = tuple[tuple[str, str], ...]


class _Refused(Exception):
    def __init__(self, code: int) -> None:
        super().__init__(_WHY[code])
        self.code = code


@runtime_checkable
class ExpansionSocket(Protocol):
    """A tester that can carry a Sprig's telegrams."""

    def plug(self, unit: Sprig | None) -> None:
        """Plug a unit in, or pull it out."""
        ...


class Sprig(LineInstrument):
    """One Sprig on a tester's expansion socket.

    Args:
        bench: whose clock and wiring it lives with.
        name: its name on the bench, and of its chain of one unit.
        serial: serial number; begins with 'SIM-', by the project's convention.
        units: name of its only unit in the wiring (a mapping will do; it has no address).
        carrier: name of the tester, on the bench already, on whose socket it hangs.

    Raises:
        ValueError: not exactly one unit, no such carrier, or a real one's serial number.

    Attributes:
        powered: False while its supply is cut: contacts open, no answers.
        contradictions: (bank, channel) whose auxiliary contacts contradict each other.
    """

    longest = LONGEST

    def __init__(
        self,
        bench: Bench,
        name: str,
        *,
        serial: str = "SIM-0311",
        units: Iterable[str] = ("1",),
        carrier: str | None = None,
    ) -> None:
        super().__init__(bench, name)
        self.serial = simulated(serial)
        try:
            (unit,) = units
        except ValueError:
            raise ValueError(f"{name}: a Sprig is one unit, given {tuple(units)}") from None
        self.relays = RelayUnit(bench, name, unit, BANKS, open_s=0.015, rest_s=0.040)
        self.contradictions: set[tuple[str, int]] = set()
        self.powered = True
        self._looks = 0
        if carrier is not None:
            socket: object = bench.instruments.get(carrier)
            if not isinstance(socket, ExpansionSocket):
                raise ValueError(f"{name}: there is no expansion socket on {carrier!r}")
            socket.plug(self)
        self._commands: dict[str, Callable[[Pairs], str]] = {
            "name": self._name,
            "put": self._put,
            "open": self._open,
            "look": self._look,
        }

    # ---- the carrier's side

    def exchange(self, telegram: bytes, patience_s: float) -> tuple[float, bytes] | None:
        """Hand over a telegram, LF added, and wait for one whole line.

        What was still on its way from earlier telegrams, and what comes after the patience, is
        thrown away.

        Returns:
            Seconds until the answer's LF, and the answer without it; None for no whole line.
        """
        with self.bench.lock:
            now_s = self.bench.now_s
            self._outbox.clear()
            if self.powered:
                self.feed(telegram + self.end)
            line = bytearray()
            for due_s, data in tuple(self._outbox):
                if due_s - now_s > patience_s:
                    break
                line += data
                if self.end in line:
                    self._outbox.clear()
                    return due_s - now_s, bytes(line.split(self.end, 1)[0])
            self._outbox.clear()
            return None

    def power_off(self) -> None:
        """Cut its supply: all contacts open, nothing is answered."""
        with self.bench.lock:
            self.bench.catch_up()
            self.powered = False
            self._outbox.clear()
            self.relays.power_lost()

    def power_on(self) -> None:
        """Supply it again."""
        with self.bench.lock:
            self.bench.catch_up()
            self.powered = True
            self._powered_up()

    def _powered_up(self) -> None:
        super()._powered_up()
        self._looks = 0
        self.relays.power_lost()

    # ---- telegrams

    def _work(self, line: bytes, too_long: bool) -> None:
        try:
            self.reply(self._answer_to(line, too_long), _ANSWER_S)
        except _Refused as refused:
            self.reply(f"no={refused.code},why={_WHY[refused.code]}", _ANSWER_S)

    def _answer_to(self, line: bytes, too_long: bool) -> str:
        matches = [_PAIR.fullmatch(part) for part in line.decode("latin-1").split(",")]
        pairs = tuple((m[1], m[2]) for m in matches if m is not None)
        if too_long or len(pairs) != len(matches) or pairs[0][0] != "do":
            raise _Refused(1)
        command = self._commands.get(pairs[0][1])
        if command is None:
            raise _Refused(2)
        return command(pairs[1:])

    def _name(self, rest: Pairs) -> str:
        _nothing_in(rest)
        return f"ok=name,maker=Tarrowmere,type=Sprig,serial={self.serial},mark=1.2"

    def _open(self, rest: Pairs) -> str:
        _nothing_in(rest)
        self.relays.open_all()
        return "ok=open"

    def _put(self, rest: Pairs) -> str:
        bank = _bank_in(rest)
        roles: dict[int, str] = {}
        for name, role in rest[1:]:
            channel = _channel(name)
            if channel in roles:
                raise _Refused(4)
            roles[channel] = role
        if not set(roles.values()) <= {SOURCE, RETURN, "open"}:
            raise _Refused(5)
        if BANKS[bank].single_source and list(roles.values()).count(SOURCE) > 1:
            raise _Refused(6)
        if self.relays.moving:
            raise _Refused(7)
        self.relays.put(bank, {c: role for c, role in roles.items() if role != "open"})
        return f"ok=put,bank={bank}"

    def _look(self, rest: Pairs) -> str:
        bank = _bank_in(rest)
        _nothing_in(rest[1:])
        found = {channel: _role(buses) for channel, buses in self.relays.contacts(bank).items()}
        found.update({c: "fault" for b, c in self.contradictions if b == bank})
        listed = [f"c{channel:02d}={role}" for channel, role in sorted(found.items())]
        # 'In any order': another one at each look, and the same ones on every run.
        self._looks += 1
        turn = self._looks % len(listed) if listed else 0
        moving = "yes" if self.relays.moving else "no"
        return ",".join((f"ok=look,bank={bank},moving={moving}", *listed[turn:], *listed[:turn]))


def _nothing_in(rest: Pairs) -> None:
    if rest:
        raise _Refused(1)


def _bank_in(rest: Pairs) -> str:
    if not rest or rest[0][0] != "bank" or rest[0][1] not in BANKS:
        raise _Refused(3)
    return rest[0][1]


def _channel(name: str) -> int:
    if re.fullmatch(r"c(0[1-9]|1[0-6])", name) is None:
        raise _Refused(4)
    return int(name[1:])


def _role(buses: frozenset[str]) -> str:
    return "both" if len(buses) == 2 else next(iter(buses))
