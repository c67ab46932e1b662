"""The simulated bench: clock, wires, instruments, guard, unit under test, violations."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

from drivers.simulators.timers import Timer, Timers
from drivers.simulators.violations import ViolationLog
from drivers.simulators.watcher import Watcher
from drivers.simulators.wiring import Wiring, terminal_node

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from drivers.simulators.base import Instrument
    from drivers.simulators.io_block import SimulatedIo
    from drivers.simulators.output import Output
    from drivers.simulators.relays import Key, RelayUnit
    from drivers.simulators.unit import UnitUnderTest
    from drivers.simulators.violations import Violation
    from orchestrator.clock import Clock

SIMULATORS: dict[str, str] = {
    "orrin": "drivers.simulators.orrin:Orrin",
    "pell": "drivers.simulators.pell:Pell",
    "stave": "drivers.simulators.stave:Stave",
    "lattice": "drivers.simulators.lattice:Lattice",
    "sprig": "drivers.simulators.sprig:Sprig",
    "comb": "drivers.simulators.comb:Comb",
}
"""Kind of instrument to 'module:class'; the class is called with (bench, name, **settings)."""


@dataclass(frozen=True, slots=True)
class OutputState:
    """An output as it is now."""

    phase: str
    on: bool
    ac_v: float
    dc_v: float


@dataclass(frozen=True, slots=True)
class BenchState:
    """A snapshot of the bench.

    `closed`: 'chain/unit/bank/channel' with the bus, of every closed contact.
    """

    at_s: float
    guard_closed: bool
    outputs: Mapping[str, OutputState]
    closed: frozenset[tuple[str, str]]
    moving: frozenset[str]

    @property
    def any_on(self) -> bool:
        """True if any output is energised."""
        return any(output.on for output in self.outputs.values())


class Bench:
    """Everything that stands on the simulated bench.

    Args:
        clock: the only source of time; a `VirtualClock` carries the bench along as it advances.

    One lock orders all access, so that instruments may be served by threads while a test looks
    at the bench.
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.lock = threading.RLock()
        self.wiring = Wiring()
        self.instruments: dict[str, Instrument] = {}
        self.outputs: dict[str, Output] = {}
        self._timers = Timers(clock)
        self._log = ViolationLog()
        self._watcher = Watcher(self, self._log)
        self._guard_closed = True
        self._enabled = True
        self.blocks: dict[str, SimulatedIo] = {}
        self._guard_listeners: list[Callable[[bool], None]] = []
        self._timers.follow(self._catch_up_locked)

    # ---- time

    @property
    def now_s(self) -> float:
        """The bench's time: that of the event in work, else the clock's."""
        return self._timers.now_s

    def at(self, due_s: float, action: Callable[[], None]) -> Timer:
        """Have something happen at a time (monotonic, s): tests open the guard this way."""
        with self.lock:
            return self._timers.at(due_s, action)

    def after(self, seconds: float, action: Callable[[], None]) -> Timer:
        """Have something happen so many seconds from now."""
        with self.lock:
            return self._timers.after(seconds, action)

    def catch_up(self) -> None:
        """Bring the bench to the clock's time. Call with the lock held."""
        self._timers.catch_up()

    def _catch_up_locked(self) -> None:
        with self.lock:
            self._timers.catch_up()

    # ---- building

    def add(self, name: str, kind: str, **settings: Any) -> Instrument:
        """Put an instrument on the bench.

        Args:
            name: under which it is wired and found.
            kind: one of `SIMULATORS`.
            settings: for the instrument; relay matrices take ``units={unit name: address}``.

        Raises:
            ValueError: unknown kind, or the name is taken.
        """
        if name in self.instruments:
            raise ValueError(f"there is an instrument {name!r} on the bench already")
        if kind not in SIMULATORS:
            raise ValueError(f"no simulator for {kind!r}; there are {', '.join(SIMULATORS)}")
        module, _, factory = SIMULATORS[kind].partition(":")
        with self.lock:
            made: Instrument = getattr(import_module(module), factory)(self, name, **settings)
            self.instruments[name] = made
        return made

    def feed(self, tester: str, terminal: str, chain_unit: str, bank: str, bus: str) -> None:
        """Lead a tester's terminal to a bus ('source' or 'return') of 'chain/unit'."""
        with self.lock:
            self.wiring.feed(terminal_node(tester, terminal), chain_unit, bank, bus)
            self.topology_changed()

    def wire(self, chain_unit: str, bank: str, channel: int, point: str) -> None:
        """Lead a channel of 'chain/unit' to a contact point."""
        with self.lock:
            self.wiring.wire(chain_unit, bank, channel, point)
            self.topology_changed()

    def wire_terminal(self, tester: str, terminal: str, point: str) -> None:
        """Lead a tester's terminal straight to a contact point."""
        with self.lock:
            self.wiring.wire_direct(terminal_node(tester, terminal), point)
            self.topology_changed()

    def load_unit(self, unit: UnitUnderTest) -> None:
        """Put another unit under test in."""
        with self.lock:
            self.catch_up()
            self.wiring.load(unit.branches())
            self.topology_changed()

    # ---- the guard

    @property
    def guard_closed(self) -> bool:
        """The protective guard."""
        with self.lock:
            self.catch_up()
            return self._guard_closed

    @guard_closed.setter
    def guard_closed(self, closed: bool) -> None:
        with self.lock:
            self.catch_up()
            if closed == self._guard_closed:
                return
            before = self.interlock_closed
            self._guard_closed = closed
            self._tell_listeners(before)
            if not closed:
                self._watcher.guard_opened()

    @property
    def interlock_closed(self) -> bool:
        """What the instruments' interlock contacts see: the guard and the enable in series."""
        with self.lock:
            self.catch_up()
            return self._guard_closed and self._enabled

    @property
    def enabled(self) -> bool:
        """The enable output; on where the station has none."""
        return self._enabled

    @enabled.setter
    def enabled(self, on: bool) -> None:
        with self.lock:
            self.catch_up()
            before = self.interlock_closed
            self._enabled = on
            self._tell_listeners(before)

    def _tell_listeners(self, before: bool) -> None:
        closed = self.interlock_closed
        if closed != before:
            for listener in self._guard_listeners:
                listener(closed)

    def on_guard(self, listener: Callable[[bool], None]) -> None:
        """Have an instrument told when its interlock contact closes (True) or opens."""
        self._guard_listeners.append(listener)

    # ---- remote I/O

    def add_block(self, name: str, block: SimulatedIo) -> None:
        """Put a remote I/O block on the bench."""
        self.blocks[name] = block

    def io_block(self, name: str) -> SimulatedIo:
        """A remote I/O block of the bench. Raises KeyError."""
        return self.blocks[name]

    # ---- looks

    @property
    def violations(self) -> tuple[Violation, ...]:
        """What must never have happened, so far."""
        with self.lock:
            self.catch_up()
            return self._log.entries

    def clear_violations(self) -> None:
        """Forget them, for the next part of a test."""
        with self.lock:
            self._log.clear()

    def state(self) -> BenchState:
        """The bench as it is now."""
        with self.lock:
            self.catch_up()
            outputs = {
                name: OutputState(str(out.phase), out.on, *out.voltage())
                for name, out in self.outputs.items()
            }
            units = self.wiring.units
            closed = {(f"{u}/{k.bank}/{k.channel}", k.bus) for u in units for k in u.closed}
            moving = frozenset(str(unit) for unit in units if unit.moving)
            return BenchState(self.now_s, self._guard_closed, outputs, frozenset(closed), moving)

    def voltage_fed_to(self, output: Output) -> tuple[float, float]:
        """(AC rms, DC) that other outputs put between this one's terminals."""
        ac_v = dc_v = 0.0
        for other in self.outputs.values():
            if other is not output and other.on:
                level_ac_v, level_dc_v = other.voltage()
                transfer = self.wiring.transfer(*other.nodes, other.frequency_hz)
                source, back = output.nodes
                share = abs(transfer.voltage(source) - transfer.voltage(back))
                ac_v, dc_v = max(ac_v, level_ac_v * share), max(dc_v, level_dc_v * share)
        return ac_v, dc_v

    # ---- what instruments tell the bench

    def attach_relays(self, unit: RelayUnit) -> None:
        """A relay unit is there."""
        self.wiring.attach(unit)

    def attach_output(self, output: Output) -> None:
        """A tester's output is there."""
        self.outputs[output.tester] = output

    def topology_changed(self) -> None:
        """Contacts, wires or parts have changed."""
        self.wiring.changed()
        for output in self.outputs.values():
            output.reassess()
        self._watcher.both_sides()

    def relays_commanded(self, unit: RelayUnit, keys: Iterable[Key]) -> None:
        """Contacts are about to move."""
        self._watcher.commanded(unit, keys)

    def relays_moving(self, unit: RelayUnit, keys: Iterable[Key]) -> None:
        """Contacts move at this very moment."""
        self._watcher.moving(unit, keys)

    def output_started(self, output: Output) -> None:
        """An output was just switched on."""
        self._watcher.started(output)

    def check_ratings(self, output: Output, level: float) -> None:
        """An output stands at a level, or contacts changed while it did."""
        self._watcher.ratings(output, level)
