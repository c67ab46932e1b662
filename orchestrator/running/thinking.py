"""Computing beside the scan: what takes longer than an input may go unsampled."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from typing import Any, TypeVar

from orchestrator.running.commands import Command, Wait

T = TypeVar("T")
LOOK_S = 0.002


def think(compute: Callable[[], T], *, aside: bool) -> Generator[Command, Any, T]:
    """The result of a computation that touches no instrument; raises what it raises.

    ``aside``: in a thread of its own, the scan going on meanwhile. Not in virtual time, which
    would pass as fast as the computer is slow.
    """
    if not aside:
        return compute()
    results: list[T] = []
    failures: list[BaseException] = []

    def work() -> None:
        try:
            results.append(compute())
        except BaseException as error:  # noqa: BLE001 - raised again by the caller
            failures.append(error)

    thread = threading.Thread(target=work, name="search", daemon=True)
    thread.start()
    while thread.is_alive():
        yield Wait(LOOK_S)
    if failures:
        raise failures[0]
    return results[0]
