"""A station on paper: files read, adapters built, nothing connected. Enough to bind programs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import TypeVar

from orchestrator.assembly.plugins import DRIVERS, plugin
from orchestrator.binding.bind import bind
from orchestrator.binding.instruments import Instruments
from orchestrator.binding.real import is_simulated
from orchestrator.binding.stop_budget import StopMessage, StopTime, stop_times
from orchestrator.binding.wiring import Channel
from orchestrator.contract import BuiltChain, BuiltTester, ChainFactory, TesterFactory
from orchestrator.documents import Document, read_document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.schedule import Schedule
from orchestrator.model.station import Station
from orchestrator.records.reader import relay_totals

B = TypeVar("B")


@dataclass(frozen=True)
class StationPlan:
    """A station with its adapters, before any link is opened."""

    document: Document[Station]
    folder: Path
    testers: Mapping[str, BuiltTester]
    chains: Mapping[str, BuiltChain]

    @property
    def station(self) -> Station:
        """What the station file says."""
        return self.document.model

    @property
    def simulated(self) -> bool:
        """True if every instrument is declared simulated."""
        return is_simulated(self.station)

    @property
    def records(self) -> Path:
        """Where the records lie."""
        return self.folder / self.station.records

    def bind(
        self, program: Document[Program], fixture: Document[Fixture] | None = None
    ) -> Schedule:
        """Bind a program to this station.

        Raises:
            Refused: with every fault at once.
            RecordDamaged: leads take turns, and the records' relay counts can't be trusted.
        """
        held = fixture or self.inline_fixture()
        turns = any(placement.take_turns for placement in held.model.points.values())
        wear = self._wear if turns else None
        return bind(program, held, self.document, self.instruments(), wear)

    @cached_property
    def _wear(self) -> Mapping[Channel, int]:
        """Closings of each channel so far. Read once: within a session a point keeps its lead, so
        that contact stays proved through the one that brings the level."""
        return channel_closings(self.records)

    def stop_times(self) -> tuple[StopTime, ...]:
        """The station's stop-time budget: one for each tester, one for the enable output."""
        messages = {
            name: StopMessage(sum(map(len, built.adapter.stop_bytes)), built.link_defaults)
            for name, built in self.testers.items()
        }
        return stop_times(self.station, self.instruments(), messages)

    def inline_fixture(self) -> Document[Fixture]:
        """The station's own fixture. Raises Refused where it has none."""
        if self.station.fixture is None:
            raise Refused(
                [
                    Fault(
                        what="no fixture",
                        found="a station file without 'fixture' and no fixture file",
                        expected="a fixture",
                        remedy="give one with --fixture, or write it into the station file",
                        position=self.document.locate(),
                    )
                ]
            )
        return Document.built(self.station.fixture, f"{self.document.file} (fixture)")

    def instruments(self) -> Instruments:
        """What binding needs to know."""
        hashes = {tester.profile: tester.sha256 for tester in self.testers.values()}
        hashes |= {chain.profile: chain.sha256 for chain in self.chains.values()}
        return Instruments(
            testers={name: tester.adapter for name, tester in self.testers.items()},
            matrices={name: chain.abilities for name, chain in self.chains.items()},
            profile_hashes=hashes,
            addresses={name: chain.addresses for name, chain in self.chains.items()},
        )


def channel_closings(records: Path) -> Mapping[Channel, int]:
    """How often each channel's relays have closed by a station's records; none where there are
    no records yet.

    Raises:
        RecordDamaged: the counts can't be trusted.
    """
    closings: dict[Channel, int] = {}
    if not records.is_file():
        return closings
    for contact, count in relay_totals(records).items():
        chain, unit, bank, number, _ = contact.split("/")
        channel = Channel(chain, unit, bank, int(number))
        closings[channel] = closings.get(channel, 0) + count
    return closings


def read_plan(path: str | Path) -> StationPlan:
    """Read a station file and the profiles it names. Raises Refused with every fault."""
    document = read_document(path, Station)
    return plan_station(document, Path(path).resolve().parent)


def plan_station(document: Document[Station], folder: Path) -> StationPlan:
    """Build the adapters of a station; ``folder`` is where its relative paths begin."""
    station = document.model
    faults: list[Fault] = []
    testers: dict[str, BuiltTester] = {}
    for name, entry in station.testers.items():
        make: TesterFactory = plugin(DRIVERS, entry.driver)
        where = partial(document.locate, "testers", name)
        built = _collect(faults, where, partial(make, entry, name, folder))
        if built is not None:
            testers[name] = built
    chains: dict[str, BuiltChain] = {}
    failed = station.testers.keys() - testers.keys()
    for name, chain in station.chains.items():
        if failed & {chain.carried_by, chain.built_in}:
            continue  # it can't be judged before its tester stands
        build: ChainFactory = plugin(DRIVERS, chain.driver)
        where = partial(document.locate, "chains", name)
        made = _collect(faults, where, partial(build, chain, name, folder, testers))
        if made is not None:
            chains[name] = made
    if faults:
        raise Refused(faults)
    return StationPlan(document, folder, testers, chains)


def _collect(
    faults: list[Fault], where: Callable[..., Position], build: Callable[[], B]
) -> B | None:
    """What was built, or None with its faults collected, each with a place to look: its own, or
    ``where`` its part of the entry stands."""
    try:
        return build()
    except Refused as refused:
        faults.extend(
            replace(fault, position=fault.position or where(*(fault.at or ("profile",))), at=())
            for fault in refused.faults
        )
        return None
