"""Links of a probe: each with an engine of its own, so that one that fails harms no other."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from typing import Any, NoReturn

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.plugins import LINKS, plugin
from orchestrator.clock import Clock
from orchestrator.contract import Link, RelayMatrix, Reply, SafetyTester, Talk, Ticket
from orchestrator.errors import LinkError, LinkLost
from orchestrator.model.alarms import Alarm
from orchestrator.model.record import Entry, Identity
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.station import Link as LinkEntry
from orchestrator.model.station import SerialLink, SimulatedLink, TcpLink
from orchestrator.running.commands import Command, Converse, Sequence
from orchestrator.running.controller import quiet
from orchestrator.running.engine import Engine
from orchestrator.running.interlock import Interlock
from orchestrator.running.ports import Port
from orchestrator.running.rack import Rack, RunState, TesterSeat


class NoJournal:
    """A probe keeps no journal: nothing it does needs one."""

    def append(self, entry: Entry) -> Ticket:
        raise RuntimeError(f"a probe keeps no journal, but was to write {entry.kind!r}")

    def unfinished(self) -> tuple[str, ...]:
        return ()

    def alarms(self) -> tuple[Alarm, ...]:
        return ()

    def close(self) -> None:
        pass


class OnlyReading:
    """A chain that is only read; its link counts as in step once it is silent.

    The usual query of the first unit would give up a whole chain for one unit that is missing.
    """

    def __init__(self, matrix: RelayMatrix) -> None:
        self._matrix = matrix
        self.name = matrix.name
        self.abilities = matrix.abilities

    def identify(self) -> Talk[Mapping[str, Identity]]:
        return self._matrix.identify()

    def read_back(self) -> Talk[frozenset[Contact] | None]:
        return self._matrix.read_back()

    def apply(self, route: Route) -> NoReturn:
        raise RuntimeError(f"a probe moves no relay, but was to set {len(route.contacts)}")

    def open_all(self) -> NoReturn:
        raise RuntimeError("a probe moves no relay, but was to open all")

    def resync(self) -> Talk[None]:
        yield from ()

    def absorb(self, drained: bytes) -> None:
        self._matrix.absorb(drained)


class Line:
    """An open link and the engine that drives it."""

    def __init__(
        self,
        plan: StationPlan,
        port: Port,
        owner: SafetyTester | RelayMatrix,
        clock: Clock,
        seat: TesterSeat | None = None,
    ) -> None:
        self.name = port.name
        self.rack = Rack(
            ports={port.name: port},
            owners={port.name: owner},
            testers={} if seat is None else {seat.name: seat},
            chains={},
            inputs=(),
            tester_inputs={},
            interlock=Interlock({}),
            clock=clock,
            store=NoJournal(),
            safe_ac_v=plan.station.safe_level.ac.value,
            safe_dc_v=plan.station.safe_level.dc.value,
            relay_settle_s=float(plan.station.relay_settle),
        )
        self.run = RunState(self.rack, "", quiet)
        self.engine = Engine(self.rack)

    def ask(self, talk: Talk[Any]) -> Any:
        """Hold a conversation. Raises LinkError, InstrumentFault."""
        return self.drive(_one(Converse(self.name, talk)))

    def ask_again(self, begin: Callable[[], Talk[Any]]) -> Any:
        """Like `ask`; a link that breaks is reopened and asked once more, for reading only."""
        try:
            return self.ask(begin())
        except LinkLost:
            return self.ask(begin())  # the pump reopens a link that isn't in step first

    def drive(self, sequence: Sequence) -> Any:
        """Drive a sequence on this link. Raises what it raises."""
        return self.engine.drive(sequence)


def _one(command: Command) -> Generator[Command, Any, Any]:
    return (yield command)


def once(talk: Talk[Any]) -> Talk[Any]:
    """The same conversation, ended by the first link error: nothing is asked again."""
    answer: Reply | None = None
    try:
        while True:
            wanted = talk.send(answer)
            try:
                answer = yield wanted
            except LinkError:
                talk.close()
                raise
    except StopIteration as stop:
        return stop.value


def open_link(
    entry: LinkEntry, name: str, defaults: object | None, *, clock: Clock, bench: Any
) -> Link:
    """Open one link. Raises LinkError, Refused."""
    extra: dict[str, Any] = {"defaults": defaults}
    if isinstance(entry, TcpLink):
        extra = {}
    elif isinstance(entry, SimulatedLink):
        extra = {"bench": bench}
    link: Link = plugin(LINKS, entry.kind)(entry, name=name, clock=clock, **extra)
    return link


def link_words(entry: LinkEntry) -> str:
    """'tcp 10.0.0.5, port 5025', as the station file has it."""
    if isinstance(entry, TcpLink):
        return f"tcp {entry.host}, port {entry.port}"
    if isinstance(entry, SerialLink):
        given = [
            f"{word} {value}"
            for word, value in (
                ("baud", entry.baud),
                ("bits", entry.bits),
                ("parity", entry.parity),
                ("stop bits", entry.stop_bits),
            )
            if value is not None
        ]
        settings = ", ".join(given) if given else "settings of the profile"
        return f"serial {entry.port}, {settings}"
    if isinstance(entry, SimulatedLink):
        return f"simulated {entry.instrument}"
    return f"visa {entry.resource}"


def link_remedy(entry: LinkEntry) -> str:
    """What to check where nobody answers on this link."""
    if isinstance(entry, TcpLink):
        return "check power and cable, then host and port on the instrument's own display"
    if isinstance(entry, SerialLink):
        return (
            "check power, cable (straight or crossed) and port, then baud, bits, parity and stop "
            "bits on the instrument against these"
        )
    if isinstance(entry, SimulatedLink):
        return "check which simulator the station file names"
    return "check power and cable, then the resource's address on the instrument's own display"
