"""The live instruments of a station as the sequence sees them, and the state of one run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from orchestrator.clock import Clock
from orchestrator.contract import (
    InputBlock,
    IoBlock,
    OutputBlock,
    RelayMatrix,
    RunStore,
    SafetyTester,
)
from orchestrator.model.abilities import MatrixAbilities
from orchestrator.model.record import Identity, Located, OffProof, StepResult
from orchestrator.model.schedule import BoundStep, Contact, Route
from orchestrator.running.interlock import Interlock
from orchestrator.running.ports import Port
from orchestrator.running.states import Phase, move


@dataclass
class TesterSeat:
    """A tester with the port it speaks through and what the station file says of it."""

    name: str
    adapter: SafetyTester
    port: str
    simulated: bool
    serial: str | None = None
    bleed_s: float | None = None
    identity: Identity | None = None
    armed: bool = False
    started_s: float | None = None
    """When the last start was ordered and taken (monotonic s)."""
    stopped_at_s: float | None = None
    proof: OffProof | None = None
    proved_at_s: float | None = None
    """When the last proof was taken (monotonic s)."""


@dataclass
class ChainSeat:
    """A chain of relay units; ``adapter`` is None where a tester does the routing itself."""

    name: str
    adapter: RelayMatrix | None
    port: str
    abilities: MatrixAbilities
    simulated: bool
    identities: Mapping[str, Identity] = field(default_factory=dict)
    serials: Mapping[str, str] = field(default_factory=dict)
    """Unit → serial number pinned in the station file."""


@dataclass(frozen=True)
class Rack:
    """Everything live. ``tester_inputs``: interlock input → tester that reports it."""

    ports: Mapping[str, Port]
    owners: Mapping[str, SafetyTester | RelayMatrix]
    """Port → the adapter that absorbs what is drained there and resynchronises it."""
    testers: Mapping[str, TesterSeat]
    chains: Mapping[str, ChainSeat]
    inputs: tuple[InputBlock, ...]
    tester_inputs: Mapping[str, str]
    interlock: Interlock
    clock: Clock
    store: RunStore
    safe_ac_v: Decimal
    safe_dc_v: Decimal
    relay_settle_s: float
    enable: OutputBlock | None = None
    """Lets the testers' outputs on; on during a run only."""
    enable_settle_s: float = 0.0
    green_lamp: OutputBlock | None = None
    """Ready: proved off, discharged and secured (EN 50191). Dark unless it is refreshed."""
    io: Mapping[str, IoBlock] = field(default_factory=dict)
    watched: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    """Spare inputs that are shown and recorded: name → block and input."""

    def watched_levels(self) -> dict[str, bool | None]:
        """Spare inputs as last read; ``None`` where that is too old to count."""
        blocks = {name: block.bits() for name, block in self.io.items()}
        levels: dict[str, bool | None] = {}
        for name, (block, number) in self.watched.items():
            bits = blocks[block]
            levels[name] = None if bits is None else bits[number]
        return levels

    @property
    def telling(self) -> frozenset[str]:
        """Interlock inputs that say something while the enable is off: a tester's own input
        usually lies in series with it."""
        return frozenset(self.interlock.inputs) if self.enable is None else self.scanned

    @property
    def scanned(self) -> frozenset[str]:
        """Interlock inputs that every scan samples; the others are asked of a tester."""
        return frozenset(block.name for block in self.inputs)


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to show: ``kind`` is step_started, live, step_ended, located, phase, event, alarm
    or run_ended."""

    kind: str
    data: Mapping[str, Any]


@dataclass
class RunState:
    """What one run has done so far. Only the sequence changes it.

    ``route`` is None where the relay state is unknown. ``void``: why the evidence of discharge
    doesn't count, '' if it does.
    """

    rack: Rack
    run_id: str
    show: Callable[[Notice], None]
    phase: Phase = Phase.TAKE_OVER
    route: Route | None = None
    void: str = ""
    last_waveform_ac: bool | None = None
    closings: Counter[Contact] = field(default_factory=Counter)
    results: list[StepResult] = field(default_factory=list)
    search_steps: list[BoundStep] = field(default_factory=list)
    """Steps that a search made; their indexes go on behind those of the program."""
    search_results: list[StepResult] = field(default_factory=list)
    located: list[Located] = field(default_factory=list)
    unended_search: Callable[[str], Located] | None = None
    """A search that is under way: what it comes to if it ends here, for the reason given."""
    begun: set[int] = field(default_factory=set)
    """Indexes of the steps that were journaled as started."""
    found_closed: set[Contact] = field(default_factory=set)
    crashed: bool = False
    """A run before this one never ended: what a tester has latched may be a trip of it."""

    def enter(self, phase: Phase) -> None:
        """Move to a phase. Raises PhaseError."""
        self.phase = move(self.phase, phase)
        self.show(Notice("phase", {"phase": str(phase)}))

    def safe_v(self) -> Decimal:
        """The level below which the output is safe, by the waveform last used; else the lower."""
        if self.last_waveform_ac is None:
            return min(self.rack.safe_ac_v, self.rack.safe_dc_v)
        return self.rack.safe_ac_v if self.last_waveform_ac else self.rack.safe_dc_v

    def now_s(self) -> float:
        """Monotonic seconds."""
        return self.rack.clock.monotonic()
