"""One connection to a Modbus TCP coupler, through pyModbusTCP, kept strict.

What the library leaves open and is closed here (version 0.3.1 read):

- ``auto_open`` would send a request that is already old over a new connection: switched off.
- Its time-out is that of one ``recv``: a reply that trickles in byte by byte would take as many
  time-outs as it has bytes. Here the whole exchange has one deadline.
- Its read functions accept another function code and more bytes than were asked for: the raw
  ``custom_request`` is used, and ``frames`` judges the reply.
- After a reply that is too short it goes on with the same connection: here any failure closes it,
  so that nothing late can answer a later request.
- Bytes that nobody asked for would be read as the next reply: here they fail the exchange.

Failures are silent there but for ``logging`` at debug level; here they are raised as `Failed`.
"""

from __future__ import annotations

import select
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

from pyModbusTCP.client import ModbusClient
from pyModbusTCP.constants import MB_EXCEPT_ERR, MB_TIMEOUT_ERR

from drivers.io import frames

if TYPE_CHECKING:
    from orchestrator.clock import Clock

T = TypeVar("T")

EXCHANGE_WITHIN_S = 0.1
"""Longest time for one exchange, from the first byte sent to the last received."""


class Failed(Exception):
    """An exchange failed; the connection is closed. ``code``: Modbus exception, if it was one."""

    def __init__(self, reason: str, code: int | None = None) -> None:
        super().__init__(reason)
        self.code = code


class _Client(ModbusClient):  # type: ignore[misc]  # the library ships no types
    """The library's client with one deadline for an exchange and no delay of small packets.

    Overrides ``_recv``, which is private: the tests on trickling replies find out if a new
    version of the library stops calling it.
    """

    def __init__(self, host: str, port: int, unit: int, connect_s: float, clock: Clock) -> None:
        super().__init__(
            host=host, port=port, unit_id=unit, timeout=connect_s, auto_open=False, auto_close=False
        )
        self._clock = clock
        self._deadline_s = 0.0

    def connect(self) -> None:
        """Raises OSError."""
        if not self.open():
            raise ConnectionError("nobody answers there")
        # On one machine a socket that tries a free port may meet itself there.
        if self._sock.getsockname() == self._sock.getpeername():
            raise ConnectionRefusedError("nobody listens there")
        self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def leftover(self) -> bool:
        """Whether something waits to be read (bytes, or the end of the connection)."""
        if hasattr(select, "poll"):  # select() fails for descriptors from 1024 up
            poller = select.poll()
            poller.register(self._sock, select.POLLIN)
            return bool(poller.poll(0))
        return bool(select.select([self._sock], [], [], 0)[0])

    def begin(self) -> None:
        """An exchange begins: its deadline runs."""
        self._deadline_s = self._clock.monotonic() + EXCHANGE_WITHIN_S
        self._sock.settimeout(EXCHANGE_WITHIN_S)

    def _recv(self, size: int) -> bytes:
        left_s = self._deadline_s - self._clock.monotonic()
        self._sock.settimeout(max(left_s, 1e-6))  # 0 would mean: don't wait at all
        received: bytes = super()._recv(size)
        return received


class Wire:
    """A connection to a coupler; used by one thread at a time.

    Args:
        host: an IP address (a name would be looked up at each reconnection, for who knows how
            long).
        connect_s: longest time for connecting.
    """

    def __init__(self, host: str, port: int, unit: int, *, connect_s: float, clock: Clock) -> None:
        self._client = _Client(host, port, unit, connect_s, clock)

    @property
    def is_open(self) -> bool:
        """True while there is a connection, as far as this side knows."""
        return bool(self._client.is_open)

    def connect(self, within_s: float | None = None) -> None:
        """Connect anew. Raises Failed."""
        if within_s is not None:
            self._client.timeout = within_s
        try:
            self._client.connect()
        except OSError as error:
            self.close()
            raise Failed(f"can't connect ({error})") from error

    def close(self) -> None:
        """Close the connection, if there is one."""
        self._client.close()

    def write_outputs(self, first: int, bits: tuple[bool, ...]) -> None:
        """FC15. Raises Failed."""
        if bits:
            self._ask(
                frames.write_request(first, bits),
                lambda reply: frames.check_write_reply(reply, first, len(bits)),
            )

    def read_inputs(self, first: int, count: int) -> tuple[bool, ...]:
        """FC02. Raises Failed."""
        return self._read(frames.READ_DISCRETE_INPUTS, first, count)

    def read_outputs(self, first: int, count: int) -> tuple[bool, ...]:
        """FC01: the outputs as the coupler reports them. Raises Failed."""
        return self._read(frames.READ_COILS, first, count)

    def _read(self, function: int, first: int, count: int) -> tuple[bool, ...]:
        if not count:
            return ()
        return self._ask(
            frames.read_request(function, first, count),
            lambda reply: frames.read_reply(reply, function, count),
        )

    def _ask(self, request: bytes, judge: Callable[[bytes], T]) -> T:
        client = self._client
        if not client.is_open:
            raise Failed("there is no connection")
        try:
            if client.leftover():
                raise Failed("the connection was closed, or bytes came that nobody asked for")
            client.begin()
            reply = client.custom_request(request)
            if reply is None:
                raise _failure(client)
            return judge(reply)
        except frames.BadReply as error:
            self.close()
            raise Failed(str(error)) from error
        except OSError as error:
            self.close()
            raise Failed(f"the connection broke ({error})") from error
        except Failed:
            self.close()
            raise


def _failure(client: _Client) -> Failed:
    if client.last_error == MB_EXCEPT_ERR:
        code = int(client.last_except)
        words = frames.EXCEPTIONS.get(code, "gives a code of its own")
        return Failed(f"the coupler {words} (Modbus exception {code})", code)
    if client.last_error == MB_TIMEOUT_ERR:
        return Failed(f"no whole reply within {EXCHANGE_WITHIN_S * 1000:.0f} ms")
    return Failed("the reply was none, or the connection was closed")
