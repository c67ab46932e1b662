"""The Fennick Comb, relay matrices on one serial line, after profiles/comb.md alone."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import reduce
from operator import xor
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from drivers.simulators.base import Instrument, simulated
from drivers.simulators.relays import RETURN, SOURCE, BankTraits, RelayUnit

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

BANKS: Final = {
    "high": BankTraits(8, 4000.0, 5660.0, 5600.0, 2.0),
    "bond": BankTraits(8, 2500.0, 3540.0, 3500.0, 32.0, single_source=True),
    "sense": BankTraits(8, 2500.0, 3540.0, 3500.0, 0.5, single_source=True),
}
_BY_DIGIT: Final = {"1": "high", "2": "bond", "3": "sense"}
ADDRESSES: Final = range(32)
LONGEST: Final = 48
_DATA_LENGTH: Final = {"I": 0, "Z": 0, "Q": 0, "R": 1, "W": 5}
_ANSWER_S: Final = 0.003
_ONE_UNIT: Final = MappingProxyType({"1": 0})


def checksum(body: bytes) -> bytes:
    """XOR of all characters between `{` and the checksum, as two upper-case hex digits."""
    return b"%02X" % reduce(xor, body, 0)


def telegram(body: str) -> bytes:
    """A whole telegram as it stands on the line."""
    raw = body.encode("ascii")
    return b"{" + raw + checksum(raw) + b"\r"


class _Refused(Exception):
    def __init__(self, sign: str) -> None:
        super().__init__(sign)
        self.sign = sign


class CombUnit:
    """One unit of the line: its relays and its faults.

    Attributes:
        answers: False for a unit that is on the line but without power or its plug.
        supply_failed: the coil supply failed; only power-off clears it.
        broken_coils: (bank, channel, bus) whose coil takes no current from the next W on.
    """

    def __init__(self, bench: Bench, chain: str, name: str, address: int, serial: str) -> None:
        self.address = address
        self.serial = serial
        self.relays = RelayUnit(bench, chain, name, BANKS, open_s=0.015, rest_s=0.050)
        self.answers = True
        self.supply_failed = False
        self.broken_coils: set[tuple[str, int, str]] = set()

    def fail_supply(self) -> None:
        """The coil supply fails: all relays drop open."""
        with self.relays.bench.lock:
            self.relays.bench.catch_up()
            self.supply_failed = True
            self.relays.power_lost()

    def power_lost(self) -> None:
        """All relays open; a failed supply recovers."""
        self.supply_failed = False
        self.relays.power_lost()

    def answer_to(self, letter: str, data: str) -> str:
        """What stands behind the address in the answer.

        Raises:
            _Refused: with the sign and code to send instead.
        """
        length = _DATA_LENGTH.get(letter)
        if length is None:
            raise _Refused("-01")
        if len(data) != length or re.fullmatch(r"[0-9A-F]*", data) is None:
            raise _Refused("-02")
        if letter == "I":
            return f"iFENNICK,COMB,{self.serial},1.1"
        if letter == "Q":
            return "q1" if self.relays.moving else "q0"
        if letter == "Z":
            self._check_supply()
            self.relays.open_all()
            return "+"
        bank = _BY_DIGIT.get(data[0])
        if bank is None:
            raise _Refused("-03")
        if letter == "R":
            coils = self.relays.coils(bank)
            return f"r{data[0]}{_mask(coils, SOURCE)}{_mask(coils, RETURN)}"
        self._write(bank, int(data[1:3], 16), int(data[3:5], 16))
        return "+"

    def _write(self, bank: str, source: int, back: int) -> None:
        if source & back:
            raise _Refused("-04")
        if BANKS[bank].single_source and source.bit_count() > 1:
            raise _Refused("-05")
        self._check_supply()
        if self.relays.moving:
            raise _Refused("#")
        wanted = dict.fromkeys(_channels(source), SOURCE)
        wanted |= dict.fromkeys(_channels(back), RETURN)
        self.relays.put(
            bank,
            {c: bus for c, bus in wanted.items() if (bank, c, bus) not in self.broken_coils},
        )

    def _check_supply(self) -> None:
        if self.supply_failed:
            raise _Refused("-06")


class Comb(Instrument):
    """A line with one or several units.

    Args:
        bench: whose clock and wiring they live with.
        name: the line's name on the bench, and of the chain.
        units: name of each unit in the wiring, and its address, 0-31, each once.
        serials: serial number by unit; by default SIM-0500 plus the address.

    Raises:
        ValueError: an address out of range or given twice.
    """

    boot_s = 0.5
    end = b"\r"

    def __init__(
        self,
        bench: Bench,
        name: str,
        *,
        units: Mapping[str, int] = _ONE_UNIT,
        serials: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(bench, name)
        self.units: dict[str, CombUnit] = {}
        taken: set[int] = set()
        for unit, address in units.items():
            if address not in ADDRESSES or address in taken:
                raise ValueError(f"{name}: address {address} is out of 0-31 or given twice")
            taken.add(address)
            serial = (serials or {}).get(unit, f"SIM-{500 + address:04d}")
            self.units[unit] = CombUnit(bench, name, unit, address, simulated(serial))
        self._telegram: bytearray | None = None

    def _received(self, data: bytes) -> None:
        for byte in data:
            if byte == ord("{"):
                self._telegram = bytearray()
            elif self._telegram is None:
                continue  # outside a telegram: ignored
            elif byte == ord("\r"):
                whole, self._telegram = bytes(self._telegram), None
                self.answer(b"{" + whole, lambda whole=whole: self._work(whole))  # type: ignore[misc]
            elif len(self._telegram) + 3 > LONGEST:  # with its start, this character and the end
                self._telegram = None
            else:
                self._telegram.append(byte)

    def _work(self, whole: bytes) -> None:
        body, sent = whole[:-2], whole[-2:]
        if len(body) < 2 or sent != checksum(body):
            return
        unit = self._unit_called(body[:2])
        if unit is None:
            return
        rest = body[2:].decode("latin-1")
        try:
            said = unit.answer_to(rest[:1], rest[1:])
        except _Refused as refused:
            said = refused.sign
        self.emit(telegram(f"{unit.address:02X}{said}"), _ANSWER_S)

    def _unit_called(self, digits: bytes) -> CombUnit | None:
        for unit in self.units.values():
            if unit.answers and digits == b"%02X" % unit.address:
                return unit
        return None

    def _powered_up(self) -> None:
        self._telegram = None
        for unit in self.units.values():
            unit.power_lost()


def _mask(coils: dict[int, frozenset[str]], bus: str) -> str:
    return f"{sum(1 << (channel - 1) for channel, buses in coils.items() if bus in buses):02X}"


def _channels(mask: int) -> tuple[int, ...]:
    return tuple(bit + 1 for bit in range(8) if mask >> bit & 1)
