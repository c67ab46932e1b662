"""A simulated chain of Ostrel Lattice units (an invented instrument), after profiles/lattice.md."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from drivers.simulators.base import LineInstrument
from drivers.simulators.relays import BUSES, RETURN, SOURCE, BankTraits, RelayUnit

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

BANKS = {
    "hv": BankTraits(8, 5000.0, 7100.0, 7000.0, 3.0),
    "hc": BankTraits(8, 3000.0, 4250.0, 4200.0, 40.0, single_source=True),
    "sense": BankTraits(8, 3000.0, 4250.0, 4200.0, 0.5, single_source=True),
}
OPEN_S, REST_S = 0.008, 0.028
NO_UNIT_S = 0.050
LONGEST = 120
TEXTS = {
    10: "unreadable",
    11: "unknown command",
    12: "no such bank",
    13: "no such channel",
    14: "two sources",
    15: "both roles",
    21: "moving",
    40: "no such unit",
}
_LISTS = re.compile(r"source=\[([0-9,-]*)\] return=\[([0-9,-]*)\]")
_ITEM = re.compile(r"([1-9][0-9]*|0)(?:-([1-9][0-9]*|0))?")


class _Refused(Exception):
    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Lattice(LineInstrument):
    """A chain of up to 15 units on one link; buses run through.

    Args:
        bench: it stands on.
        name: of the chain on the bench.
        units: name of each unit to the address on its switch; 0 doesn't answer.
        latency_s: time a reply takes.

    Attributes:
        relays: the contacts of each unit by its name (weld and break them there).
    """

    longest = LONGEST
    boot_s = 1.0

    def __init__(
        self, bench: Bench, name: str, *, units: Mapping[str, int], latency_s: float = 0.002
    ) -> None:
        super().__init__(bench, name)
        self._latency_s = latency_s
        self._addresses = dict(units)
        self.relays = {
            unit: RelayUnit(bench, name, unit, BANKS, open_s=OPEN_S, rest_s=REST_S)
            for unit in units
        }

    def _work(self, line: bytes, too_long: bool) -> None:
        text = line.decode("latin-1")
        words = text.split(" ")
        if not re.fullmatch(r"0|[1-9][0-9]{0,3}", words[0]):
            self.reply(f"0 ERROR 10 {TEXTS[10]}", self._latency_s)
            return
        address = int(words[0])
        units = [unit for unit, its in self._addresses.items() if its == address != 0]
        if not units:
            self.reply(f"{address} ERROR 40 {TEXTS[40]}", NO_UNIT_S)
            return
        answers = []
        for unit in units:
            try:
                if too_long or "" in words or not text.isprintable():
                    raise _Refused(10)
                answer = _carry_out(self.relays[unit], address, words[1:])
            except _Refused as refused:
                answer = f"ERROR {refused.number} {TEXTS[refused.number]}"
            answers.append(f"{address} {answer}")
        self.emit(_collide(answers) + self.end, self._latency_s)

    def _powered_up(self) -> None:
        super()._powered_up()
        for unit in self.relays.values():
            unit.power_lost()


def _carry_out(relays: RelayUnit, address: int, words: list[str]) -> str:
    command = words[0] if words else ""
    takes = {"NAME?": 1, "OPEN": 1, "MOVING?": 1, "CONTACTS?": 2, "SET": 4}
    if not words:
        raise _Refused(10)
    if command not in takes:
        raise _Refused(11)
    if len(words) != takes[command]:
        raise _Refused(10)
    if command == "NAME?":
        return f"NAME Ostrel,Lattice,SIM-{4000 + address},2.0"
    if command == "OPEN":
        relays.open_all()
        return "OPEN OK"
    if command == "MOVING?":
        return f"MOVING {'yes' if relays.moving else 'no'}"
    if command == "CONTACTS?":
        return _contacts(relays, words[1])
    return _set(relays, words[1], " ".join(words[2:]))


def _set(relays: RelayUnit, bank: str, lists: str) -> str:
    found = _LISTS.fullmatch(lists)
    if found is None:
        raise _Refused(10)
    spans = [_spans(text) for text in found.groups()]
    if bank not in BANKS:
        raise _Refused(12)
    source, back = (_channels(span, BANKS[bank].channels) for span in spans)
    if BANKS[bank].single_source and len(source) > 1:
        raise _Refused(14)
    if source & back:
        raise _Refused(15)
    if relays.moving:
        raise _Refused(21)
    relays.put(bank, dict.fromkeys(source, SOURCE) | dict.fromkeys(back, RETURN))
    return "SET OK"


def _spans(text: str) -> list[tuple[int, int]]:
    spans = []
    for item in text.split(",") if text else ():
        found = _ITEM.fullmatch(item)
        if found is None:
            raise _Refused(10)
        spans.append((int(found[1]), int(found[2] or found[1])))
    return spans


def _channels(spans: list[tuple[int, int]], most: int) -> set[int]:
    channels: set[int] = set()
    for first, last in spans:
        if not 1 <= first <= last <= most:
            raise _Refused(13)
        more = set(range(first, last + 1))
        if channels & more:
            raise _Refused(13)
        channels |= more
    return channels


def _contacts(relays: RelayUnit, bank: str) -> str:
    if bank not in BANKS:
        raise _Refused(12)
    moving = {key.channel for key in relays.moving_keys if key.bank == bank}
    told = dict.fromkeys(moving, "unsure")
    for channel, buses in relays.contacts(bank).items():
        if channel not in moving:
            told[channel] = "both" if len(buses) == len(BUSES) else next(iter(buses))
    # In no particular order, says the prose; so not in that of the channels.
    items = [f"{channel}:{told[channel]}" for channel in sorted(told, key=lambda c: c * 5 % 8)]
    return " ".join(("CONTACTS", bank, *(items or ["none"])))


def _collide(answers: list[str]) -> bytes:
    """Units with one address talk over each other."""
    told = answers[0].encode("ascii")
    for other in answers[1:]:
        pairs = zip(told, other.encode("ascii").ljust(len(told), b"~"), strict=False)
        told = bytes((a & b) | 0x40 for a, b in pairs)
    return told
