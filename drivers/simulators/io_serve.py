"""Serves a simulated I/O block over Modbus TCP: ``python -m drivers.simulators.io_serve``.

One thread waits in ``select``, in real time; several clients at a time. A fault switch spoils the
replies. Started as a program it takes orders line by line on standard input:

    input 3 high | input 3 low | fault mute | fault none | log

Simulated: it proves nothing about a real rack.
"""

from __future__ import annotations

import argparse
import contextlib
import select
import socket
import sys
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Self, get_args

from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.io_slave import (
    DEVICE_FAILURE,
    NotModbus,
    Request,
    answer,
    exception,
    frame,
    take_request,
)
from orchestrator.clock import SystemClock

if TYPE_CHECKING:
    from orchestrator.clock import Clock

LOOK_EVERY_S = 0.005
"""Longest wait: the watchdog may have something to do."""
FRAGMENT_EVERY_S = 0.001
CHUNK = 4096

Fault = Literal[
    "none",
    "mute",
    "late",
    "fragmented",
    "garbage",
    "exception",
    "half_open",
    "wrong_transaction",
    "wrong_function",
    "short",
    "twice",
]
"""What befalls the replies.

mute: carried out, not answered. late: answered after ``late_s``. fragmented: byte by byte.
garbage: other bytes instead. exception: not carried out, device failure. half_open: connections
that stand are dead from then on, as with a pulled cable, and new ones hear nothing while it lasts.
wrong_transaction, wrong_function, short: the reply is spoilt so. twice: the reply comes twice.
"""

FAULTS: dict[str, Fault] = {name: name for name in get_args(Fault)}


@dataclass(slots=True)
class _Client:
    socket: socket.socket
    heard: bytearray = field(default_factory=bytearray)
    due: list[tuple[float, bytes]] = field(default_factory=list)
    dead: bool = False


class IoServer:
    """A served block; use as a context manager or `close` it. Port 0 takes a free one.

    Attributes:
        fault: what befalls the replies from now on.
        late_s: for the fault 'late'.
    """

    def __init__(self, block: SimulatedIo, clock: Clock, port: int = 0, unit: int = 1) -> None:
        self.block = block
        self.fault: Fault = "none"
        self.late_s = 0.05
        self._clock = clock
        self._unit = unit
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port: int = self._listener.getsockname()[1]
        self._clients: dict[socket.socket, _Client] = {}
        self._stop, self._drop = threading.Event(), threading.Event()
        self._wake, self._waker = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="simulated I/O block", daemon=True)
        self._thread.start()

    @property
    def clients(self) -> int:
        """How many connections stand."""
        return len(self._clients)

    def drop_links(self) -> None:
        """Break every connection from this side."""
        self._drop.set()
        self._waker.send(b"!")

    def close(self) -> None:
        """Stop serving; returns when the thread has ended."""
        self._stop.set()
        with contextlib.suppress(OSError):  # the thread has ended, and closed its end
            self._waker.send(b"!")
        self._thread.join(timeout=5.0)
        for closing in (self._listener, self._wake, self._waker):
            closing.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- the thread

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._step()
        finally:
            for client in tuple(self._clients.values()):
                self._leave(client)

    def _step(self) -> None:
        living = [one.socket for one in self._clients.values() if not one.dead]
        ready, _, _ = select.select([self._wake, self._listener, *living], [], [], self._patience())
        if self._wake in ready:
            self._wake.recv(CHUNK)
        if self._drop.is_set():
            self._drop.clear()
            for client in tuple(self._clients.values()):
                self._leave(client)
            return
        if self._listener in ready:
            newcomer, _ = self._listener.accept()
            newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients[newcomer] = _Client(newcomer)
        for client in tuple(self._clients.values()):
            if self.fault == "half_open":
                client.dead = True
            if client.socket in ready and not client.dead:
                self._receive(client)
            self._transmit(client)
        self.block.catch_up()

    def _patience(self) -> float:
        now_s = self._clock.monotonic()
        waits = [one.due[0][0] - now_s for one in self._clients.values() if one.due]
        return max(0.0, min([LOOK_EVERY_S, *waits]))

    def _receive(self, client: _Client) -> None:
        try:
            data = client.socket.recv(CHUNK)
        except OSError:
            data = b""  # a reset connection is a closed one
        if not data:
            self._leave(client)
            return
        client.heard += data
        try:
            while (request := take_request(client.heard)) is not None:
                if request.unit == self._unit:  # a unit that isn't meant stays silent
                    self._reply(client, request)
        except NotModbus:
            self._leave(client)

    def _reply(self, client: _Client, request: Request) -> None:
        if self.fault == "exception":
            pdu = exception(request, DEVICE_FAILURE)
        else:
            pdu = answer(request, self.block)
        now_s = self._clock.monotonic()
        client.due += [(now_s + after_s, data) for after_s, data in self._spoilt(request, pdu)]

    def _spoilt(self, request: Request, pdu: bytes) -> list[tuple[float, bytes]]:
        whole = frame(request, pdu)
        other = Request(request.transaction ^ 0x0101, request.unit, request.pdu)
        match self.fault:
            case "mute" | "half_open":
                return []
            case "late":
                return [(self.late_s, whole)]
            case "fragmented":
                return [(n * FRAGMENT_EVERY_S, whole[n : n + 1]) for n in range(len(whole))]
            case "garbage":
                return [(0.0, b"\r\n?" + whole[::-1])]
            case "wrong_transaction":
                return [(0.0, frame(other, pdu))]
            case "wrong_function":
                return [(0.0, frame(request, bytes([pdu[0] ^ 0x03]) + pdu[1:]))]
            case "short":
                return [(0.0, frame(request, pdu[:-1]))]
            case "twice":
                return [(0.0, whole + whole)]
            case _:
                return [(0.0, whole)]

    def _transmit(self, client: _Client) -> None:
        if client.dead:
            return
        now_s = self._clock.monotonic()
        try:
            while client.due and client.due[0][0] <= now_s:
                client.socket.sendall(client.due.pop(0)[1])
        except OSError:
            self._leave(client)

    def _leave(self, client: _Client) -> None:
        self._clients.pop(client.socket, None)
        client.socket.close()


