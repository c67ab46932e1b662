"""VISA resource strings, as far as they can be judged without a bus (VPP-4.3, 4.3.1)."""

from __future__ import annotations

import re

HIGHEST_PRIMARY = 30
"""IEEE 488.1: 31 is not a device address (as listen address it is the unlisten command)."""

HIGHEST_SECONDARY = 31

_GPIB = re.compile(r"GPIB[0-9]{0,3}::([0-9]{1,3})(?:::([0-9]{1,3}))?(?:::INSTR)?", re.IGNORECASE)
_SOCKET = re.compile(r"TCPIP[0-9]{0,3}::[^:\s]+::([0-9]{1,6})::SOCKET", re.IGNORECASE)
_OTHERS = (
    re.compile(r"TCPIP[0-9]{0,3}::[^:\s]+(?:::[A-Za-z][^:\s]*)?(?:::INSTR)?", re.IGNORECASE),
    re.compile(r"ASRL[^:\s]*(?:::INSTR)?", re.IGNORECASE),
    re.compile(
        r"USB[0-9]{0,3}(?:::(?:0x[0-9A-F]{1,4}|[0-9]{1,5})){2}::[^:\s]+(?:::[0-9]{1,3})?"
        r"(?:::INSTR|::RAW)?",
        re.IGNORECASE,
    ),
)

EXAMPLES = "such as GPIB0::5::INSTR, TCPIP::10.0.0.5::5025::SOCKET or ASRL3::INSTR"


def why_not(resource: str) -> tuple[str, str] | None:
    """(found, expected) if a resource string can't be right, else ``None``.

    Addresses are checked here because some VISA libraries accept 31 and above without a word.
    """
    if found := _GPIB.fullmatch(resource):
        primary, secondary = int(found[1]), found[2]
        if primary > HIGHEST_PRIMARY:
            return f"GPIB address {primary}", f"a primary address from 0 to {HIGHEST_PRIMARY}"
        if secondary is not None and int(secondary) > HIGHEST_SECONDARY:
            expected = f"a secondary address from 0 to {HIGHEST_SECONDARY}"
            return f"secondary GPIB address {secondary}", expected
        return None
    if found := _SOCKET.fullmatch(resource):
        port = int(found[1])
        return None if 1 <= port <= 65535 else (f"port {port}", "a port from 1 to 65535")
    if any(pattern.fullmatch(resource) for pattern in _OTHERS):
        return None
    return repr(resource), f"a VISA resource, {EXAMPLES}"
