"""Serves a simulated instrument over TCP or over a pseudo-terminal, in a thread of its own.

For benches on the system's clock: the thread waits in `select`, in real time.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from drivers.simulators.base import Instrument

LOOK_EVERY_S = 0.010
"""Longest wait: an instrument may have something to say by itself."""
CHUNK = 4096


class ServedInstrument(ABC):
    """An instrument within reach of any link; use as a context manager or `close` it."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._stop = threading.Event()
        self._wake, self._waker = socket.socketpair()
        self._drop = threading.Event()
        self._thread = threading.Thread(
            target=self._run, name=f"simulated {instrument.name}", daemon=True
        )

    @property
    @abstractmethod
    def resource(self) -> str:
        """The VISA name (TCP) or the path (pseudo-terminal)."""

    def drop_link(self) -> None:
        """Break the connection from the instrument's side."""
        self._drop.set()
        self._waker.send(b"!")

    def close(self) -> None:
        """Stop serving; returns when the thread has ended."""
        self._stop.set()
        with contextlib.suppress(OSError):
            self._waker.send(b"!")
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        self._wake.close()
        self._waker.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _wait(self, readers: list[int]) -> list[int]:
        """Readable descriptors, waiting no longer than until the next reply is due."""
        due_s = self.instrument.next_due()
        wait_s = LOOK_EVERY_S
        if due_s is not None:
            wait_s = min(wait_s, max(0.0, due_s - self.instrument.bench.clock.monotonic()))
        ready, _, _ = select.select([self._wake.fileno(), *readers], [], [], wait_s)
        if self._wake.fileno() in ready:
            self._wake.recv(CHUNK)
        return [found for found in ready if found in readers]

    @abstractmethod
    def _run(self) -> None:
        """Serve until `_stop` is set."""


class TcpServer(ServedInstrument):
    """Serves one client at a time on a port of the local host.

    A second client is turned away at once, or takes over, as the instrument's prose says
    (`Instrument.newcomer_wins`).
    """

    def __init__(self, instrument: Instrument, port: int = 0) -> None:
        super().__init__(instrument)
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port: int = self._listener.getsockname()[1]
        self._client: socket.socket | None = None
        self._thread.start()

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        super().close()
        self._listener.close()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._step()
        finally:
            self._leave()

    def _step(self) -> None:
        client = self._client
        readers = [self._listener.fileno()] + ([client.fileno()] if client else [])
        ready = self._wait(readers)
        if self._drop.is_set():
            self._drop.clear()
            self._leave()
            return
        if client is not None and client.fileno() in ready:
            self._receive(client)
        if self._listener.fileno() in ready:
            self._accept()
        self._transmit()

    def _accept(self) -> None:
        newcomer, _ = self._listener.accept()
        if self.instrument.faults.unplugged or (
            self._client is not None and not self.instrument.newcomer_wins
        ):
            newcomer.close()
            return
        self._leave()
        newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.instrument.link_restored()
        self._client = newcomer

    def _receive(self, client: socket.socket) -> None:
        try:
            data = client.recv(CHUNK)
        except OSError:
            data = b""  # a reset connection is a closed one
        if data:
            self.instrument.feed(data)
        else:
            self._leave()

    def _transmit(self) -> None:
        data = self.instrument.take()
        if self._client is None:
            return
        if data:
            try:
                self._client.sendall(data)
            except OSError:
                self._leave()
                return
        if not self.instrument.link_up:
            self._leave()

    def _leave(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()
            self.instrument.link_lost()


class PtyServer(ServedInstrument):
    """Serves on a pseudo-terminal (POSIX only); `resource` is the path of its far end.

    Raises:
        ImportError: there are no pseudo-terminals on this system.
    """

    def __init__(self, instrument: Instrument) -> None:
        import pty
        import tty

        super().__init__(instrument)
        self._near, self._far = pty.openpty()
        # The far end stays open here too, so that a controller may close it and come again.
        tty.setraw(self._far)
        self.path = os.ttyname(self._far)
        self._closed = False
        self._thread.start()

    @property
    def resource(self) -> str:
        return self.path

    def close(self) -> None:
        super().close()
        self._hang_up()

    def _run(self) -> None:
        while not self._stop.is_set() and not self._closed:
            ready = self._wait([self._near])
            if self._drop.is_set() or not self.instrument.link_up:
                self._hang_up()
                self.instrument.link_lost()
                return
            if ready:
                self.instrument.feed(os.read(self._near, CHUNK))
            data = self.instrument.take()
            while data:
                data = data[os.write(self._near, data) :]

    def _hang_up(self) -> None:
        if not self._closed:
            self._closed = True
            os.close(self._near)
            os.close(self._far)


def serve_tcp(instrument: Instrument, port: int = 0) -> TcpServer:
    """Serve over TCP; port 0 takes a free one."""
    return TcpServer(instrument, port)


def serve_pty(instrument: Instrument) -> PtyServer:
    """Serve over a pseudo-terminal."""
    return PtyServer(instrument)
