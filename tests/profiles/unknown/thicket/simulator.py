"""The Peverstone Thicket, a rack of relay units, after its manual alone."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from drivers.simulators.base import LineInstrument, simulated
from drivers.simulators.relays import RETURN, SOURCE, BankTraits, Key, RelayUnit

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

HIGH, BOND = "high", "bond"
BANKS: Final = {
    HIGH: BankTraits(16, 5000.0, 7100.0, 7000.0, 2.0),
    BOND: BankTraits(4, 1500.0, 2150.0, 2100.0, 32.0),
}
PLACES: Final = range(8)
PER_UNIT: Final = 20
RETURN_OFFSET: Final = 200
SUPPLY_OFFSET: Final = 40
ENABLE_OFFSET: Final = 70
MOST_PER_COMMAND: Final = 4
_ANSWER_S: Final = 0.003
_OPEN_S, _REST_S = 0.015, 0.040
_SETTLED_S: Final = 0.045
_ONE_UNIT: Final = MappingProxyType({"1": 0})


class _Refused(Exception):
    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Place:
    """One unit of the rack.

    Attributes:
        coils: contacts it is told to hold closed.
    """

    def __init__(self, bench: Bench, chain: str, name: str, place: int, serial: str) -> None:
        self.place = place
        self.serial = serial
        self.relays = RelayUnit(bench, chain, name, BANKS, open_s=_OPEN_S, rest_s=_REST_S)
        self.told: dict[int, str] = {}

    def apply(self) -> None:
        """Drive all coils as told."""
        for bank, channels in ((HIGH, range(1, 17)), (BOND, range(17, 21))):
            wanted = {c - channels[0] + 1: self.told[c] for c in channels if c in self.told}
            now = {c: next(iter(buses)) for c, buses in self.relays.coils(bank).items()}
            if wanted != now:
                self.relays.put(bank, wanted)

    def contacts(self) -> frozenset[int]:
        """Relay numbers whose auxiliary contact says closed."""
        return frozenset(self._number(key) for key in self.relays.closed)

    def at_rest(self) -> frozenset[int]:
        """What `contacts` will be once everything rests: stuck and broken relays don't follow."""
        stuck = frozenset(self._number(key) for key in self.relays._welded)
        broken = frozenset(self._number(key) for key in self.relays._broken)
        return (self.expected() - broken) | stuck

    def expected(self) -> frozenset[int]:
        """Relay numbers that were told to be closed."""
        base = self.place * PER_UNIT
        return frozenset(
            base + c + (RETURN_OFFSET if bus == RETURN else 0) for c, bus in self.told.items()
        )

    def _number(self, key: Key) -> int:
        local = key.channel + (16 if key.bank == BOND else 0)
        return self.place * PER_UNIT + local + (RETURN_OFFSET if key.bus == RETURN else 0)


