"""A tester of a manual's bench, driven by its profile in virtual time."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_tester
from drivers.simulators.base import Instrument
from drivers.simulators.bench import Bench
from orchestrator.clock import VirtualClock
from orchestrator.contract import StartMark, Talk
from orchestrator.model.record import OffProof, TesterReading
from orchestrator.model.words import TesterState
from tests.drivers.adapters.pump import Pump
from tests.profiles.harness import order_of

ENDED = (TesterState.COMPLETE, TesterState.OFF, TesterState.INTERLOCK_OPEN)


class Stage(Protocol):
    """Bench, clock and instrument of a manual."""

    clock: VirtualClock
    bench: Bench
    instrument: Instrument

    def happen(self, what: str) -> None:
        """What a line of a dialogue says."""
        ...


class Hand:
    """Asks the adapter what the engine would ask it."""

    def __init__(self, stage: Stage, folder: Path, **settings: Any) -> None:
        self.stage = stage
        self.tester = ProfileTester(
            load_tester(str(folder / "profile.yaml")), folder.name, **settings
        )
        self.pump = Pump(stage.instrument, stage.clock)

    def hold(self, talk: Talk[Any]) -> Any:
        return self.pump.run(talk)

    def connect(self) -> Any:
        """Identity, remote mode, arming."""
        identity = self.hold(self.tester.identify())
        self.hold(self.tester.enter())
        self.hold(self.tester.arm())
        return identity

    def prepare(self, text: str) -> list[bytes]:
        """Quantise and set up; what was sent for it."""
        batch = tuple(self.tester.quantise(order) for order in order_of(text))
        self.pump.sent.clear()
        self.hold(self.tester.prepare(batch))
        return list(self.pump.sent)

    def start(self, text: str) -> StartMark:
        self.prepare(text)
        mark: StartMark = self.hold(self.tester.start())
        return mark

    def states(self) -> list[TesterState]:
        """The states until the end of a run, each once; what stood before it isn't listed."""
        seen: list[TesterState] = []
        for _ in range(3000):
            state = self.hold(self.tester.poll()).state
            if not state.active and not seen:
                self.stage.clock.advance(0.01)
                continue
            if state not in seen[-1:]:
                seen.append(state)
            if state in ENDED:
                return seen
            self.stage.clock.advance(0.02)
        raise AssertionError(f"no end; {seen}")

    def run(self, text: str) -> TesterReading:
        """One step from set-up to result."""
        mark = self.start(text)
        self.states()
        reading: TesterReading = self.hold(self.tester.result(mark, 0))
        return reading

    def stop(self) -> None:
        """As the engine does it: bytes out, then what comes late is handed over."""
        for data in self.tester.stop_bytes:
            self.pump.send(data)
        self.tester.stopped()
        self.tester.absorb(self.pump.drain(0.0))

    def off(self, within_s: float = 1.0) -> OffProof:
        """Looks until the output is proved off, or the time is over."""
        proof: OffProof = self.hold(self.tester.confirm_off())
        until_s = self.stage.clock.monotonic() + within_s
        while not proof.off and self.stage.clock.monotonic() < until_s:
            self.stage.clock.advance(0.01)
            proof = self.hold(self.tester.confirm_off())
        return proof
