"""A station's rack: links opened, seats, inputs and outputs, from its plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from typing import Any

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.plugins import INPUTS, IO, LINKS, plugin
from orchestrator.binding.proofs import worst_bleed_s
from orchestrator.clock import Clock
from orchestrator.contract import (
    InputBlock,
    IoBlock,
    IoFactory,
    Link,
    OutputBlock,
    RelayMatrix,
    RunStore,
    SafetyTester,
)
from orchestrator.model.station import (
    InterlockEntry,
    IoInput,
    OutputPlace,
    SimulatedInput,
    TesterInput,
)
from orchestrator.model.station import Link as LinkEntry
from orchestrator.running.interlock import Interlock
from orchestrator.running.ports import Port, TrafficLine
from orchestrator.running.rack import ChainSeat, Rack, TesterSeat

Listener = Callable[[str, TrafficLine], None]


class RackBuilder:
    """Opens what a station names; ``closing`` closes it again, outputs before links."""

    def __init__(
        self,
        plan: StationPlan,
        clock: Clock,
        bench: Any,
        closing: ExitStack,
        listener: Listener | None = None,
    ) -> None:
        self._plan, self._clock, self._bench, self._closing = plan, clock, bench, closing
        self._listener = listener

    def rack(self, store: RunStore) -> Rack:
        """The whole of it. Raises LinkLost, Refused."""
        station = self._plan.station
        ports: dict[str, Port] = {}
        owners: dict[str, SafetyTester | RelayMatrix] = {}
        for name, built in self._plan.testers.items():
            link = self._open(station.testers[name].link, name, built.link_defaults)
            ports[name] = Port(link, self._clock, self._listener)
            owners[name] = built.adapter
        for name, chain in self._plan.chains.items():
            entry = station.chains[name]
            if entry.link is not None and chain.adapter is not None:
                link = self._open(entry.link, name, chain.link_defaults)
                ports[name] = Port(link, self._clock, self._listener)
                owners[name] = chain.adapter
        blocks = {name: self._block(name) for name in station.io}
        enable = station.outputs.enable
        return Rack(
            ports=ports,
            owners=owners,
            testers={name: self._tester(name) for name in station.testers},
            chains={name: self._chain(name) for name in station.chains},
            inputs=tuple(self._inputs(blocks)),
            tester_inputs={
                entry.name: entry.source.tester
                for entry in station.interlock
                if isinstance(entry.source, TesterInput)
            },
            interlock=_interlock(station.interlock),
            clock=self._clock,
            store=store,
            safe_ac_v=station.safe_level.ac.value,
            safe_dc_v=station.safe_level.dc.value,
            relay_settle_s=float(station.relay_settle),
            enable=_output("enable", enable, blocks),
            enable_settle_s=0.0 if enable is None else float(enable.settle),
            green_lamp=_output("green lamp", station.outputs.green_lamp, blocks),
            io=blocks,
            watched={entry.name: (entry.block, entry.input) for entry in station.watched},
        )

    def _open(self, entry: LinkEntry, name: str, defaults: object | None) -> Link:
        kinds: dict[str, dict[str, Any]] = {
            "tcp": {},
            "serial": {"defaults": defaults},
            "visa": {"defaults": defaults},
            "simulated": {"bench": self._bench},
        }
        opening = plugin(LINKS, entry.kind)
        link: Link = opening(entry, name=name, clock=self._clock, **kinds[entry.kind])
        self._closing.callback(link.close)
        return link

    def _block(self, name: str) -> IoBlock:
        entry = self._plan.station.io[name]
        make: IoFactory = plugin(IO, entry.driver)
        block = make(entry, name, clock=self._clock, bench=self._bench)
        self._closing.callback(block.close)
        return block

    def _tester(self, name: str) -> TesterSeat:
        entry = self._plan.station.testers[name]
        adapter = self._plan.testers[name].adapter
        bleed_s = worst_bleed_s(self._plan.station, name, adapter.abilities)
        return TesterSeat(name, adapter, name, entry.simulated, entry.serial, bleed_s)

    def _chain(self, name: str) -> ChainSeat:
        entry, built = self._plan.station.chains[name], self._plan.chains[name]
        port = entry.carried_by or entry.built_in or name
        serials = {unit.name: unit.serial for unit in entry.units if unit.serial is not None}
        return ChainSeat(
            name, built.adapter, port, built.abilities, entry.simulated, serials=serials
        )

    def _inputs(self, blocks: Mapping[str, IoBlock]) -> list[InputBlock]:
        made: list[InputBlock] = []
        for entry in self._plan.station.interlock:
            source = entry.source
            if isinstance(source, TesterInput):
                continue
            if isinstance(source, IoInput):
                made.append(blocks[source.block].input(entry.name, source, self._clock))
                continue
            extra: dict[str, Any] = (
                {"guard": self._bench}
                if isinstance(source, SimulatedInput)
                else {"folder": self._plan.folder}
            )
            make: Callable[..., InputBlock] = plugin(INPUTS, source.kind)
            made.append(make(entry.name, source, clock=self._clock, **extra))
        return made


def _interlock(inputs: tuple[InterlockEntry, ...]) -> Interlock:
    return Interlock(
        {entry.name: float(entry.stale_after) for entry in inputs},
        {entry.name: float(entry.debounce) for entry in inputs},
        frozenset(entry.name for entry in inputs if entry.purpose == "emergency_stop"),
    )


def _output(
    name: str, place: OutputPlace | None, blocks: Mapping[str, IoBlock]
) -> OutputBlock | None:
    return None if place is None else blocks[place.block].output(name, place.output)
