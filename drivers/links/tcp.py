"""A plain TCP socket to an instrument."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

from drivers.links.waiting import readable, writable
from orchestrator.errors import LinkLost, TimedOut

if TYPE_CHECKING:
    from orchestrator.clock import Clock
    from orchestrator.model.station import TcpLink

CONNECT_WITHIN_S = 3.0
SEND_WITHIN_S = 1.0
CHUNK = 65536
# A peer that lost its power is noticed after about 10 + 3 * 5 s, if nobody asks it anything.
KEEPALIVE = (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3))


def open_link(settings: TcpLink, *, name: str, clock: Clock) -> TcpSocket:
    """Connect within 3 s; looking up a host's name may add what the system takes for it.

    Raises:
        LinkLost: nobody answers there.
    """
    return TcpSocket(settings, name=name, clock=clock)


class TcpSocket:
    """A connected socket; satisfies the port ``Link``. One thread uses it at a time.

    Delays of small packets are switched off: a stop must not wait for an acknowledgement.
    """

    def __init__(self, settings: TcpLink, *, name: str, clock: Clock) -> None:
        self.name = name
        self._settings = settings
        self._clock = clock
        self._socket: socket.socket | None = None
        self._open()

    def send(self, data: bytes) -> None:
        connection = self._connected()
        rest = memoryview(data)
        deadline_s = self._clock.monotonic() + SEND_WITHIN_S
        while rest:
            try:
                rest = rest[connection.send(rest) :]
                continue
            except BlockingIOError:
                pass  # its buffer is full: wait below
            except OSError as error:
                raise self._lost(f"the connection broke while sending ({error})") from error
            if not writable(connection, deadline_s - self._clock.monotonic()):
                raise TimedOut(
                    f"{self}: took {len(data) - len(rest)} of {len(data)} bytes "
                    f"within {SEND_WITHIN_S:g} s"
                )

    def receive(self, within_s: float) -> bytes:
        connection = self._connected()
        if not readable(connection, within_s):
            return b""
        try:
            data = connection.recv(CHUNK)
        except BlockingIOError:
            return b""  # woken without data
        except OSError as error:
            raise self._lost(f"the connection broke ({error})") from error
        if not data:
            raise self._lost("the other end closed the connection")
        return data

    def reopen(self) -> None:
        self.close()
        self._open()

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def __str__(self) -> str:
        return f"{self.name} (TCP {self._settings.host}:{self._settings.port})"

    def _connected(self) -> socket.socket:
        if self._socket is None:
            raise LinkLost(f"{self}: the connection is closed")
        return self._socket

    def _lost(self, reason: str) -> LinkLost:
        self.close()
        return LinkLost(f"{self}: {reason}")

    def _open(self) -> None:
        host, port = self._settings.host, self._settings.port
        deadline_s = self._clock.monotonic() + CONNECT_WITHIN_S
        reason = "no address found"
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError) as error:  # UnicodeError: a name no host can have
            raise LinkLost(
                f"{self}: the host isn't known ({error})",
                remedy="correct the host in the station file, or give its IP address",
            ) from error
        for family, kind, protocol, _, address in found:
            left_s = deadline_s - self._clock.monotonic()
            if left_s <= 0:
                break
            connection = socket.socket(family, kind, protocol)
            try:
                connection.settimeout(left_s)
                connection.connect(address)
                # On one machine a socket that tries a free port may meet itself there.
                if connection.getsockname() == connection.getpeername():
                    raise ConnectionRefusedError("nobody listens there")
                _set_up(connection)
            except OSError as error:
                connection.close()
                reason = str(error)
                continue
            self._socket = connection
            return
        raise LinkLost(
            f"{self}: can't connect ({reason})",
            remedy="check that the instrument is on, and host and port in the station file",
        )


def _set_up(connection: socket.socket) -> None:
    connection.setblocking(False)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in KEEPALIVE:
        if hasattr(socket, option):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
