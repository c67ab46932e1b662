"""VISA resource strings: what may be opened, and which strings mean the same resource.

Grammar: VPP-4.3, 4.3.1. Primary addresses on GPIB go from 0 to 30 (IEEE 488.1; 31 is 'unlisten'
and 'untalk'); secondary addresses from 0 to 31, though some interface software stops at 30.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

HIGHEST_PRIMARY = 30
HIGHEST_SECONDARY = 31
HIGHEST_PORT = 65535

GPIB, SERIAL, SOCKET, LAN, USB = "GPIB", "ASRL", "SOCKET", "TCPIP", "USB"

# Beyond the grammar, ASRL takes a device's name where a number stands, as is common.
_FORMS = {
    GPIB: r"GPIB(?P<board>\d*)::(?P<primary>\d+)(::(?P<secondary>\d+))?(::INSTR)?",
    SERIAL: r"ASRL(?P<board>[^:\s]*)(::INSTR)?",
    SOCKET: r"TCPIP(?P<board>\d*)::(?P<host>[^:\s]+)::(?P<port>\d+)::SOCKET",
    LAN: r"TCPIP(?P<board>\d*)::(?P<host>[^:\s]+)"
    r"(::(?!(INSTR|SOCKET)$)(?P<device>[^:\s]+))?(::INSTR)?",
    USB: r"USB(?P<board>\d*)::(?P<maker>0x[\dA-F]{1,4})::(?P<model>0x[\dA-F]{1,4})"
    r"::(?P<serial>[^:\s]+)(::(?P<interface>\d+))?(::INSTR)?",
}
FORMS = tuple((kind, re.compile(form, re.IGNORECASE | re.ASCII)) for kind, form in _FORMS.items())
EXPECTED = (
    "GPIB0::5::INSTR, ASRL3::INSTR, TCPIP0::host::5025::SOCKET, TCPIP0::host::inst0::INSTR or "
    "USB0::0x1234::0x5678::serial::INSTR"
)


@dataclass(frozen=True, slots=True)
class Resource:
    """A resource string understood. ``key`` is equal for strings that mean the same resource."""

    kind: str
    key: tuple[str, ...]


def check_resource(resource: str) -> str | None:
    """What is wrong with a VISA resource string, or ``None`` if it may be opened."""
    understood = read_resource(resource)
    return understood if isinstance(understood, str) else None


def read_resource(resource: str) -> Resource | str:
    """The resource, or what is wrong with the string."""
    for kind, form in FORMS:
        match = form.fullmatch(resource)
        if match is not None:
            parts = match.groupdict()
            return _complaint(kind, parts) or Resource(kind, _key(kind, parts))
    return "isn't the VISA name of an instrument"


def _complaint(kind: str, parts: dict[str, str | None]) -> str | None:
    primary, secondary = parts.get("primary"), parts.get("secondary")
    if primary is not None and int(primary) > HIGHEST_PRIMARY:
        return f"has the GPIB address {primary}; addresses go from 0 to {HIGHEST_PRIMARY}"
    if secondary is not None and int(secondary) > HIGHEST_SECONDARY:
        return f"has the GPIB secondary address {secondary}; these go from 0 to {HIGHEST_SECONDARY}"
    port = parts.get("port")
    if port is not None and not 1 <= int(port) <= HIGHEST_PORT:
        return f"has the port {port}; ports go from 1 to {HIGHEST_PORT}"
    device = parts.get("device")
    if kind == LAN and device is not None and device.isdigit():
        return f"names a LAN device {device!r}; for a port write ::{device}::SOCKET"
    return None


def _key(kind: str, parts: dict[str, str | None]) -> tuple[str, ...]:
    filled = {name: value or "" for name, value in parts.items()}
    filled["board"] = filled["board"] or "0"
    if kind == LAN:
        filled["device"] = filled["device"] or "inst0"
    if kind != SERIAL:  # names of ports may differ in case alone
        filled = {name: value.casefold() for name, value in filled.items()}
    numbers = ("board", "primary", "secondary", "port", "interface")
    for name in numbers:
        value = filled.get(name, "")
        if value.isdigit():
            filled[name] = str(int(value))
    return kind, *(filled[name] for name in sorted(filled))
