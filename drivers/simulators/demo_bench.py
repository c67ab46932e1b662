"""The simulated instruments of a whole station, each served over a link of the kind its file names.

For benches in real time: whatever opens the links can't tell them from instruments elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from drivers.simulators.bench import SIMULATORS, Bench
from drivers.simulators.build import wire
from drivers.simulators.serve import PtyServer, TcpServer, serve_pty, serve_tcp
from drivers.simulators.unit import read_unit
from orchestrator.errors import Fault, Refused
from orchestrator.model.station import SerialLink, TcpLink, VisaLink

if TYPE_CHECKING:
    from drivers.simulators.violations import Violation
    from orchestrator.clock import Clock
    from orchestrator.model.fixture import Fixture
    from orchestrator.model.station import ChainEntry, Station, TesterEntry


class ServedBench:
    """Use as a context manager or `close` it; made by `serve_station`.

    Attributes:
        bench: with guard, state and unit under test.
        links: instrument → its link, as a station file writes it.
    """

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.links: dict[str, str] = {}
        self._closing = ExitStack()

    def serve(self, name: str, entry: TesterEntry | ChainEntry, **settings: Any) -> None:
        """Put an instrument on the bench and serve it.

        Raises:
            Refused: there is no simulator for its profile, or its link is of another kind.
        """
        kind, link = Path(entry.profile).stem, entry.link
        if kind not in SIMULATORS or not isinstance(link, VisaLink | TcpLink | SerialLink):
            found = f"profile {entry.profile}, link {link.kind if link else 'none'}"
            expected = f"one of {', '.join(SIMULATORS)} with a link visa, tcp or serial"
            remedy = "correct the station file, or use kind: simulated"
            raise Refused([Fault(f"serving {name!r}", found, expected, remedy)])
        server = _server(self.bench.add(name, kind, **settings), link)
        self._closing.callback(server.close)
        if isinstance(server, PtyServer):
            self.links[name] = f"{{kind: serial, port: {server.path}}}"
        elif isinstance(link, VisaLink):
            self.links[name] = (
                f"{{kind: visa, resource: '{server.resource}', backend: '{link.backend}'}}"
            )
        else:
            self.links[name] = f"{{kind: tcp, host: 127.0.0.1, port: {server.port}}}"

    def load_unit(self, path: Path) -> None:
        """Put another unit under test in. Raises Refused."""
        self.bench.load_unit(read_unit(path))

    @property
    def violations(self) -> tuple[Violation, ...]:
        """What must never have happened, so far."""
        return self.bench.violations

    def close(self) -> None:
        """Stop serving."""
        self._closing.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _server(instrument: Any, link: VisaLink | TcpLink | SerialLink) -> PtyServer | TcpServer:
    """A pseudo-terminal for a serial line, TCP where the system has none and for all else."""
    if isinstance(link, SerialLink):
        try:
            return serve_pty(instrument)
        except ImportError:
            return serve_tcp(instrument)
    return serve_tcp(instrument)


def serve_station(
    station: Station,
    fixture: Fixture,
    addresses: Mapping[str, Mapping[str, int]],
    *,
    clock: Clock,
) -> ServedBench:
    """A bench with every instrument of a station, wired as station and fixture say.

    Args:
        station: its links say of which kind each is to be; their addresses don't matter.
        addresses: chain → unit → address.
        clock: the system's.

    Raises:
        Refused: an instrument that can't be served.
    """
    served = ServedBench(Bench(clock))
    try:
        for name, tester in station.testers.items():
            served.serve(name, tester)
        for name, chain in station.chains.items():
            if chain.carried_by is not None:  # no link of its own: nothing to serve
                units = tuple(unit.name for unit in chain.units)
                kind = Path(chain.profile).stem
                served.bench.add(name, kind, units=units, carrier=chain.carried_by)
            else:
                served.serve(name, chain, units=dict(addresses[name]))
        wire(served.bench, station, fixture)
    except BaseException:
        served.close()
        raise
    return served
