"""The bench on which the manual's dialogues of the Dapple were taken."""

from __future__ import annotations

from unittest.mock import patch

from drivers.simulators.bench import SIMULATORS, Bench
from drivers.simulators.unit import parse_unit
from orchestrator.clock import VirtualClock

KIND = {"dapple": "tests.profiles.unknown.dapple.simulator:Dapple"}
"""Its entry in the list of simulators."""


class ManualBench:
    """Bench, clock and instrument, and what `..` lines do."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        with patch.dict(SIMULATORS, KIND):
            self.instrument = self.bench.add("tester", "dapple")
        for terminal, point in (
            ("output", "a"),
            ("return", "b"),
            ("high_current_output", "c"),
            ("sense_high", "c"),
            ("high_current_return", "d"),
            ("sense_low", "d"),
        ):
            self.bench.wire_terminal("tester", terminal, point)
        self._load("1.24 Mohm")

    def happen(self, what: str) -> None:
        """What a `..` line says. Raises ValueError."""
        if what.startswith("object "):
            self._load(what.removeprefix("object "))
        elif what in {"door opens", "door shuts"}:
            self.bench.guard_closed = what == "door shuts"
        else:
            raise ValueError(what)

    def _load(self, resistance: str) -> None:
        self.bench.load_unit(
            parse_unit(
                "name: manual\nparts:\n"
                f"  - {{between: [a, b], resistance: {resistance}}}\n"
                "  - {between: [c, d], resistance: 85 mohm}\n"
            )
        )
