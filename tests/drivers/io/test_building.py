"""What is refused before and at the first contact, with a remedy."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from drivers.io.building import build_modbus, build_simulated
from orchestrator.clock import VirtualClock
from orchestrator.contract import InputBlock, IoBlock, IoFactory, OutputBlock
from orchestrator.errors import InstrumentFault, LinkLost, Refused
from tests.drivers.io.rig import CLOCK, Rack, ScriptedSlave, contact, entry, proper


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"inputs": "0", "outputs": "0"}, "no input and no output"),
        ({"first_input": "65530"}, "addresses up to 65535"),
        ({"drops_after": "15 ms"}, "two periods"),
        ({"life_sign": {"input": "8"}}, "input 8"),
        ({"life_sign": {"input": "7", "follows": "8"}}, "output 8"),
        ({"life_sign": {"input": "7", "changes_within": "20 ms"}}, "four periods"),
    ],
)
def test_an_entry_that_contradicts_itself_is_refused(keys: dict[str, Any], said: str) -> None:
    """Before anything is connected."""
    with pytest.raises(Refused, match=said):
        build_modbus(entry(**keys), "rack", clock=CLOCK, bench=None)


def test_a_network_block_refuses_virtual_time() -> None:
    """A coupler can't be hurried."""
    with pytest.raises(Refused, match="real time"):
        build_modbus(entry(), "rack", clock=VirtualClock(), bench=None)


def test_nobody_there_is_a_lost_link_with_a_remedy() -> None:
    """Host, port and unit stand in the message."""
    closed = ScriptedSlave()
    closed.put_away()
    with pytest.raises(LinkLost, match=f"127.0.0.1:{closed.port}, unit 1") as lost:
        build_modbus(entry(closed.port), "rack", clock=CLOCK, bench=None)
    assert "power and cable" in lost.value.remedy


def test_a_host_that_no_system_knows_is_named() -> None:
    """A name that can't be a host's."""
    with pytest.raises(LinkLost, match="isn't known") as lost:
        build_modbus(entry(host="-not-a-host-."), "rack", clock=CLOCK, bench=None)
    assert "IP address" in lost.value.remedy


def test_who_answers_something_else_is_no_coupler(scripted: ScriptedSlave) -> None:
    """Silence or another protocol at the first contact."""
    for pieces in ((), (b"220 mail ready\r\n",)):
        scripted.answer = lambda _, pieces=pieces: pieces  # type: ignore[misc]
        with pytest.raises(LinkLost):
            build_modbus(entry(scripted.port), "rack", clock=CLOCK, bench=None)


def test_an_output_that_stays_on_at_the_first_contact_is_a_fault(scripted: ScriptedSlave) -> None:
    """Off was written and confirmed, and output 2 reads high."""

    def forced(request: bytes) -> tuple[bytes, ...]:
        reply = proper(request)
        return (reply[:-1] + b"\x04",) if request[7] == 1 else (reply,)

    scripted.answer = forced
    with pytest.raises(InstrumentFault, match="output 2 reads high"):
        build_modbus(entry(scripted.port), "rack", clock=CLOCK, bench=None)


def test_the_first_thing_over_a_new_connection_is_off(scripted: ScriptedSlave) -> None:
    """FC15 with every bit low, before anything is read."""
    block = build_modbus(entry(scripted.port), "rack", clock=CLOCK, bench=None)
    block.close()
    assert scripted.requests[0][7:].hex(" ") == "0f 00 00 00 08 01 00"


def test_places_that_the_block_does_not_have_are_refused(living_rack: Rack) -> None:
    """Inputs and outputs beyond, both channels on one input, the life sign's own output."""
    block = living_rack.block
    with pytest.raises(Refused, match="input 8"):
        block.input("x", contact(8), CLOCK)
    with pytest.raises(Refused, match="input 9"):
        block.input("x", contact(1, second={"input": "9", "moves": "same"}), CLOCK)
    with pytest.raises(Refused, match="both channels"):
        block.input("x", contact(1, second={"input": "1", "moves": "same"}), CLOCK)
    with pytest.raises(Refused, match="output 8"):
        block.output("x", 8)
    with pytest.raises(Refused, match="life sign"):
        block.output("x", 7)


def test_the_block_satisfies_its_ports(rack: Rack) -> None:
    """Checked by the type checker; here it runs."""
    factories: tuple[IoFactory, ...] = (build_modbus, build_simulated)
    block: IoBlock = rack.block
    one: InputBlock = rack.guard
    other: OutputBlock = rack.enable
    assert len(factories) == 2
    assert block.real
    assert one.real
    assert other.real
    assert (block.name, one.name, other.name) == ("rack", "guard", "enable")


def test_a_served_simulator_is_not_real() -> None:
    """simulated: yes over the network, for trials with a real clock."""
    rack = Rack(simulated="yes")
    try:
        assert not rack.block.real
        assert not rack.guard.real
        assert not rack.enable.real
    finally:
        rack.put_away()


def test_the_simulator_runs_as_a_program() -> None:
    """Port told on the first line, orders on standard input, the log at the end."""
    command = [sys.executable, "-m", "drivers.simulators.io_serve", "--port", "0"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        port = int(process.stdout.readline().rsplit(maxsplit=1)[1])
        process.stdin.write("input 3 high\n")
        process.stdin.flush()
        assert process.stdout.readline() == "done\n"
        block = build_modbus(entry(port), "rack", clock=CLOCK, bench=None)
        bits = block.bits()
        block.close()
        rest, _ = process.communicate("input 99 low\nfault freeze\nfault none\nwhat\nlog\n")
    assert bits is not None
    assert bits[3]
    assert "there is no input 99" in rest
    assert "orders: input N high" in rest
    assert process.returncode == 0
