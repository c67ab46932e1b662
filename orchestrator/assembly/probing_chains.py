"""Probing a chain: every unit by itself, its identity and its relays; nothing is moved."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.plugins import DRIVERS, plugin
from orchestrator.assembly.probing_findings import Answer, RelaysFound, Status, Tell
from orchestrator.assembly.probing_lines import Line, link_remedy, link_words
from orchestrator.contract import BuiltChain, ChainFactory, RelayMatrix
from orchestrator.errors import (
    InstrumentFault,
    InstrumentRefused,
    LinkError,
    LinkLost,
    OhmwardError,
    ProtocolFault,
    TimedOut,
    WrongInstrument,
)
from orchestrator.model.record import Identity
from orchestrator.model.station import ChainEntry, UnitEntry
from orchestrator.running.take_over import check_identity

SHARED = "two units may stand at one address: read the switches of both; else check link settings"


@dataclass(frozen=True, slots=True)
class Missing:
    """A unit that doesn't answer at its address."""

    unit: UnitEntry
    address: int


@dataclass
class ChainProbe:
    """One chain on the line it is reached through."""

    plan: StationPlan
    name: str
    line: Line
    tell: Tell
    garbled: set[int] = field(default_factory=set)
    """Declared addresses from which no whole answer came, as from two units with one address."""

    @property
    def entry(self) -> ChainEntry:
        """What the station file says."""
        return self.plan.station.chains[self.name]

    @property
    def built(self) -> BuiltChain:
        """As built from the station file."""
        return self.plan.chains[self.name]

    def alone(self, unit: UnitEntry, address: int | None = None) -> RelayMatrix:
        """An adapter for this unit alone, at another address if one is given. Raises Refused."""
        if address is not None:
            unit = unit.model_copy(update={"address": address, "switches": None})
        build: ChainFactory = plugin(DRIVERS, self.entry.driver)
        entry = self.entry.model_copy(update={"units": (unit,)})
        made = build(entry, self.name, self.plan.folder, self.plan.testers).adapter
        if made is None:
            raise RuntimeError(f"chain {self.name!r} has no adapter, but was to be asked")
        return made

    def identify(self, unit: UnitEntry, matrix: RelayMatrix) -> Identity:
        """Who the unit is. Raises LinkError, InstrumentFault."""
        found: Identity = self.line.ask_again(matrix.identify)[unit.name]
        return found

    def ask_units(self) -> tuple[Missing, ...]:
        """Identify every unit and read its relays; those that don't answer come back."""
        missing: list[Missing] = []
        for place, unit in enumerate(self.entry.units):
            matrix = self.alone(unit)
            try:
                identity = self.identify(unit, matrix)
            except LinkLost as error:
                for silent in self.entry.units[place:]:
                    found = f"not asked: the link is lost ({error})"
                    self._tell(silent, "silent", found, error.remedy)
                return ()
            except (LinkError, InstrumentFault) as error:
                status, remedy = self._kind(error)
                self._tell(unit, status, str(error), remedy)
                address = self.built.addresses.get(unit.name)
                if address is not None and is_garbled(error):
                    self.garbled.add(address)
                if status == "silent" and address is not None:
                    missing.append(Missing(unit, address))
                continue
            self._judge(unit, identity)
            self.tell(self._relays(unit, matrix))
        return tuple(missing)

    def _kind(self, error: OhmwardError) -> tuple[Status, str]:
        if isinstance(error, WrongInstrument):
            return "other", "connect the declared type of unit, or correct the profile"
        if is_garbled(error):
            return "other", SHARED
        if isinstance(error, TimedOut | InstrumentRefused):
            link = self.entry.link
            more = "" if link is None else f"; if no unit answers: {link_remedy(link)}"
            return "silent", f"check its power, its plug and its address switch{more}"
        return "other", error.remedy

    def _judge(self, unit: UnitEntry, identity: Identity) -> None:
        what = f"relay unit {unit.name!r} of chain {self.name!r}"
        try:
            check_identity(what, identity, self.entry.simulated, unit.serial)
        except WrongInstrument as error:
            self._tell(unit, "other", str(error), error.remedy, identity)
        else:
            self._tell(unit, "found", "as declared", "", identity)

    def _tell(
        self,
        unit: UnitEntry,
        status: Status,
        found: str,
        remedy: str,
        identity: Identity | None = None,
    ) -> None:
        address = self.built.addresses.get(unit.name)
        expected = expected_chain(self.plan, self.name)
        if unit.serial is not None:
            expected = f"{expected}, serial {unit.serial}"
        if address is not None:
            expected = f"{expected}, address {address}"
        what = f"unit {unit.name!r} of chain {self.name!r}"
        self.tell(
            Answer(what, unit.name, "unit", status, expected, found, remedy, identity, address)
        )

    def _relays(self, unit: UnitEntry, matrix: RelayMatrix) -> RelaysFound:
        try:
            closed: Any = self.line.ask_again(matrix.read_back)
        except (LinkError, InstrumentFault) as error:
            told = f"relays can't be read: {error}"
            return RelaysFound(self.name, unit.name, None, told, error.remedy)
        return RelaysFound(self.name, unit.name, None if closed is None else tuple(sorted(closed)))


def is_garbled(error: OhmwardError) -> bool:
    """Whether bytes came, but no answer: two units at once, or a link that is set wrong."""
    return isinstance(error, ProtocolFault) or (
        isinstance(error, TimedOut) and bool(error.received)
    )


def expected_chain(plan: StationPlan, name: str) -> str:
    """'Maker model, simulated, at tcp …'."""
    entry = plan.station.chains[name]
    reached = f"through tester {entry.carried_by}"
    if entry.link is not None:
        reached = f"at {link_words(entry.link)}"
    kind = "simulated" if entry.simulated else "real"
    return f"{plan.chains[name].profile}, {kind}, {reached}"


def not_reached(plan: StationPlan, name: str, found: str, tell: Tell) -> None:
    """A chain none of whose units can be asked."""
    entry = plan.station.chains[name]
    remedy = f"bring tester {entry.carried_by!r} into reach first"
    if entry.link is not None:
        remedy = link_remedy(entry.link)
    what = f"chain {name!r} ({len(entry.units)} of its units not asked)"
    tell(Answer(what, name, "chain", "silent", expected_chain(plan, name), found, remedy))