def main(arguments: list[str] | None = None) -> int:
    """Serve until the end of standard input."""
    parser = argparse.ArgumentParser(prog="python -m drivers.simulators.io_serve")
    parser.add_argument("--port", type=int, default=0, help="0 takes a free one")
    parser.add_argument("--unit", type=int, default=1)
    parser.add_argument("--inputs", type=int, default=8)
    parser.add_argument("--outputs", type=int, default=8)
    parser.add_argument("--drops-after", type=float, default=0.2, help="watchdog, s")
    parser.add_argument("--wire", default="", help="input=output, … wired to each other")
    given = parser.parse_args(arguments)
    wires = dict(_pair(part) for part in given.wire.split(",") if part)
    clock = SystemClock()
    block = SimulatedIo(
        clock,
        inputs=given.inputs,
        outputs=given.outputs,
        drops_after_s=given.drops_after,
        wires=wires,
    )
    with IoServer(block, clock, given.port, given.unit) as server:
        _say(f"simulated I/O block on port {server.port}")
        for line in sys.stdin:
            _say(_obey(server, line.split()))
    return 0


def _pair(text: str) -> tuple[int, int]:
    number, _, output = text.partition("=")
    return int(number), int(output)


def _obey(server: IoServer, words: list[str]) -> str:
    match words:
        case ["input", number, "high" | "low" as level] if number.isdecimal():
            try:
                server.block.set_input(int(number), level == "high")
            except IndexError:
                return f"there is no input {number}"
        case ["fault", "freeze"]:
            server.block.freeze(True)
        case ["fault", name] if name in FAULTS:
            server.block.freeze(False)
            server.fault = FAULTS[name]
        case ["log"]:
            return "\n".join(
                f"{change.at_s:.6f} s output {change.output} "
                f"{'on' if change.on else 'off'} ({change.cause})"
                for change in server.block.log
            )
        case _:
            faults = " | ".join(("freeze", *FAULTS))
            return f"orders: input N high | input N low | fault {faults} | log"
    return "done"


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
