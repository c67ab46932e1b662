"""One process per station."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.clock import VirtualClock
from orchestrator.errors import StationBusy
from orchestrator.records.lock import StationLock, lock_path

_CHILD = """
import sys
from pathlib import Path
from orchestrator.clock import SystemClock
from orchestrator.records.lock import StationLock
StationLock(Path(sys.argv[1]), SystemClock()).acquire()
print("held", flush=True)
sys.stdin.read()
"""


def test_a_second_process_is_refused_and_told_who_holds_the_station(
    path: Path, clock: VirtualClock
) -> None:
    """The message names the holder; once it is killed, however rudely, the station is free."""
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with pytest.raises(StationBusy, match=rf"process {child.pid} .* since 20") as caught:
            StationLock(path, clock).acquire()
        assert caught.value.remedy
        child.kill()
    with StationLock(path, clock):
        assert str(os.getpid()) in lock_path(path).read_text()


def test_two_locks_in_one_process_exclude_each_other(path: Path, clock: VirtualClock) -> None:
    """The lock belongs to the opening, not to the process."""
    with StationLock(path, clock), pytest.raises(StationBusy):
        StationLock(path, clock).acquire()


def test_a_released_station_can_be_taken_again(path: Path, clock: VirtualClock) -> None:
    """Also by the same object; the file stays, without a name in it."""
    lock = StationLock(path, clock)
    for _ in range(2):
        lock.acquire()
        lock.release()
        lock.release()
    assert lock_path(path).read_bytes() == b""


def test_a_holder_that_has_not_signed_yet_is_still_a_holder(
    path: Path, clock: VirtualClock
) -> None:
    """The lock decides, not what the file says."""
    with StationLock(path, clock):
        lock_path(path).write_bytes(b"garbage")
        with pytest.raises(StationBusy, match="another process"):
            StationLock(path, clock).acquire()
