"""Simulated instruments inside the simulating VISA library.

That library's own devices have no state and no time. These do: they hand the bytes to an
instrument of the bench. Unknown resources are refused, which the library's own aren't.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

from pyvisa import constants, errors
from pyvisa_sim.devices import Device
from pyvisa_sim.highlevel import SimVisaLibrary

if TYPE_CHECKING:
    from collections.abc import Mapping

    from drivers.simulators.base import Instrument

LONGEST_WAIT_S = 0.010
"""No longer than the library itself would wait before it looks again."""
_serial = itertools.count(1)


class InstrumentDevice(Device):  # type: ignore[misc] # the library ships no types
    """A device of the library whose bytes go to an instrument."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument.name, b"")
        self._instrument = instrument
        self._unread = bytearray()

    def write(self, data: bytes) -> None:
        self._check()
        self._instrument.feed(bytes(data))

    def read(self) -> tuple[bytes, bool]:
        """One byte, and whether it ends a message; b'' while nothing is due.

        Waits for a reply that is on its way, on the bench's clock, as the library itself only
        waits in steps of 10 ms of real time.
        """
        self._check()
        self._unread += self._instrument.take()
        if not self._unread:
            due_s = self._instrument.next_due()
            clock = self._instrument.bench.clock
            if due_s is None:
                return b"", False
            clock.sleep(min(max(due_s - clock.monotonic(), 1e-6), LONGEST_WAIT_S))
            self._unread += self._instrument.take()
            if not self._unread:
                return b"", False
        byte = bytes(self._unread[:1])
        del self._unread[:1]
        return byte, byte == self._instrument.end

    def discard(self) -> None:
        """Throw away what wasn't read."""
        self._unread.clear()
        self._instrument.take()

    def opened(self) -> None:
        """A session was opened on it."""
        self._instrument.link_restored()

    def closed(self, *, noticed: bool) -> None:
        """The session was closed; over a bus the instrument doesn't notice."""
        self._unread.clear()
        if noticed:
            self._instrument.link_lost()

    def status_byte(self) -> int | None:
        """Of a serial poll; None where the instrument has none."""
        asked = getattr(self._instrument, "status_byte", None)
        return None if asked is None else int(asked())

    def _check(self) -> None:
        if not self._instrument.link_up:
            raise errors.VisaIOError(constants.StatusCode.error_connection_lost)


class InstrumentLibrary(SimVisaLibrary):  # type: ignore[misc] # the library ships no types
    """The simulating library with devices of ours in place of a file's."""

    def _init(self) -> None:
        self.sessions: dict[Any, Any] = {}
        self.devices: dict[str, InstrumentDevice] = {}

    def open(self, session: Any, resource_name: str, *args: Any, **kwargs: Any) -> Any:
        opened, status = super().open(session, resource_name, *args, **kwargs)
        if status < 0:
            raise errors.VisaIOError(status)
        self.sessions[opened].device.opened()
        return opened, status

    def close(self, session: Any) -> Any:
        found = self.sessions.get(session)
        if found is not None and hasattr(found, "device"):
            kind = found.get_attribute(constants.ResourceAttribute.interface_type)[0]
            found.device.closed(noticed=kind == constants.InterfaceType.tcpip)
        return super().close(session)

    def clear(self, session: Any) -> Any:
        self.sessions[session].device.discard()
        return constants.StatusCode.success

    def read_stb(self, session: Any) -> Any:
        byte = self.sessions[session].device.status_byte()
        if byte is None:
            return 0, constants.StatusCode.error_nonsupported_operation
        return byte, constants.StatusCode.success


def library_for(instruments: Mapping[str, Instrument]) -> InstrumentLibrary:
    """A library instance of its own, for `pyvisa.ResourceManager(library)`.

    Args:
        instruments: by resource name, such as ``GPIB0::12::INSTR``.
    """
    # pyvisa keeps one library for each name; a new name keeps benches apart.
    library = InstrumentLibrary(f"bench-{next(_serial)}")
    for resource, instrument in instruments.items():
        device = InstrumentDevice(instrument)
        device.resource_name = resource
        library.devices[device.resource_name] = device
    return library
