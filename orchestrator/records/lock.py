"""One process per station: an exclusive lock that the operating system takes back.

The lock lies in ``<records>.lock``. It is never deleted: a second process could otherwise lock a
new file of the same name while the first still holds the old one.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from pathlib import Path
from typing import Self

from orchestrator.clock import Clock
from orchestrator.errors import StationBusy
from orchestrator.records.faults import from_os

_BEYOND = 1 << 30
"""Windows bars others from reading a locked byte; this one lies behind the holder's name."""


def lock_path(records: Path) -> Path:
    """Where the lock of the station with these records lies."""
    return records.with_name(records.name + ".lock")


class StationLock:
    """Held from `acquire` to `release`, or to the death of the process, however it dies.

    Use as a context manager.
    """

    def __init__(self, records: Path, clock: Clock) -> None:
        self._path = lock_path(records)
        self._clock = clock
        self._descriptor: int | None = None

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    def acquire(self) -> None:
        """Take the lock, without waiting.

        Raises:
            StationBusy: another process (or another lock in this one) holds it; says which.
            RecordsUnwritable: the lock file can't be made.
        """
        if self._descriptor is not None:
            raise StationBusy(f"{self._path}: this very lock is already held")
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise from_os(error, self._path, "taking the station's lock") from error
        try:
            if not _try_lock(descriptor):
                raise StationBusy(f"the station is in use by {self._holder(descriptor)}")
            self._sign(descriptor)
        except OSError as error:
            os.close(descriptor)
            raise from_os(error, self._path, "taking the station's lock") from error
        except StationBusy:
            os.close(descriptor)
            raise
        self._descriptor = descriptor

    def release(self) -> None:
        """Give the lock back; does nothing if it isn't held."""
        if self._descriptor is None:
            return
        descriptor, self._descriptor = self._descriptor, None
        try:
            with contextlib.suppress(OSError):  # a stale name misleads nobody: the lock decides
                os.ftruncate(descriptor, 0)
            _unlock(descriptor)
        finally:
            os.close(descriptor)

    def _sign(self, descriptor: int) -> None:
        since = self._clock.utc().isoformat(timespec="seconds")
        holder = {"pid": os.getpid(), "computer": socket.gethostname(), "since": since}
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, json.dumps(holder).encode("ascii"))

    def _holder(self, descriptor: int) -> str:
        try:
            os.lseek(descriptor, 0, os.SEEK_SET)
            holder = json.loads(os.read(descriptor, 4096))
            pid, computer, since = holder["pid"], holder["computer"], holder["since"]
        except (OSError, ValueError, KeyError, TypeError):
            return f"another process that has not signed yet ({self._path})"
        return f"process {pid} on {computer} since {since} ({self._path})"


def _try_lock(descriptor: int) -> bool:
    """False if somebody else holds it."""
    if sys.platform == "win32":
        import msvcrt

        os.lseek(descriptor, _BEYOND, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        except OSError as error:
            if error.errno == 36:  # EDEADLK, the C library's word for 'held by somebody else'
                return False
            raise
        return True
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _unlock(descriptor: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        os.lseek(descriptor, _BEYOND, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)
        return
    import fcntl

    fcntl.flock(descriptor, fcntl.LOCK_UN)
