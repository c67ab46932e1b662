"""Serial numbers of simulated instruments: they confess to what they are."""

from __future__ import annotations

PREFIX = "SIM-"


def confessed(serial: str) -> str:
    """The serial number, if it says that it belongs to a simulation.

    Raises:
        ValueError: it could be taken for a real instrument's.
    """
    if not serial.startswith(PREFIX):
        raise ValueError(f"serial number {serial!r} of a simulation must begin with {PREFIX!r}")
    return serial
