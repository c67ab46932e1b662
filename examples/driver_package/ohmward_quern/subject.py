"""Adapter and simulator as the contract of ``SafetyTester`` wants them, on virtual time."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from ohmward_quern import frames
from ohmward_quern.adapter import Quern
from ohmward_quern.frames import Op
from ohmward_quern.simulator import SimulatedQuern
from orchestrator.clock import VirtualClock
from orchestrator.conformance import TesterSubject
from orchestrator.errors import LinkLost
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

STEP_S = 0.005


class Wire:
    """A link to the simulator in the same process."""

    def __init__(self, quern: SimulatedQuern, clock: VirtualClock) -> None:
        self.name = "quern"
        self._quern, self._clock, self._open = quern, clock, True

    def send(self, data: bytes) -> None:
        self._check()
        self._quern.feed(data)

    def receive(self, within_s: float) -> bytes:
        self._check()
        until_s = self._clock.monotonic() + within_s
        while not (data := self._quern.take()):
            left_s = until_s - self._clock.monotonic()
            if left_s <= 0:
                break
            self._clock.advance(min(left_s, STEP_S))
        return data

    def reopen(self) -> None:
        self._open = True

    def close(self) -> None:
        self._open = False

    def _check(self) -> None:
        if not self._open:
            raise LinkLost("quern: the link is closed")


class QuernSubject(TesterSubject):
    """A Quern with 212 Mohm at its output."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.quern = SimulatedQuern(self.clock)
        self.tester = Quern("quern")
        self.link = Wire(self.quern, self.clock)

    def order(self) -> StepOrder:
        limit = LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, Decimal(2_000_000))
        return _order(StepKind.INSULATION, Decimal(500), limit)

    def orders(self) -> Sequence[StepOrder]:
        limit = LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal("0.001"))
        return (self.order(), _order(StepKind.WITHSTAND_DC, Decimal(2121), limit))

    def output_on(self) -> bool:
        return self.quern.on

    def guard(self, closed: bool) -> None:
        self.quern.interlock_closed = closed

    def bad_load(self) -> None:
        self.quern.load_ohm = 1.2e6

    def as_another(self, reply: bytes) -> bytes:
        frame = frames.unpack(reply)
        if frame is None:
            return reply
        return frames.pack(frames.Frame(frame.op, frame.sequence, 0, b"Z9" + frame.data[2:]))

    def spoiled(self, sent: bytes) -> bytes:
        frame = frames.unpack(sent)
        if frame is None or frame.op != Op.SET:
            return sent
        kind, _, *rest = frames.SETUP.unpack(frame.data)
        data = frames.SETUP.pack(kind, 9500, *rest)
        return frames.pack(frames.Frame(frame.op, frame.sequence, 0, data))


def _order(kind: StepKind, level: Decimal, limit: LimitOrder) -> StepOrder:
    return StepOrder(
        kind=kind,
        level=level,
        waveform=Waveform.DC,
        rise=Decimal("0.5"),
        dwell=Decimal(2),
        limits=(limit,),
    )
