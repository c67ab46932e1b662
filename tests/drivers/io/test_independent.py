"""Against pymodbus, written by others: as the slave of our block, as the master of our slave."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pymodbus.client import ModbusTcpClient

from drivers.io.building import build_modbus
from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.io_serve import IoServer
from orchestrator.errors import InstrumentRefused
from tests.drivers.io.pymodbus_slave import FIRST, UNIT, PymodbusSlave
from tests.drivers.io.rig import CLOCK, Scan, contact, entry, until


@pytest.fixture
def slave() -> Iterator[PymodbusSlave]:
    made = PymodbusSlave()
    yield made
    made.put_away()


def at(slave: PymodbusSlave, **keys: str) -> dict[str, str]:
    return {"unit": str(UNIT), "first_input": str(FIRST), "first_output": str(FIRST)} | keys


def test_the_block_works_with_an_independent_slave(slave: PymodbusSlave) -> None:
    """Inputs arrive, outputs go out, a drop ends them, closing leaves all off."""
    block = build_modbus(entry(slave.port, **at(slave)), "rack", clock=CLOCK, bench=None)
    try:
        guard = block.input("guard", contact(5), CLOCK)
        enable = block.output("enable", 2)
        assert slave.written[0] == [False] * 8
        slave.inputs[5] = True
        until(lambda: guard.sample().closed)
        with Scan(enable):
            until(lambda: enable.seen() is True)
            assert enable.problem(CLOCK.monotonic()) is None
            assert slave.written[-1] == [False, False, True] + [False] * 5
        enable.drop()
        until(lambda: enable.seen() is False)
    finally:
        block.close()
    assert block.proved_off
    assert slave.written[-1] == [False] * 8


def test_addresses_the_slave_does_not_have_are_refused_with_a_remedy(
    slave: PymodbusSlave,
) -> None:
    """Its exception is told in words, and what to compare."""
    keys = at(slave, first_output="900")
    with pytest.raises(InstrumentRefused, match="no such address") as refused:
        build_modbus(entry(slave.port, **keys), "rack", clock=CLOCK, bench=None)
    assert "first_output" in refused.value.remedy


def test_an_independent_master_works_with_our_slave() -> None:
    """FC01, FC02, FC05, FC15 and the exceptions as pymodbus speaks them."""
    block = SimulatedIo(CLOCK, drops_after_s=60.0)
    with IoServer(block, CLOCK) as server:
        master = ModbusTcpClient("127.0.0.1", port=server.port, timeout=2.0, retries=0)
        assert master.connect()  # type: ignore[no-untyped-call]
        try:
            block.set_input(6, True)
            assert master.read_discrete_inputs(0, count=8, device_id=1).bits[6] is True
            assert not master.write_coils(1, [True, False, True], device_id=1).isError()
            assert master.read_coils(0, count=8, device_id=1).bits == [
                False, True, False, True, False, False, False, False,
            ]  # fmt: skip
            assert not master.write_coil(1, False, device_id=1).isError()
            assert block.terminals == (False,) * 3 + (True,) + (False,) * 4
            assert master.read_coils(4, count=8, device_id=1).exception_code == 2
            assert master.read_holding_registers(0, count=1, device_id=1).exception_code == 1
        finally:
            master.close()  # type: ignore[no-untyped-call]
