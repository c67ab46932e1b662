"""The bench on which the manual's dialogues of the Marl were taken."""

from __future__ import annotations

from unittest.mock import patch

from drivers.simulators.bench import SIMULATORS, Bench
from drivers.simulators.unit import parse_unit
from orchestrator.clock import VirtualClock

KIND = {"marl": "tests.profiles.unknown.marl.simulator:Marl"}
"""Its entry in the list of simulators."""
UNIT = """\
name: manual
parts:
  - {between: ["1", "3"], resistance: 1.24 Mohm}
  - {between: ["2", "3"], resistance: 1.5 Gohm}
  - {between: ["4", "5"], resistance: 4 ohm}
"""


class ManualBench:
    """Bench, clock and instrument, and what `..` lines do."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        with patch.dict(SIMULATORS, KIND):
            self.instrument = self.bench.add("tester", "marl")
        for channel in range(1, 9):
            self.bench.wire("tester/1", "scan", channel, str(channel))
        self.bench.load_unit(parse_unit(UNIT))

    def happen(self, what: str) -> None:
        """What a `..` line says. Raises ValueError."""
        if what not in {"guard opens", "guard shuts"}:
            raise ValueError(what)
        self.bench.guard_closed = what == "guard shuts"
