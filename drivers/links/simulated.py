"""A shipped simulator in the same process, spoken to through the same framing as a real one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.errors import Fault, LinkLost, Refused

if TYPE_CHECKING:
    from drivers.simulators.base import Instrument
    from drivers.simulators.bench import Bench
    from orchestrator.clock import Clock
    from orchestrator.model.station import SimulatedLink

LOOK_EVERY_S = 0.010
"""While nothing is known to be on its way: some instruments speak by themselves."""


def open_link(
    settings: SimulatedLink, *, name: str, clock: Clock, bench: Bench
) -> SimulatedInstrumentLink:
    """Connect to an instrument of the bench.

    Args:
        settings: `instrument` is its kind; or its name on a bench that was built by hand.
        name: that of the station file, under which the bench built from it holds the instrument.
        clock: the bench's clock; a virtual one is advanced while waiting for a reply.
        bench: where the instrument stands.

    Raises:
        Refused: no such instrument on the bench.
        LinkLost: the instrument is unplugged.
    """
    instrument = bench.instruments.get(name) or bench.instruments.get(settings.instrument)
    if instrument is None:
        known = ", ".join(sorted(bench.instruments)) or "none"
        found, remedy = f"{settings.instrument!r}", "correct the name in the station file"
        what = f"simulated instrument of {name}"
        raise Refused([Fault(what, found, f"one on the bench ({known})", remedy)])
    return SimulatedInstrumentLink(instrument, name=name, clock=clock)


class SimulatedInstrumentLink:
    """A byte stream to a simulated instrument; satisfies the port ``Link``."""

    def __init__(self, instrument: Instrument, *, name: str, clock: Clock) -> None:
        self.name = name
        self._instrument = instrument
        self._clock = clock
        self._open = False
        self.reopen()

    def send(self, data: bytes) -> None:
        self._check()
        self._instrument.feed(data)

    def receive(self, within_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + within_s
        while True:
            self._check()
            data = self._instrument.take()
            if data:
                return data
            now_s = self._clock.monotonic()
            if now_s >= deadline_s:
                return b""
            due_s = self._instrument.next_due()
            until_s = now_s + LOOK_EVERY_S if due_s is None else max(due_s, now_s)
            self._clock.sleep(max(1e-9, min(until_s, deadline_s) - now_s))

    def reopen(self) -> None:
        if self._open:
            self.close()
        if self._instrument.faults.unplugged:
            raise LinkLost(f"{self.name}: the simulated instrument is unplugged")
        self._instrument.link_restored()
        self._open = True

    def close(self) -> None:
        if self._open:
            self._open = False
            self._instrument.link_lost()

    def __str__(self) -> str:
        return f"{self.name} (simulated {self._instrument.name})"

    def _check(self) -> None:
        if not self._open:
            raise LinkLost(f"{self}: the link is closed")
        if not self._instrument.link_up:
            self._open = False
            raise LinkLost(f"{self}: the connection broke")
