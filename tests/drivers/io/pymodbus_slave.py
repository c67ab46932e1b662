"""A pymodbus server as an independent coupler, in a thread with a loop of its own."""

from __future__ import annotations

import asyncio
import socket
import threading
from typing import Any

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

UNIT = 3
FIRST = 16


class PymodbusSlave:
    """Eight coils and eight inputs from address 16 on; ``inputs`` are the levels it reports."""

    def __init__(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.inputs = [False] * 8
        self.written: list[list[bool]] = []
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._server: ModbusTcpServer | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(5.0)

    async def _action(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[Any] | None,
    ) -> None:
        if function == 15 and values is not None:
            self.written.append([bool(value) for value in values])
        if function == 2:  # sixteen bits to a register, lowest first
            registers[0] = sum(1 << place for place, level in enumerate(self.inputs) if level)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        bits = [SimData(FIRST, values=[False] * 8, datatype=DataType.BITS)]
        rest = [SimData(0, values=0, datatype=DataType.REGISTERS)]
        device = SimDevice(id=UNIT, simdata=(bits, bits, rest, rest), action=self._action)
        self._server = ModbusTcpServer(device, address=("127.0.0.1", self.port))
        await self._server.serve_forever(background=True)  # listens once this returns
        self._ready.set()
        await self._server.serving

    def put_away(self) -> None:
        server = self._server
        assert server is not None
        ending = server.shutdown()  # type: ignore[no-untyped-call]
        asyncio.run_coroutine_threadsafe(ending, self._loop).result(5.0)
        self._thread.join(5.0)
