"""Waits on a socket or descriptor without spinning, on Windows too (there: sockets only)."""

from __future__ import annotations

import math
import select
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import socket


def readable(source: socket.socket | int, within_s: float) -> bool:
    """True once there is something to read, an end of file or an error to be seen.

    Waits at most ``within_s``, rounded up to whole milliseconds where the system counts so.
    """
    return _ready(source, within_s, writing=False)


def writable(source: socket.socket | int, within_s: float) -> bool:
    """True once bytes would be taken or an error seen; waits as ``readable`` does."""
    return _ready(source, within_s, writing=True)


def _ready(source: socket.socket | int, within_s: float, *, writing: bool) -> bool:
    within_s = max(within_s, 0.0)
    if hasattr(select, "poll"):  # select() fails for descriptors from 1024 up
        poller = select.poll()
        poller.register(source, select.POLLOUT if writing else select.POLLIN)
        return bool(poller.poll(math.ceil(within_s * 1000)))
    watched = [source]
    nothing: list[socket.socket | int] = []
    read, write, failed = select.select(
        nothing if writing else watched, watched if writing else nothing, watched, within_s
    )
    return bool(read or write or failed)
