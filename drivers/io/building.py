"""Builds I/O blocks from the station file: entry points of group 'ohmward.io'."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

from drivers.io.checks import check_entry
from drivers.io.modbus import FIRST_CONNECT_WITHIN_S, ModbusBlock
from drivers.io.simulated import Device, SimulatedBlock
from drivers.io.wire import Failed, Wire
from orchestrator.clock import VirtualClock
from orchestrator.errors import Fault, InstrumentFault, InstrumentRefused, LinkLost, Refused

if TYPE_CHECKING:
    from orchestrator.clock import Clock
    from orchestrator.model.station import IoEntry


def build_modbus(entry: IoEntry, name: str, *, clock: Clock, bench: object | None) -> ModbusBlock:
    """Connected, every output off, first read done, its thread running.

    Connecting may take 3 s for each address of the host, and what the system takes to look it up.

    Raises:
        Refused: the entry contradicts itself, or the clock is a virtual one.
        LinkLost: the coupler can't be reached, or what answers doesn't speak Modbus.
        InstrumentRefused: the coupler answers with a Modbus exception.
        InstrumentFault: an output reads on although off was written.
    """
    del bench
    check_entry(entry, name)
    if isinstance(clock, VirtualClock):
        raise Refused(
            [
                Fault(
                    f"I/O block {name!r}",
                    "driver modbus_tcp on a simulated bench in virtual time",
                    "real time: a network block can't be hurried",
                    "use driver: simulated with simulated: yes",
                )
            ]
        )
    where = f"I/O block {name!r} (Modbus TCP {entry.host}:{entry.port}, unit {entry.unit})"
    failed: Failed | None = None
    for address in _addresses(entry, where):
        wire = Wire(address, entry.port, entry.unit, connect_s=FIRST_CONNECT_WITHIN_S, clock=clock)
        block = ModbusBlock(entry, name, wire, clock)
        try:
            block.start()
        except Failed as error:
            failed = error
            continue
        return _off(block, entry, where)
    if failed is not None and failed.code is not None:
        raise InstrumentRefused(
            f"{where}: {failed}",
            remedy="compare unit, inputs, outputs, first_input and first_output in the station "
            "file with the coupler's map",
        ) from failed
    raise LinkLost(
        f"{where}: {failed or 'the host has no address'}",
        remedy="check the coupler's power and cable, host, port and unit in the station file, and "
        "that no other program holds its connections",
    ) from failed


def build_simulated(
    entry: IoEntry, name: str, *, clock: Clock, bench: object | None
) -> SimulatedBlock:
    """The block of the simulated bench in this process; without a thread, in the bench's time.

    Raises:
        Refused: there is no such block on a simulated bench, or the entry contradicts itself.
    """
    check_entry(entry, name)
    if not entry.simulated:
        raise Refused(
            [
                Fault(
                    f"I/O block {name!r}",
                    "driver simulated without simulated: yes",
                    "simulated: yes, so that nobody takes it for real",
                    "write simulated: yes, or use driver: modbus_tcp",
                )
            ]
        )
    device = _device(bench, name)
    if device is None:
        raise Refused(
            [
                Fault(
                    f"I/O block {name!r}",
                    "no such block on the simulated bench" if bench else "no simulated bench",
                    "a simulated bench that has this block",
                    "use it with a simulated bench, or driver: modbus_tcp for a real coupler",
                )
            ]
        )
    return SimulatedBlock(entry, name, device, clock)


def _device(bench: object | None, name: str) -> Device | None:
    give = getattr(bench, "io_block", None)
    if give is None:
        return None
    try:
        device: Device = give(name)
    except KeyError:
        return None
    return device


def _addresses(entry: IoEntry, where: str) -> list[str]:
    """Numeric addresses of the host, so that no reconnection waits for a look-up."""
    try:
        found = socket.getaddrinfo(entry.host, entry.port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:  # UnicodeError: a name no host can have
        raise LinkLost(
            f"{where}: the host isn't known ({error})",
            remedy="correct the host in the station file, or give its IP address",
        ) from error
    return list(dict.fromkeys(str(address[0]).partition("%")[0] for *_, address in found))


def _off(block: ModbusBlock, entry: IoEntry, where: str) -> ModbusBlock:
    stuck = [number for number in range(entry.outputs) if _stuck(block, entry, number)]
    if not stuck:
        return block
    block.close()
    raise InstrumentFault(
        f"{where}: output {stuck[0]} reads high although low was written",
        remedy="find out who else writes the coupler's outputs, or whether it is forced",
    )


def _stuck(block: ModbusBlock, entry: IoEntry, number: int) -> bool:
    if entry.life_sign is not None and entry.life_sign.follows == number:
        return False
    return block.seen(number) is True
