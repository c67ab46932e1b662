"""A serial port. On POSIX its descriptor is used directly, which more than halves the delay."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from typing import TYPE_CHECKING

from drivers.links.settings import SerialDefaults
from drivers.links.waiting import readable, writable
from orchestrator.errors import LinkLost, TimedOut

if TYPE_CHECKING:
    from serial import Serial

    from orchestrator.clock import Clock
    from orchestrator.model.station import SerialLink

SEND_WITHIN_S = 1.0
CHUNK = 4096
PARITIES = {"none": "N", "even": "E", "odd": "O"}
BUSY = (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY)


def open_link(
    settings: SerialLink, *, name: str, clock: Clock, defaults: SerialDefaults | None = None
) -> SerialPort:
    """Open the port for this process alone.

    Args:
        settings: the station's; what it leaves out comes from ``defaults``.
        name: shown in errors.
        clock: for the deadlines.
        defaults: the profile's; 9600 baud, 8 bits, no parity, 1 stop bit where it has none.

    Raises:
        LinkLost: no such port, no permission, or another program has it.
    """
    return SerialPort(settings, name=name, clock=clock, defaults=defaults or SerialDefaults())


class SerialPort:
    """An open serial port; satisfies the port ``Link``. One thread uses it at a time.

    ``by_descriptor`` False: read and write through pyserial, as it must be on Windows.
    """

    def __init__(
        self,
        settings: SerialLink,
        *,
        name: str,
        clock: Clock,
        defaults: SerialDefaults,
        by_descriptor: bool = os.name == "posix",
    ) -> None:
        self.name = name
        self._settings = settings
        self._defaults = defaults
        self._clock = clock
        self._by_descriptor = by_descriptor
        self._port: Serial | None = None
        self._open()

    def send(self, data: bytes) -> None:
        from serial import SerialTimeoutException

        port = self._opened()
        try:
            sent = self._write(port, data) if self._by_descriptor else port.write(data)
        except SerialTimeoutException as error:
            raise TimedOut(
                f"{self}: didn't take {len(data)} bytes within {SEND_WITHIN_S:g} s"
            ) from error
        except Exception as error:  # pyserial lets TypeError, termios.error and others through
            raise self._lost(error) from error
        if sent is not None and sent < len(data):
            raise TimedOut(f"{self}: took {sent} of {len(data)} bytes within {SEND_WITHIN_S:g} s")

    def receive(self, within_s: float) -> bytes:
        port = self._opened()
        try:
            if self._by_descriptor:
                return self._read(port.fileno(), within_s)
            if port.timeout != within_s:  # setting it sets up the whole port again
                port.timeout = within_s
            first = port.read(1)
            return first + port.read(port.in_waiting) if first else b""
        except Exception as error:  # as in send
            raise self._lost(error) from error

    def reopen(self) -> None:
        self.close()
        self._open()

    def close(self) -> None:
        port, self._port = self._port, None
        if port is None:
            return
        with contextlib.suppress(Exception):  # the port may be gone, and then it is closed
            port.close()

    def __str__(self) -> str:
        return f"{self.name} (serial port {self._settings.port})"

    def _opened(self) -> Serial:
        if self._port is None:
            raise LinkLost(f"{self}: the port is closed")
        return self._port

    def _lost(self, error: Exception) -> LinkLost:
        self.close()
        return LinkLost(f"{self}: the port is gone ({error})")

    def _read(self, descriptor: int, within_s: float) -> bytes:
        if not readable(descriptor, within_s):
            return b""
        try:
            data = os.read(descriptor, CHUNK)
        except BlockingIOError:
            return b""  # woken without data
        if not data:
            raise OSError(errno.EIO, "end of file on the port")
        return data

    def _write(self, port: Serial, data: bytes) -> int:
        """Bytes taken by the deadline."""
        descriptor, sent = port.fileno(), 0
        deadline_s = self._clock.monotonic() + SEND_WITHIN_S
        while sent < len(data):
            if not writable(descriptor, deadline_s - self._clock.monotonic()):
                break
            try:
                sent += os.write(descriptor, data[sent:])
            except BlockingIOError:
                if self._clock.monotonic() >= deadline_s:
                    break
        return sent

    def _open(self) -> None:
        import serial

        chosen, given = self._settings, self._defaults
        try:
            self._port = serial.Serial(
                chosen.port,
                baudrate=given.baud if chosen.baud is None else chosen.baud,
                bytesize=int(chosen.bits or given.bits),
                parity=PARITIES[chosen.parity or given.parity],
                stopbits=int(chosen.stop_bits or given.stop_bits),
                timeout=0,
                write_timeout=SEND_WITHIN_S,
                exclusive=True,
            )
        except Exception as error:  # as in send
            raise self._explained(error) from error

    def _explained(self, error: Exception) -> LinkLost:
        port, code = self._settings.port, getattr(error, "errno", None)
        # Windows says 'access denied' of a port that is open elsewhere.
        if code in BUSY or (sys.platform == "win32" and "PermissionError" in str(error)):
            return LinkLost(
                f"{self}: port {port} is in use by another program; close it ({error})",
                remedy="close the program that has the port open, then start again",
            )
        if code == errno.EACCES:
            return LinkLost(
                f"{self}: no permission to open port {port} ({error})",
                remedy="let this user have serial ports (often a group of its own), log in again",
            )
        return LinkLost(
            f"{self}: can't open port {port} ({error})",
            remedy="check that the port exists and its name and settings in the station file",
        )
