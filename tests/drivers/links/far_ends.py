"""The far end of each kind of link, as a test holds it in its hand."""

from __future__ import annotations

import itertools
import os
import select
import socket
import struct
from collections.abc import Callable
from typing import Protocol

from drivers.links import serial, tcp, visa
from drivers.links.settings import SerialDefaults
from orchestrator.clock import SystemClock
from orchestrator.contract import Frame, Link, Reply
from orchestrator.model.station import SerialLink, TcpLink, VisaLink
from orchestrator.running.framing import FrameReader

CLOCK = SystemClock()
NAME = "tester_1"
PATIENCE_S = 2.0
_library_numbers = itertools.count()


class FarEnd(Protocol):
    """What stands in for the instrument. ``opener`` opens the link to it."""

    link: Link

    def say(self, data: bytes) -> None: ...

    def heard(self, size: int) -> bytes: ...

    def hang_up(self) -> None: ...

    def put_away(self) -> None: ...


class SocketEnd:
    def __init__(self, opener: Callable[[int], Link]) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.link = opener(self.listener.getsockname()[1])
        self.peer = self.accept()

    def accept(self) -> socket.socket:
        self.listener.settimeout(PATIENCE_S)
        peer, _ = self.listener.accept()
        peer.settimeout(PATIENCE_S)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return peer

    def say(self, data: bytes) -> None:
        self.peer.sendall(data)

    def heard(self, size: int) -> bytes:
        return self.peer.recv(size, socket.MSG_WAITALL)

    def hang_up(self) -> None:
        self.peer.close()

    def reset(self) -> None:
        self.peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.peer.close()

    def put_away(self) -> None:
        self.link.close()
        self.peer.close()
        self.listener.close()


class TerminalEnd:
    """A pseudo terminal: its name is opened as a port."""

    def __init__(self, opener: Callable[[str], Link]) -> None:
        import pty  # POSIX only

        self.master, slave = pty.openpty()
        self.port = os.ttyname(slave)
        self.link = opener(self.port)
        os.close(slave)

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def heard(self, size: int) -> bytes:
        data = b""
        while len(data) < size and select.select([self.master], [], [], PATIENCE_S)[0]:
            data += os.read(self.master, size - len(data))
        return data

    def hang_up(self) -> None:
        os.close(self.master)
        self.master = -1

    def put_away(self) -> None:
        self.link.close()
        if self.master >= 0:
            os.close(self.master)


class SimulatedEnd:
    """A device of the simulating VISA library; says only what it is told to say."""

    def __init__(self) -> None:
        from pyvisa_sim.devices import Device, Devices
        from pyvisa_sim.highlevel import SimVisaLibrary

        number = next(_library_numbers)
        resource = "GPIB0::5::INSTR"
        self.device = Device("mute", b"")
        self.taken = bytearray()
        self.device.write = self.taken.extend
        devices = Devices()
        devices.add_device(resource, self.device)

        class Library(SimVisaLibrary):  # type: ignore[misc]
            def _init(self) -> None:
                self.sessions: dict[int, object] = {}
                self.devices = devices

        self.library = Library(f"far_end_{number}")
        backend = f"far end {number}"
        visa.use_library(backend, self.library)
        settings = VisaLink(kind="visa", resource=resource, backend=backend)
        self.link: Link = visa.open_link(settings, name=NAME, clock=CLOCK)

    def say(self, data: bytes) -> None:
        self.device._output_buffers.append(bytearray(data))

    def heard(self, size: int) -> bytes:
        data = bytes(self.taken[:size])
        del self.taken[:size]
        return data

    def hang_up(self) -> None:
        def fail(_count: int = 0) -> tuple[bytes, bool]:
            raise OSError("no such device")

        self.device.read = fail

    def put_away(self) -> None:
        self.link.close()


def tcp_end() -> SocketEnd:
    return SocketEnd(
        lambda port: tcp.open_link(
            TcpLink(kind="tcp", host="127.0.0.1", port=port), name=NAME, clock=CLOCK
        )
    )


def visa_socket_end() -> SocketEnd:
    return SocketEnd(lambda port: open_visa(f"TCPIP0::127.0.0.1::{port}::SOCKET"))


def serial_end() -> TerminalEnd:
    return TerminalEnd(
        lambda port: serial.open_link(SerialLink(kind="serial", port=port), name=NAME, clock=CLOCK)
    )


def portable_serial_end() -> TerminalEnd:
    """As on Windows: through pyserial instead of the descriptor."""
    return TerminalEnd(
        lambda port: serial.SerialPort(
            SerialLink(kind="serial", port=port),
            name=NAME,
            clock=CLOCK,
            defaults=SerialDefaults(),
            by_descriptor=False,
        )
    )


def visa_serial_end() -> TerminalEnd:
    return TerminalEnd(lambda port: open_visa(f"ASRL{port}::INSTR"))


def open_visa(resource: str, backend: str = "@py") -> Link:
    settings = VisaLink(kind="visa", resource=resource, backend=backend)
    return visa.open_link(settings, name=NAME, clock=CLOCK, defaults=SerialDefaults())


ENDS: dict[str, Callable[[], FarEnd]] = {
    "tcp": tcp_end,
    "serial": serial_end,
    "serial through pyserial": portable_serial_end,
    "visa socket": visa_socket_end,
    "visa serial": visa_serial_end,
    "visa simulated": SimulatedEnd,
}
SOCKETS = {"tcp": tcp_end, "visa socket": visa_socket_end}


def receive_all(link: Link, size: int, slice_s: float = 0.01) -> bytes:
    """What comes until so many bytes are there or patience ends."""
    data, until_s = b"", CLOCK.monotonic() + PATIENCE_S
    while len(data) < size and CLOCK.monotonic() < until_s:
        data += link.receive(slice_s)
    return data


def receive_message(link: Link, reader: FrameReader, frame: Frame) -> Reply | None:
    """One message, by slices, as the engine reads it."""
    until_s = CLOCK.monotonic() + PATIENCE_S
    while (reply := reader.take(frame)) is None and CLOCK.monotonic() < until_s:
        reader.feed(link.receive(0.005))
    return reply
