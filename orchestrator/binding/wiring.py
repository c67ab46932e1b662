"""The station's wiring: what a position is, which terminal feeds which bus."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from orchestrator.binding.instruments import Instruments
from orchestrator.model.fixture import Fixture
from orchestrator.model.schedule import Contact
from orchestrator.model.station import Feed, Station
from orchestrator.model.words import Role

_CHANNEL = re.compile(r"([^/]+)/([^/]+)/([^/]+)/([0-9]{1,6})")
_TERMINAL = re.compile(r"([^/.]+)\.([^/]+)")

Bank = tuple[str, str, str]
"""Chain, unit and bank."""


@dataclass(frozen=True, slots=True, order=True)
class Terminal:
    """A tester's terminal."""

    tester: str
    name: str

    def __str__(self) -> str:
        return f"{self.tester}.{self.name}"


@dataclass(frozen=True, slots=True, order=True)
class Channel:
    """A channel of a bank."""

    chain: str
    unit: str
    bank: str
    number: int

    @property
    def of_bank(self) -> Bank:
        """Chain, unit and bank."""
        return self.chain, self.unit, self.bank

    def closed_to(self, role: Role) -> Contact:
        """The contact that puts this channel to a role."""
        return Contact(self.chain, self.unit, self.bank, self.number, role)

    def __str__(self) -> str:
        return f"{self.chain}/{self.unit}/{self.bank}/{self.number}"


Place = Terminal | Channel


def read_place(text: str) -> Place | None:
    """'chain/unit/bank/channel' or 'tester.terminal'; ``None`` for anything else."""
    if found := _CHANNEL.fullmatch(text):
        return Channel(found[1], found[2], found[3], int(found[4]))
    return read_terminal(text)


def read_terminal(text: str) -> Terminal | None:
    """'tester.terminal', or ``None``."""
    found = _TERMINAL.fullmatch(text)
    return Terminal(found[1], found[2]) if found else None


def fed_roles(feed: Feed) -> Iterator[tuple[Role, str]]:
    """Each bus of a bank that is fed, with the text that names the terminal."""
    for role, text in (
        (Role.SOURCE, feed.source),
        (Role.RETURN, feed.return_),
        (Role.SENSE, feed.sense),
    ):
        if text is not None:
            yield role, text


@dataclass(frozen=True, slots=True)
class Wiring:
    """Positions, buses and points, faults left out (they are reported by the station check).

    Attributes:
        places: position → channel or terminal; ``None`` where the station file is wrong.
        feeders: bank → its fed buses, each with the terminal that feeds it.
        fed: terminal → banks of which it feeds a bus.
        points: point → positions that carry. sense: point → positions that only measure.
        straight: terminal → points whose lead goes to it without a relay.
        doubtful: banks with a feed that the station file gets wrong.
    """

    places: Mapping[str, Place | None]
    feeders: Mapping[Bank, tuple[tuple[Role, Terminal], ...]]
    fed: Mapping[Terminal, tuple[Bank, ...]]
    points: Mapping[str, tuple[str, ...]]
    sense: Mapping[str, tuple[str, ...]]
    straight: Mapping[Terminal, tuple[str, ...]]
    doubtful: frozenset[Bank] = frozenset()

    def places_of(self, point: str) -> tuple[Place, ...]:
        """Where a point is connected, sense leads included."""
        positions = self.points[point] + self.sense[point]
        found = (self.places.get(position) for position in positions)
        return tuple(place for place in found if place is not None)

    def sound(self, position: str) -> bool:
        """Whether a position and what feeds its bank are right in the station file."""
        place = self.places.get(position)
        if isinstance(place, Channel):
            return place.of_bank not in self.doubtful
        return place is not None

    def roles_to(self, channel: Channel, terminal: Terminal) -> tuple[Role, ...]:
        """The roles that connect a channel with a terminal."""
        fed = self.feeders.get(channel.of_bank, ())
        return tuple(role for role, feeder in fed if feeder == terminal)

    def banks_of(self, terminal: Terminal) -> tuple[Bank, ...]:
        """The banks of which a terminal feeds a bus."""
        return self.fed.get(terminal, ())


def wire(station: Station, fixture: Fixture, instruments: Instruments) -> Wiring:
    """Read the wiring of a station with a fixture on it."""
    places = {
        position: _known(read_place(text), station, instruments)
        for position, text in station.positions.items()
    }
    points = {name: placement.source for name, placement in fixture.points.items()}
    sense = {name: placement.sense for name, placement in fixture.points.items()}
    straight: dict[Terminal, list[str]] = {}
    for point, carrying in points.items():
        for position in dict.fromkeys(carrying + sense[point]):
            place = places.get(position)
            if isinstance(place, Terminal):
                straight.setdefault(place, []).append(point)
    feeders = _feeders(station)
    doubtful = (
        bank
        for bank, fed in feeders.items()
        if any(_known(terminal, station, instruments) is None for _, terminal in fed)
    )
    fed: dict[Terminal, list[Bank]] = {}
    for bank, found in feeders.items():
        for terminal in {terminal for _, terminal in found}:
            fed.setdefault(terminal, []).append(bank)
    return Wiring(
        places,
        feeders,
        {terminal: tuple(banks) for terminal, banks in fed.items()},
        points,
        sense,
        {terminal: tuple(dict.fromkeys(names)) for terminal, names in straight.items()},
        frozenset(doubtful),
    )


def _feeders(station: Station) -> dict[Bank, tuple[tuple[Role, Terminal], ...]]:
    feeders: dict[Bank, tuple[tuple[Role, Terminal], ...]] = {}
    for name, chain in station.chains.items():
        for unit in chain.units:
            for bank, feed in unit.feeds.items():
                read = ((role, read_terminal(text)) for role, text in fed_roles(feed))
                feeders[(name, unit.name, bank)] = tuple(
                    (role, terminal) for role, terminal in read if terminal is not None
                )
    return feeders


def _known(place: Place | None, station: Station, instruments: Instruments) -> Place | None:
    """The place if it exists in this station."""
    if place is None:
        return None
    if isinstance(place, Terminal):
        port = instruments.testers.get(place.tester)
        known = port is not None and place.name in port.abilities.terminals
        return place if known and place.tester in station.testers else None
    chain = station.chains.get(place.chain)
    matrix = instruments.matrices.get(place.chain)
    if chain is None or matrix is None or place.bank not in matrix.banks:
        return None
    if place.unit not in {unit.name for unit in chain.units}:
        return None
    return place if place.number in matrix.banks[place.bank].channels else None
