"""Inputs and outputs of a remote I/O block keep the contracts: over a socket, and on the bench."""

from __future__ import annotations

import pytest

from drivers.io.building import build_simulated
from drivers.simulators.io_block import SimulatedIo
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.conformance import (
    Broken,
    InputBlockContract,
    InputSubject,
    OutputBlockContract,
    OutputSubject,
)
from orchestrator.contract import IoBlock
from orchestrator.model.station import IoEntry
from tests.conformance.mutants import Mutant
from tests.drivers.io.rig import Rack, contact, entry


class ModbusOutput(OutputSubject):
    """Over Modbus TCP, in real time."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self._rack = Rack()
        self.block = self._rack.enable

    def is_on(self) -> bool:
        return self._rack.enabled()

    def cut(self) -> None:
        self._rack.server.close()

    def close(self) -> None:
        self._rack.put_away()


class ModbusInput(InputSubject):
    """Over Modbus TCP, in real time."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self._rack = Rack()
        self.block = self._rack.guard

    def put(self, closed: bool) -> None:
        self._rack.io.set_input(0, closed)

    def make_unreadable(self) -> None:
        self._rack.server.close()

    def close(self) -> None:
        self._rack.put_away()


class Bench:
    """A simulated block in virtual time."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.device = SimulatedIo(self.clock)
        written: IoEntry = entry(simulated="yes", driver="simulated", drops_after="200 ms")
        self.block: IoBlock = build_simulated(written, "rack", clock=self.clock, bench=self)

    def io_block(self, name: str) -> SimulatedIo:
        return {"rack": self.device}[name]


class SimulatedOutput(OutputSubject):
    """On the bench."""

    def __init__(self) -> None:
        self._bench = Bench()
        self.clock = self._bench.clock
        self.block = self._bench.block.output("enable", 1)

    def is_on(self) -> bool:
        return self._bench.device.terminals[1]

    def cut(self) -> None:
        self._bench.device.deaf = True


class SimulatedInput(InputSubject):
    """On the bench."""

    def __init__(self) -> None:
        self._bench = Bench()
        self.clock = self._bench.clock
        self.block = self._bench.block.input("guard", contact(0), self.clock)

    def put(self, closed: bool) -> None:
        self._bench.device.set_input(0, closed)

    def make_unreadable(self) -> None:
        self._bench.device.deaf = True


class TestModbusOutput(OutputBlockContract):
    def make(self) -> OutputSubject:
        return ModbusOutput()


class TestModbusInput(InputBlockContract):
    def make(self) -> InputSubject:
        return ModbusInput()


class TestSimulatedOutput(OutputBlockContract):
    def make(self) -> OutputSubject:
        return SimulatedOutput()


class TestSimulatedInput(InputBlockContract):
    def make(self) -> InputSubject:
        return SimulatedInput()


class Sticks(Mutant):
    """Once on, it refreshes itself."""

    on = False

    def refresh(self, on: bool) -> None:
        self.on = self.on or on
        self.sound.refresh(self.on)


class DropsLater(Mutant):
    """A drop only stops the refreshing."""

    def drop(self) -> None:
        pass


class RepeatsTheOrder(Mutant):
    """Tells what was ordered in place of what was read."""

    ordered: bool | None = None

    def refresh(self, on: bool) -> None:
        self.ordered = on
        self.sound.refresh(on)

    def seen(self) -> bool | None:
        return self.ordered


class OnAtOnce(Mutant):
    """Orders itself on."""

    def seen(self) -> bool | None:
        self.sound.refresh(True)
        found: bool | None = self.sound.seen()
        return found


class SeesNoProblem(Mutant):
    def problem(self, now_s: float) -> str | None:
        del now_s
        return None


class Raises(Mutant):
    def seen(self) -> bool | None:
        raise ConnectionError("no reply")


@pytest.mark.parametrize(
    ("mutant", "rule"),
    [
        (Sticks, "an_order_of_off_is_followed"),
        (DropsLater, "a_drop_is_at_once"),
        (RepeatsTheOrder, "a_block_that_can_t_be_reached_is_told"),
        (SeesNoProblem, "a_block_that_can_t_be_reached_is_told"),
        (OnAtOnce, "it_is_off_until_somebody_orders_it"),
        (Raises, "no_call_waits"),
    ],
)
def test_a_faulty_output_is_caught_by_the_rule_it_breaks(mutant: type[Mutant], rule: str) -> None:
    """One fault, one rule."""
    subject = SimulatedOutput()
    subject.block = mutant(subject.block)
    with pytest.raises(Broken):
        getattr(OutputBlockContract(), f"test_{rule}")(subject)
