"""Interlock inputs that need no instrument: a file, for trials, and the simulated guard."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from orchestrator.clock import Clock
from orchestrator.contract import Sample
from orchestrator.model.station import FileInput, SimulatedInput


class Guard(Protocol):
    """What stands for the guard of a simulated bench."""

    @property
    def guard_closed(self) -> bool:
        """True while the guard is closed."""
        ...


class FileBlock:
    """A text file that holds 'closed' or 'open'. Anything else, or no file, is open.

    Only for trials: it proves nothing about a guard, and is refused with real testers.
    """

    real = False

    def __init__(self, name: str, path: Path, clock: Clock) -> None:
        self.name = name
        self._path = path
        self._clock = clock

    def sample(self) -> Sample:
        """Read the file now."""
        at_s = self._clock.monotonic()
        try:
            text = self._path.read_bytes()[:16].strip()
        except OSError as error:
            told = f"{self._path} can't be read: {error.strerror}"
            return Sample(False, at_s, told, answered=False)
        return Sample(text == b"closed", at_s, f"file {self._path}")


class GuardBlock:
    """The guard of the simulated bench."""

    real = False

    def __init__(self, name: str, guard: Guard, clock: Clock) -> None:
        self.name = name
        self._guard = guard
        self._clock = clock

    def sample(self) -> Sample:
        """Look at the bench now."""
        return Sample(self._guard.guard_closed, self._clock.monotonic(), "simulated guard")


def file_input(name: str, source: FileInput, *, folder: Path, clock: Clock) -> FileBlock:
    """A file input; its path is relative to the station file."""
    return FileBlock(name, folder / source.path, clock)


def simulated_input(name: str, source: SimulatedInput, *, guard: Guard, clock: Clock) -> GuardBlock:
    """The guard of the bench in this process."""
    del source
    return GuardBlock(name, guard, clock)
