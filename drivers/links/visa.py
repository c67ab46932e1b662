"""A VISA resource, over any library that pyvisa can use.

Known gaps:
- A message-based instrument that marks the end of a message with END alone, without a terminator,
  isn't supported: END doesn't reach the frame reader.
- USB resources were never tried; short time limits may disturb some instruments there.
- The simulating library opens unknown resources without a word; here that is noticed where it
  shows (no session, nothing taken by a write), otherwise by the identification that follows.
"""

from __future__ import annotations

import contextlib
import math
import os
import socket
from typing import TYPE_CHECKING, Any

from drivers.links import libraries
from drivers.links.libraries import use_library
from drivers.links.resources import EXPECTED, SERIAL, SOCKET, read_resource
from drivers.links.waiting import readable, writable
from orchestrator.errors import Fault, LinkLost, ProtocolFault, Refused, TimedOut

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

    from drivers.links.settings import SerialDefaults
    from orchestrator.clock import Clock
    from orchestrator.model.station import VisaLink

__all__ = ["VisaResource", "open_link", "use_library"]

OPEN_WITHIN_S = 3.0
SEND_WITHIN_S = 1.0
CHUNK = 4096


def open_link(
    settings: VisaLink, *, name: str, clock: Clock, defaults: SerialDefaults | None = None
) -> VisaResource:
    """Open a resource that isn't open yet in this process.

    VISA's own exclusive opening is ignored by some libraries, so this module keeps a list.

    Args:
        settings: the station's.
        name: shown in errors.
        clock: for the deadlines.
        defaults: the profile's serial settings, used for ASRL resources only.

    Raises:
        Refused: the resource's name can't be right, or it is open already.
        LinkLost: it can't be opened.
    """
    what, found = f"VISA resource of {name}", repr(settings.resource)
    resource = read_resource(settings.resource)
    if isinstance(resource, str):
        expected = f"a name such as {EXPECTED}"
        raise Refused([Fault(what, f"{found}, which {resource}", expected, "correct the name")])
    claim = (settings.backend, *resource.key)
    holder = libraries.claim(claim, name)
    if holder is not None:
        found = f"{found}, already open as {holder}"
        remedy = "give each instrument a resource of its own, or close the other one first"
        raise Refused([Fault(what, found, "a resource that isn't open yet", remedy)])
    try:
        return VisaResource(settings, claim, name=name, clock=clock, defaults=defaults)
    except BaseException:
        libraries.release(claim)
        raise


