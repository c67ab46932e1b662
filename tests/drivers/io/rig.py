"""A block and its coupler, as the tests hold them in their hand."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterable
from typing import Any, Self

from drivers.io.building import build_modbus
from drivers.io.modbus import ModbusBlock
from drivers.simulators.io_block import OutputChange, SimulatedIo
from drivers.simulators.io_serve import IoServer
from orchestrator.clock import SystemClock
from orchestrator.contract import InputBlock, OutputBlock
from orchestrator.model.station import IoEntry, IoInput

CLOCK = SystemClock()
PATIENCE_S = 3.0


def entry(port: int = 502, **keys: Any) -> IoEntry:
    return IoEntry.model_validate(
        {"host": "127.0.0.1", "port": str(port), "drops_after": "5 s"} | keys
    )


def contact(number: int = 0, **keys: Any) -> IoInput:
    return IoInput.model_validate({"kind": "io", "block": "rack", "input": str(number)} | keys)


def until(condition: Callable[[], bool], within_s: float = PATIENCE_S) -> float:
    """Wait for it; the time it took."""
    begin_s = CLOCK.monotonic()
    while not condition():
        took_s = CLOCK.monotonic() - begin_s
        assert took_s < within_s, f"not within {within_s} s"
        CLOCK.sleep(0.0005)
    return CLOCK.monotonic() - begin_s


class Scan:
    """Refreshes an output every 5 ms, as a scan does, until it is left."""

    def __init__(self, output: OutputBlock) -> None:
        self._output = output
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._stop.wait(0.005):
            self._output.refresh(True)

    def __enter__(self) -> Self:
        self._output.refresh(True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()


class Rack:
    """The served simulator and a block connected to it."""

    def __init__(self, **keys: Any) -> None:
        self.io = SimulatedIo(CLOCK, drops_after_s=5.0, wires={7: 7})
        self.server = IoServer(self.io, CLOCK)
        self.block: ModbusBlock = build_modbus(
            entry(self.server.port, **keys), "rack", clock=CLOCK, bench=None
        )
        self.enable: OutputBlock = self.block.output("enable", 0)
        self.guard: InputBlock = self.block.input("guard", contact(0), CLOCK)

    def problem(self) -> str | None:
        return self.enable.problem(CLOCK.monotonic())

    def changes(self, output: int = 0) -> list[OutputChange]:
        return [change for change in self.io.log if change.output == output]

    def enabled(self) -> bool:
        return self.io.terminals[0]

    def put_away(self) -> None:
        self.block.close()
        self.server.close()


Answer = Callable[[bytes], Iterable[bytes] | None]
"""Gets a whole request frame; the pieces to send, or None to close the connection."""


def proper(request: bytes) -> bytes:
    """What a coupler of 8 inputs and outputs, all low, answers: built here by hand."""
    head = request[:4]
    if request[7] == 0x0F:
        return head + b"\x00\x06" + request[6:12]
    return head + b"\x00\x04" + request[6:8] + b"\x01\x00"


class ScriptedSlave:
    """A coupler whose every reply the test writes itself, byte by byte."""

    def __init__(self, answer: Answer = lambda request: (proper(request),)) -> None:
        self.answer = answer
        self.requests: list[bytes] = []
        self.connections = 0
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self._current: socket.socket | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            self.connections += 1
            self._current = connection
            with connection:
                self._serve(connection)

    def _serve(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            while (head := connection.recv(6, socket.MSG_WAITALL)) and len(head) == 6:
                size = int.from_bytes(head[4:6], "big")
                request = head + connection.recv(size, socket.MSG_WAITALL)
                self.requests.append(request)
                pieces = self.answer(request)
                if pieces is None:
                    return
                for piece in pieces:
                    connection.sendall(piece)
        except OSError:
            return

    def put_away(self) -> None:
        for closing in (self.listener, self._current):
            if closing is not None:
                with contextlib.suppress(OSError):
                    closing.shutdown(socket.SHUT_RDWR)
                closing.close()
        self._thread.join(PATIENCE_S)
