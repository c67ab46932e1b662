"""What this process has of VISA: one resource manager for each library, and who holds what."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.highlevel import VisaLibraryBase

_lock = threading.Lock()  # guards the two tables
_managers: dict[str, ResourceManager] = {}
_holders: dict[tuple[str, ...], str] = {}


def use_library(backend: str, library: VisaLibraryBase) -> None:
    """Let links whose ``backend`` is this name use a library that was made by hand.

    A name given again takes the new library from then on; open links keep theirs.
    """
    from pyvisa import ResourceManager

    with _lock:
        _managers[backend] = ResourceManager(library)


def manager(backend: str) -> ResourceManager:
    """The one resource manager of a library; raises what pyvisa raises."""
    from pyvisa import ResourceManager

    with _lock:
        if backend not in _managers:
            _managers[backend] = ResourceManager(backend)
        return _managers[backend]


def claim(resource: tuple[str, ...], name: str) -> str | None:
    """Take a resource; the name of who has it already, or ``None`` if it was free."""
    with _lock:
        if resource in _holders:
            return _holders[resource]
        _holders[resource] = name
        return None


def release(resource: tuple[str, ...]) -> None:
    """Give it back; harmless if it isn't held."""
    with _lock:
        _holders.pop(resource, None)
