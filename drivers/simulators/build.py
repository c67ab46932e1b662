"""The bench of a station: what its file wires is wired here, with simulators in place."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drivers.simulators.bench import SIMULATORS, Bench
from drivers.simulators.unit import UnitUnderTest, read_unit
from orchestrator.clock import Clock
from orchestrator.errors import Fault, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.station import ChainEntry, SimulatedLink, Station

PARTS_OF_A_POSITION = 4


def build_bench(
    station: Station,
    fixture: Fixture | None,
    addresses: Mapping[str, Mapping[str, int]],
    *,
    clock: Clock,
    folder: Path,
) -> Bench:
    """A bench with the station's simulated instruments, wired as station and fixture say.

    Args:
        addresses: chain → unit → address.
        folder: that of the station file.

    Raises:
        Refused: unknown simulator, or a faulty file for the unit under test.
    """
    bench = Bench(clock)
    for name, tester in station.testers.items():
        if isinstance(tester.link, SimulatedLink):
            bench.add(name, _known(tester.link.instrument))
    for name, chain in station.chains.items():
        _add_chain(bench, name, chain, dict(addresses.get(name, {})))
    wire(bench, station, fixture)
    if station.simulated_unit is not None:
        bench.load_unit(read_unit(folder / station.simulated_unit))
    return bench


def wire(bench: Bench, station: Station, fixture: Fixture | None) -> None:
    """Lead terminals to buses and channels to contact points, as the files say."""
    for name, chain in station.chains.items():
        for unit in chain.units:
            for bank, feed in unit.feeds.items():
                for bus, terminal in (("source", feed.source), ("return", feed.return_)):
                    if terminal is not None:
                        tester, _, end = terminal.partition(".")
                        bench.feed(tester, end, f"{name}/{unit.name}", bank, bus)
    points = {
        position: point
        for point, placement in (fixture.points if fixture else {}).items()
        for position in (*placement.source, *placement.sense)
    }
    for position, place in station.positions.items():
        point = points.get(position, f"unused position {position}")
        parts = place.split("/")
        if len(parts) == PARTS_OF_A_POSITION:
            chain_name, unit_name, bank, channel = parts
            bench.wire(f"{chain_name}/{unit_name}", bank, int(channel), point)
        else:
            tester, _, end = place.partition(".")
            bench.wire_terminal(tester, end, point)


def _add_chain(bench: Bench, name: str, chain: ChainEntry, addresses: dict[str, int]) -> None:
    if isinstance(chain.link, SimulatedLink):
        bench.add(name, _known(chain.link.instrument), units=addresses)
    elif chain.carried_by is not None and chain.carried_by in bench.instruments:
        kind = _known(Path(chain.profile).stem)
        units: Any = tuple(unit.name for unit in chain.units)
        bench.add(name, kind, units=units, carrier=chain.carried_by)


def _known(kind: str) -> str:
    if kind not in SIMULATORS:
        raise Refused(
            [
                Fault(
                    what="the simulated instrument",
                    found=repr(kind),
                    expected=", ".join(SIMULATORS),
                    remedy="name one of the shipped simulators",
                )
            ]
        )
    return kind


__all__ = ["UnitUnderTest", "build_bench", "wire"]
