"""The bench on which the manual's dialogues of the Thicket were taken."""

from __future__ import annotations

from unittest.mock import patch

from drivers.simulators.bench import SIMULATORS, Bench
from orchestrator.clock import VirtualClock

KIND = {"thicket": "tests.profiles.unknown.thicket.simulator:Thicket"}
"""Its entry in the list of simulators."""


class ManualBench:
    """Bench, clock and instrument, and what `..` lines do."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        with patch.dict(SIMULATORS, KIND):
            self.instrument = self.bench.add("rack", "thicket", units={"first": 0, "second": 1})

    def happen(self, what: str) -> None:
        """What a `..` line says. Raises ValueError."""
        relays = self.bench.wiring.unit("rack/first")
        if what in {"enable opens", "enable closes"}:
            self.bench.guard_closed = what == "enable closes"
        elif what == "relay 1 sticks":
            relays.weld("high", 1, "source")
        elif what == "relay 1 is mended":
            relays.repair()
        else:
            raise ValueError(what)
