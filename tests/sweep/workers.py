"""Cases spread over processes, each with a folder of its own, in memory where that can be had."""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import tempfile
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

from tests.sweep.cases import Case, Seen, try_case
from tests.sweep.sites import read_profiles_once

CHUNK = 20


def in_memory() -> str | None:
    """Where files don't wait for a disk; None where there is no such place: the usual one then."""
    memory = Path("/dev/shm")
    return str(memory) if memory.is_dir() and os.access(memory, os.W_OK) else None


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends what it started
    read_profiles_once()
    gc.set_threshold(50_000, 20, 100)  # a tenth of the time otherwise


def _try(root: str, case: Case) -> Seen:
    return try_case(case, Path(root) / f"worker {os.getpid()}")


def sweep(cases: Sequence[Case], workers: int) -> Iterator[Seen]:
    """Run all cases; each comes as it is done, in no particular order."""
    with tempfile.TemporaryDirectory(prefix="ohmward-sweep-", dir=in_memory()) as root:
        yield from _run(cases, workers, root)


def _run(cases: Sequence[Case], workers: int, root: str) -> Iterator[Seen]:
    work = partial(_try, root)
    if workers <= 1:
        yield from map(work, cases)
        return
    context = multiprocessing.get_context("spawn")
    with context.Pool(workers, initializer=_begin) as pool:
        yield from pool.imap_unordered(work, cases, chunksize=CHUNK)