class Thicket(LineInstrument):
    """One rack.

    Args:
        bench: whose clock and wiring it lives with.
        name: on the bench, and of the chain.
        units: name of each unit in the wiring, and its place in the rack, 0-7, each once.

    Raises:
        ValueError: a place out of range or given twice.
    """

    boot_s = 0.8
    end = b"\r"
    longest = 40

    def __init__(self, bench: Bench, name: str, *, units: Mapping[str, int] = _ONE_UNIT) -> None:
        super().__init__(bench, name)
        self.places: dict[int, Place] = {}
        for unit, place in units.items():
            if place not in PLACES or place in self.places:
                raise ValueError(f"{name}: place {place} is out of 0-7 or given twice")
            serial = simulated(f"SIM-{7100 + place}")
            self.places[place] = Place(bench, name, unit, place, serial)
        self._supply = False
        self._busy_until_s = bench.now_s

    # ---- lines

    def _work(self, line: bytes, too_long: bool) -> None:
        if self.bench.now_s < self._busy_until_s - 1e-9:
            return  # before its '>' it doesn't listen
        try:
            if too_long:
                raise _Refused(1)
            answer, wait_s = self._carry_out(line.lstrip(b"\n").decode("latin-1"))
        except _Refused as refused:
            answer, wait_s = f"?{refused.number:02d}", _ANSWER_S
        self._busy_until_s = self.bench.now_s + wait_s
        self.emit(answer.encode("ascii") + b"\r\n>" if answer else b">", wait_s)

    def _carry_out(self, text: str) -> tuple[str, float]:
        """What stands before the prompt, and when the prompt comes."""
        letter, rest = text[:1], text[1:]
        asks: dict[str, Callable[[str], str]] = {"I": self._identity, "R": self._closed_ones}
        if letter in asks:
            return asks[letter](rest), _ANSWER_S
        if text == "S?":
            return f"S{SUPPLY_OFFSET + self._supply}", _ANSWER_S
        if text == "E?":
            return f"E{ENABLE_OFFSET + self.bench.guard_closed}", _ANSWER_S
        if text in {f"S{SUPPLY_OFFSET}", f"S{SUPPLY_OFFSET + 1}"}:
            return self._switch(text == f"S{SUPPLY_OFFSET + 1}")
        if text == "Z":
            for place in self.places.values():
                place.told.clear()
            return self._move()
        if letter == "C":
            return self._close(self._numbers(rest))
        if letter == "O":
            return self._open(self._numbers(rest))
        raise _Refused(1)

    # ---- commands

    def _identity(self, rest: str) -> str:
        place = self._place(rest)
        return f"I{place.place}=PEVERSTONE THICKET,{place.serial},1.2"

    def _closed_ones(self, rest: str) -> str:
        place = self._place(rest)
        listed = sorted(place.contacts(), reverse=True)
        return f"R{place.place}={' '.join(f'{number:03X}' for number in listed) or '---'}"

    def _switch(self, on: bool) -> tuple[str, float]:
        self._supply = on
        if on:
            return "", _ANSWER_S
        for place in self.places.values():
            place.told.clear()
        return self._move()

    def _close(self, relays: tuple[tuple[Place, int, str], ...]) -> tuple[str, float]:
        if not self._supply:
            raise _Refused(9)
        if not self.bench.guard_closed:
            raise _Refused(10)
        wanted = {place.place: dict(place.told) for place in self.places.values()}
        for place, channel, bus in relays:
            if wanted[place.place].setdefault(channel, bus) != bus:
                raise _Refused(6)
        for place in self.places.values():
            place.told = wanted[place.place]
        return self._move()

    def _open(self, relays: tuple[tuple[Place, int, str], ...]) -> tuple[str, float]:
        for place, channel, bus in relays:
            if place.told.get(channel) == bus:
                del place.told[channel]
        return self._move()

    def _move(self) -> tuple[str, float]:
        for place in self.places.values():
            place.apply()
        wrong = any(place.at_rest() != place.expected() for place in self.places.values())
        return "?11" if wrong else "", _SETTLED_S

    # ---- numbers

    def _place(self, rest: str) -> Place:
        if re.fullmatch(r"\d", rest, re.ASCII) is None:
            raise _Refused(3)
        if int(rest) not in self.places:
            raise _Refused(4)
        return self.places[int(rest)]

    def _numbers(self, rest: str) -> tuple[tuple[Place, int, str], ...]:
        parts = rest.split(",")
        if len(parts) > MOST_PER_COMMAND:
            raise _Refused(2)
        if any(re.fullmatch(r"[1-9]\d{0,2}", part, re.ASCII) is None for part in parts):
            raise _Refused(3)
        return tuple(self._relay(int(part)) for part in parts)

    def _relay(self, number: int) -> tuple[Place, int, str]:
        bus = RETURN if number > RETURN_OFFSET else SOURCE
        channel = number - (RETURN_OFFSET if bus == RETURN else 0)
        place, local = divmod(channel - 1, PER_UNIT)
        if place not in self.places:
            raise _Refused(4)
        return self.places[place], local + 1, bus

    # ---- events

    def _powered_up(self) -> None:
        super()._powered_up()
        self._supply = False
        self._busy_until_s = self.bench.now_s
        for place in self.places.values():
            place.told.clear()
            place.relays.power_lost()
        self.emit(b">", self.boot_s)
