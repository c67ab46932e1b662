"""The bench of a station: what its file wires is wired here, with simulators in place."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from drivers.simulators.bench import SIMULATORS, Bench
from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.unit import UnitUnderTest, read_unit
from orchestrator.clock import Clock
from orchestrator.errors import Fault, Position, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.station import ChainEntry, IoInput, LifeSign, SimulatedLink, Station

PARTS_OF_A_POSITION = 4
INNER = "inner "
"""Nodes of a unit that no lead reaches are named so, to tell them from misspelt points."""


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
    add_blocks(bench, station)
    if station.simulated_unit is not None:
        path = folder / station.simulated_unit
        unit = read_unit(path)
        _check_points(unit, fixture, str(path))
        bench.load_unit(unit)
    return bench


def _check_points(unit: UnitUnderTest, fixture: Fixture | None, file: str) -> None:
    """A point that no lead reaches would be a misspelt one. Raises Refused."""
    if fixture is None:
        return
    named = {point for part in unit.parts for point in part.between}
    faults = [
        Fault(
            what="the simulated unit",
            found=f"point {point!r}",
            expected=f"points of fixture {fixture.name}: {', '.join(fixture.points)}",
            remedy=_nearest(point, fixture),
            position=Position(file),
        )
        for point in sorted(named - set(fixture.points))
        if not point.startswith(INNER)
    ]
    if faults:
        raise Refused(faults)


def _nearest(point: str, fixture: Fixture) -> str:
    near = get_close_matches(point, list(fixture.points), n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    return f"{hint}A node inside the unit, without a lead, is named {INNER}…"


def wire(bench: Bench, station: Station, fixture: Fixture | None) -> None:
    """Lead terminals to buses and channels to contact points, as the files say."""
    here = {name: chain.built_in or name for name, chain in station.chains.items()}
    for name, chain in station.chains.items():
        for unit in chain.units if here[name] in bench.instruments else ():
            for bank, feed in unit.feeds.items():
                for bus, terminal in (("source", feed.source), ("return", feed.return_)):
                    if terminal is not None:
                        tester, _, end = terminal.partition(".")
                        bench.feed(tester, end, f"{here[name]}/{unit.name}", bank, bus)
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
            if here.get(chain_name) in bench.instruments:
                bench.wire(f"{here[chain_name]}/{unit_name}", bank, int(channel), point)
        else:
            tester, _, end = place.partition(".")
            if tester in bench.instruments:
                bench.wire_terminal(tester, end, point)


def add_blocks(bench: Bench, station: Station) -> None:
    """The station's simulated I/O blocks: the guard at their inputs, the enable in series with it.

    A two-channel input that is antivalent gets the guard's other contact.
    """
    for name, entry in station.io.items():
        if entry.driver != "simulated":
            continue
        sign = entry.life_sign
        block = SimulatedIo(
            bench.clock,
            inputs=entry.inputs,
            outputs=entry.outputs,
            drops_after_s=float(entry.drops_after),
            levels=_guard_levels(bench, station, name) | _flasher(bench, sign),
            wires={} if sign is None or sign.follows is None else {sign.input: sign.follows},
        )
        bench.add_block(name, block)
    enable = station.outputs.enable
    if enable is not None and enable.block in bench.blocks:
        bench.enabled = False
        bench.io_block(enable.block).on_output(_gate(bench, enable.output))


def _guard_levels(bench: Bench, station: Station, name: str) -> dict[int, Callable[[], bool]]:
    levels: dict[int, Callable[[], bool]] = {}
    for entry in station.interlock:
        source = entry.source
        if not isinstance(source, IoInput) or source.block != name:
            continue
        high = source.closed_when == "high"
        levels[source.input] = _contact(bench, high_when_closed=high)
        if source.second is not None:
            same = source.second.moves == "same"
            levels[source.second.input] = _contact(bench, high_when_closed=high is same)
    return levels


def _flasher(bench: Bench, sign: LifeSign | None) -> dict[int, Callable[[], bool]]:
    """What makes a life sign toggle that no output drives."""
    if sign is None or sign.follows is not None:
        return {}
    half_s = float(sign.changes_within) / 4
    return {sign.input: lambda: int(bench.clock.monotonic() / half_s) % 2 == 0}


def _contact(bench: Bench, *, high_when_closed: bool) -> Callable[[], bool]:
    return lambda: bench.guard_closed is high_when_closed


def _gate(bench: Bench, output: int) -> Callable[[int, bool], None]:
    def changed(number: int, on: bool) -> None:
        if number == output:
            bench.enabled = on

    return changed


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