class VisaResource:
    """An open VISA resource; satisfies the port ``Link``. One thread uses it at a time.

    Reads ask VISA for single bytes: a longer read that runs into its time limit loses what it
    had. Sockets of the Python library are waited for directly, as its own wait neither notices
    that the peer is gone nor leaves the processor alone then.
    """

    def __init__(
        self,
        settings: VisaLink,
        claim: tuple[str, ...],
        *,
        name: str,
        clock: Clock,
        defaults: SerialDefaults | None,
    ) -> None:
        self.name = name
        self._settings = settings
        self._claim: tuple[str, ...] | None = claim
        self._kind = claim[1]
        self._clock = clock
        self._defaults = defaults
        self._resource: MessageBasedResource | None = None
        self._socket: socket.socket | None = None
        self._limit_ms = -1
        self._open()

    def send(self, data: bytes) -> None:
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        resource = self._opened()
        late = f"{self}: didn't take {len(data)} bytes within {SEND_WITHIN_S:g} s"
        try:
            sent = self._write(resource, data)
        except VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                raise TimedOut(late) from error
            raise self._failed(error) from error
        except Exception as error:  # libraries let bare exceptions and TypeError through
            raise self._failed(error) from error
        if sent < len(data):
            if self._socket is not None:
                raise TimedOut(late)
            raise self._failed(ConnectionError(f"took {sent} of {len(data)} bytes"))

    def receive(self, within_s: float) -> bytes:
        resource = self._opened()
        try:
            if self._socket is not None:
                return self._read_socket(resource, self._socket, within_s)
            return self._read_bytes(resource, within_s)
        except Exception as error:  # as in send
            raise self._failed(error) from error

    def reopen(self) -> None:
        if self._claim is None:
            raise LinkLost(f"{self}: closed for good", remedy="open the station again")
        self._shut()
        self._open()

    def close(self) -> None:
        self._shut()
        claim, self._claim = self._claim, None
        if claim is not None:
            libraries.release(claim)

    def __str__(self) -> str:
        library = f" through {self._settings.backend}" if self._settings.backend else ""
        return f"{self.name} (VISA {self._settings.resource}{library})"

    def _opened(self) -> MessageBasedResource:
        if self._resource is None:
            raise LinkLost(f"{self}: the resource is closed")
        return self._resource

    def _shut(self) -> None:
        resource, self._resource = self._resource, None
        self._socket = None
        if resource is not None:
            with contextlib.suppress(Exception):  # it may be gone, and then it is closed
                resource.close()

    def _failed(self, error: Exception) -> LinkLost | ProtocolFault:
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode as Status

        garbled = (
            Status.error_serial_parity,
            Status.error_serial_framing,
            Status.error_serial_overrun,
        )
        if isinstance(error, VisaIOError) and error.error_code in garbled:
            return ProtocolFault(f"{self}: characters arrive damaged ({error})")
        self._shut()
        return LinkLost(f"{self}: {error}")

    def _limit(self, resource: MessageBasedResource, within_s: float) -> None:
        limit_ms = max(1, math.ceil(within_s * 1000))
        if limit_ms != self._limit_ms:  # setting it is slow on serial ports
            resource.timeout = limit_ms
            self._limit_ms = limit_ms

    def _write(self, resource: MessageBasedResource, data: bytes) -> int:
        """Bytes taken. The Python library would wait without end for a socket to take them."""
        self._limit(resource, SEND_WITHIN_S)
        if self._socket is None:
            return resource.write_raw(data)
        sent, deadline_s = 0, self._clock.monotonic() + SEND_WITHIN_S
        while sent < len(data) and writable(self._socket, deadline_s - self._clock.monotonic()):
            sent += resource.write_raw(data[sent : sent + CHUNK])
        return sent

    def _read_socket(
        self, resource: MessageBasedResource, peer: socket.socket, within_s: float
    ) -> bytes:
        if not readable(peer, within_s):
            return b""
        size = len(peer.recv(CHUNK, socket.MSG_PEEK))
        if size == 0:
            raise ConnectionError("the other end closed the connection")
        self._limit(resource, SEND_WITHIN_S)  # never reached: the bytes are there
        return _visa_read(resource, size)[0]

    def _read_bytes(self, resource: MessageBasedResource, within_s: float) -> bytes:
        from pyvisa.constants import VI_ATTR_ASRL_AVAIL_NUM, ResourceAttribute

        deadline_s = self._clock.monotonic() + within_s
        data, more = self._read_byte(resource, within_s)
        if not data or self._kind == SOCKET:  # whether more is there can't be asked
            return data
        if self._kind == SERIAL:
            waiting = ResourceAttribute(VI_ATTR_ASRL_AVAIL_NUM)
            for _ in range(resource.get_visa_attribute(waiting)):
                data += self._read_byte(resource, within_s)[0]
            return data
        while more:
            left_s = deadline_s - self._clock.monotonic()
            if left_s <= 0:
                break
            byte, more = self._read_byte(resource, left_s)
            data += byte
        return data

    def _read_byte(self, resource: MessageBasedResource, within_s: float) -> tuple[bytes, bool]:
        """One byte, or none in time, and whether the message goes on."""
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        self._limit(resource, within_s)
        try:
            data, status = _visa_read(resource, 1)
        except VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                return b"", False
            raise
        if status < 0 and status != StatusCode.error_timeout:
            raise ConnectionError(f"VISA status {status!r}")
        return data, status == StatusCode.success_max_count_read

    def _open(self) -> None:
        self._limit_ms = -1
        try:
            self._resource = self._session()
            self._set_up(self._resource)
        except Exception as error:  # as in send
            self._shut()
            raise LinkLost(
                f"{self}: can't be opened ({error})",
                remedy="check that the instrument is on, and resource and backend in the "
                "station file",
            ) from error

    def _session(self) -> MessageBasedResource:
        from pyvisa.resources import MessageBasedResource

        resource = libraries.manager(self._settings.backend).open_resource(
            self._settings.resource, open_timeout=int(OPEN_WITHIN_S * 1000)
        )
        if not isinstance(resource, MessageBasedResource):
            resource.close()
            raise TypeError("the library doesn't take it for an instrument with messages")
        return resource

    def _set_up(self, resource: MessageBasedResource) -> None:
        if not resource.session:  # some libraries report an unknown resource only so
            raise ConnectionError("the library knows no such resource")
        interface = _interface(resource)
        if isinstance(interface, socket.socket):
            # The Python library calls a refused connection open; the socket knows.
            refused = interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if refused:
                raise ConnectionRefusedError(refused, os.strerror(refused))
            # A stop must not wait for an acknowledgement; VISA offers no way to set this.
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket = interface
        if self._kind == SERIAL:
            if hasattr(interface, "exclusive"):
                interface.exclusive = True
            if self._defaults is not None:
                _set_serial(resource, self._defaults)


def _visa_read(resource: MessageBasedResource, size: int) -> tuple[bytes, int]:
    """So many bytes at most, and VISA's status."""
    from pyvisa.constants import StatusCode

    # Both are warnings that say nothing new: that bytes may follow, that no device is addressed.
    expected = (StatusCode.success_device_not_present, StatusCode.success_max_count_read)
    with resource.ignore_warning(*expected):
        data, status = resource.visalib.read(resource.session, size)
    return bytes(data), status


def _interface(resource: MessageBasedResource) -> Any:
    """What the Python library talks through: a socket, a port; ``None`` in other libraries."""
    sessions = getattr(resource.visalib, "sessions", {})
    return getattr(sessions.get(resource.session), "interface", None)


def _set_serial(resource: MessageBasedResource, settings: SerialDefaults) -> None:
    from pyvisa.constants import Parity, ResourceAttribute, StopBits

    stop_bits = StopBits.one if settings.stop_bits == "1" else StopBits.two
    resource.set_visa_attribute(ResourceAttribute.asrl_baud_rate, settings.baud)
    resource.set_visa_attribute(ResourceAttribute.asrl_data_bits, int(settings.bits))
    resource.set_visa_attribute(ResourceAttribute.asrl_parity, Parity[settings.parity])
    resource.set_visa_attribute(ResourceAttribute.asrl_stop_bits, stop_bits)
