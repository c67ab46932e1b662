"""Contacts of a relay unit: they take time to move, can weld or break, and are rated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench

SOURCE = "source"
RETURN = "return"
BUSES = (SOURCE, RETURN)


@dataclass(frozen=True, slots=True)
class BankTraits:
    """One bank of a unit: channels 1 to `channels`, ratings of each contact, open or closed."""

    channels: int
    ac_rms_v: float
    peak_v: float
    dc_v: float
    current_a: float
    single_source: bool = False


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """One contact of a unit: a channel to one of its bank's buses."""

    bank: str
    channel: int
    bus: str


class RelayUnit:
    """The contacts of one unit.

    Args:
        bench: whose wiring they belong to.
        chain: name of the instrument (units of one chain share their buses).
        unit: name of the unit in its chain.
        banks: its banks by name.
        open_s: opening contacts are open so long after a command.
        rest_s: all contacts are at rest so long after a command.
    """

    def __init__(
        self,
        bench: Bench,
        chain: str,
        unit: str,
        banks: Mapping[str, BankTraits],
        *,
        open_s: float,
        rest_s: float,
    ) -> None:
        self.bench = bench
        self.chain = chain
        self.unit = unit
        self.banks = dict(banks)
        self._open_s = open_s
        self._rest_s = rest_s
        self._wanted: set[Key] = set()
        self._coils: set[Key] = set()
        self._closed: set[Key] = set()
        self._welded: set[Key] = set()
        self._broken: set[Key] = set()
        self._moving_until_s = bench.now_s
        self._moving_keys: frozenset[Key] = frozenset()
        self._generation = 0
        bench.attach_relays(self)

    def __str__(self) -> str:
        return f"{self.chain}/{self.unit}"

    # ---- commands

    def put(self, bank: str, roles: Mapping[int, str]) -> None:
        """Bring one bank to exactly this state; `roles`: channel to 'source' or 'return'."""
        others = {key for key in self._wanted if key.bank != bank}
        self._command(others | {Key(bank, channel, bus) for channel, bus in roles.items()})

    def open_all(self) -> None:
        """Open every contact of every bank."""
        self._command(set())

    def power_lost(self) -> None:
        """All coils drop at once."""
        self._wanted.clear()
        self._coils.clear()
        self._generation += 1
        self._moving_until_s = self.bench.now_s
        self._move(set(self._closed) - self._welded, closed=False)

    # ---- looks

    @property
    def moving(self) -> bool:
        """True until every contact has come to rest."""
        return self.bench.now_s < self._moving_until_s

    @property
    def moving_keys(self) -> frozenset[Key]:
        """The contacts that the last command moves, while they move."""
        return self._moving_keys if self.moving else frozenset()

    @property
    def closed(self) -> frozenset[Key]:
        """Contacts that are closed, whatever was commanded."""
        return frozenset(self._closed)

    def contacts(self, bank: str) -> dict[int, frozenset[str]]:
        """Closed contacts of a bank: channel to the buses it is on."""
        return _by_channel(self._closed, bank)

    def coils(self, bank: str) -> dict[int, frozenset[str]]:
        """Coils of a bank that carry current now."""
        return _by_channel(self._coils, bank)

    # ---- faults, for tests

    def weld(self, bank: str, channel: int, bus: str) -> None:
        """The contact closes and stays closed."""
        with self.bench.lock:
            self.bench.catch_up()
            key = Key(bank, channel, bus)
            self._welded.add(key)
            self._closed.add(key)
            self.bench.topology_changed()

    def break_contact(self, bank: str, channel: int, bus: str) -> None:
        """The contact opens and never closes again."""
        with self.bench.lock:
            self.bench.catch_up()
            key = Key(bank, channel, bus)
            self._broken.add(key)
            self._closed.discard(key)
            self.bench.topology_changed()

    def repair(self) -> None:
        """Contacts as new, following their coils."""
        with self.bench.lock:
            self.bench.catch_up()
            self._welded.clear()
            self._broken.clear()
            self._closed = set(self._coils)
            self.bench.topology_changed()

    # ---- movement

    def _command(self, wanted: set[Key]) -> None:
        opening, closing = self._coils - wanted, wanted - self._coils
        in_motion = self.moving
        self._wanted = wanted
        if not opening and not closing and not in_motion:
            return
        self._generation += 1
        generation, now_s = self._generation, self.bench.now_s
        self._moving_until_s = now_s + self._rest_s
        self._moving_keys = frozenset(opening | closing) | (
            self._moving_keys if in_motion else frozenset()
        )
        self.bench.relays_commanded(self, opening | closing)

        def open_now() -> None:
            if generation == self._generation:
                self._coils -= opening
                self._move(opening - self._welded, closed=False)

        def close_now() -> None:
            if generation == self._generation:
                self._coils |= closing
                self._move(closing - self._broken, closed=True)

        self.bench.after(self._open_s, open_now)
        self.bench.after((self._open_s + self._rest_s) / 2, close_now)

    def _move(self, keys: set[Key], *, closed: bool) -> None:
        moved = {key for key in keys if (key in self._closed) != closed}
        if not moved:
            return
        self.bench.relays_moving(self, moved)
        if closed:
            self._closed |= moved
        else:
            self._closed -= moved
        self.bench.topology_changed()


def _by_channel(keys: set[Key], bank: str) -> dict[int, frozenset[str]]:
    found: dict[int, set[str]] = {}
    for key in keys:
        if key.bank == bank:
            found.setdefault(key.channel, set()).add(key.bus)
    return {channel: frozenset(buses) for channel, buses in sorted(found.items())}
