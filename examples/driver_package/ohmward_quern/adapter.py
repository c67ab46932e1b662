"""The Quern as a ``SafetyTester``: every conversation a generator, no link, no clock.

Nothing is repeated here: a question that isn't answered raises, and the engine resynchronises.
"""

from __future__ import annotations

from decimal import Decimal

from ohmward_quern import frames
from ohmward_quern.abilities import ABILITIES
from ohmward_quern.frames import Op
from ohmward_quern.quantising import quantise, wire_setup
from orchestrator.contract import CannotCarry, Frame, Receive, Send, StartMark, Talk
from orchestrator.errors import (
    InstrumentRefused,
    ProtocolFault,
    SetupMismatch,
    WrongInstrument,
)
from orchestrator.model.record import Identity, OffProof, Progress, Reading, TesterReading
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import (
    DischargeGrade,
    Evidence,
    Measured,
    StepKind,
    TesterState,
)

REPLY_WITHIN_S = 0.5
WHOLE = Frame(ends=(), length=frames.LENGTH)
REFUSALS = {
    1: "it is locked",
    2: "a value out of range",
    3: "the interlock is open",
    4: "a test runs",
    5: "the tag of the start is wrong",
    6: "there is no set-up",
    7: "an interlock trip is latched",
    8: "it doesn't know the operation",
}
STATES = (
    TesterState.OFF,
    TesterState.RISING,
    TesterState.DWELLING,
    TesterState.DISCHARGING,
    TesterState.COMPLETE,
    TesterState.TRIPPED,
    TesterState.INTERLOCK_OPEN,
)
ENDED = {TesterState.OFF, TesterState.COMPLETE, TesterState.TRIPPED, TesterState.INTERLOCK_OPEN}


class Quern:
    """A Wexcombe Quern. Raises what ``SafetyTester`` allows."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.abilities = ABILITIES
        self._sequence = 0
        self._challenge = b""
        self._kind: StepKind | None = None

    @property
    def stop_bytes(self) -> tuple[bytes, ...]:
        """STOP needs neither unlocking nor a number of its own: always the same frame."""
        return (frames.pack(frames.Frame(Op.STOP, 0)),)

    # ---- at rest

    def identify(self) -> Talk[Identity]:
        """WHO."""
        data = yield from self._ask(Op.WHO)
        model, major, minor, serial, simulated = frames.WHO.unpack(data[: frames.WHO.size])
        if model != frames.MODEL:
            raise WrongInstrument(f"{self.name}: found model {model!r}, expected a Quern")
        text = f"SIM-{serial}" if simulated else str(serial)
        return Identity("Quern", text, f"{major}.{minor}", "Wexcombe", bool(simulated))

    def enter(self) -> Talk[None]:
        """Unlock it."""
        data = yield from self._ask(Op.CHALLENGE)
        self._challenge = data[:4]
        yield from self._ask(Op.UNLOCK, frames.token(self._challenge))

    def arm(self) -> Talk[None]:
        """There is nothing to switch on."""
        yield from ()

    def check_armed(self) -> Talk[bool]:
        """There is nothing that could be off."""
        yield from ()
        return True

    def keep_alive(self) -> Talk[None]:
        """It stays unlocked by itself."""
        yield from ()

    def resync(self) -> Talk[None]:
        """WHO, whose answer carries the number of this question."""
        yield from self._ask(Op.WHO)

    def interlock(self) -> Talk[bool | None]:
        """Bit 0 of the flags."""
        _, flags, _, _ = yield from self._status()
        return bool(flags & 1)

    def reset_trip(self) -> Talk[None]:
        """CLEAR; refused while the interlock is open."""
        yield from self._ask(Op.CLEAR)

    # ---- a test

    def quantise(self, order: StepOrder) -> StepOrder:
        """As the wire carries it."""
        return quantise(order)

    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        """SET, and SET? to see what was taken."""
        if len(batch) != 1:
            raise CannotCarry("batch", f"{len(batch)} steps", "one", "cut the program apart")
        setup = wire_setup(batch[0])
        self._kind = batch[0].kind
        yield from self._ask(Op.SET, setup)
        back = yield from self._ask(Op.READ_SET)
        if back != setup:
            raise SetupMismatch(f"{self.name}: sent {setup.hex()}, read back {back.hex()}")

    def start(self) -> Talk[StartMark]:
        """START with the tag of the result to come."""
        counter, *_ = yield from self._result()
        mark = StartMark(counter)
        yield from self._ask(Op.START, frames.tag(self._challenge, frames.after(counter)))
        return mark

    def poll(self) -> Talk[Progress]:
        """STATUS."""
        state, flags, voltage, held = yield from self._status()
        live = {Measured.VOLTAGE: Reading(Decimal(voltage) / 10)}
        return Progress(state, None, Decimal(held) / 100, live, bool(flags & 2))

    def result(self, mark: StartMark, index: int) -> Talk[TesterReading]:
        """RESULT; the evidence is its number."""
        del index  # there is one slot
        counter, verdict, level, reading, held = yield from self._result()
        values = {
            Measured.VOLTAGE: Reading(Decimal(level)),
            Measured.TIME: Reading(Decimal(held) / 100),
        }
        if self._kind is StepKind.INSULATION:
            above = reading == frames.ABOVE_RANGE
            value = Decimal(4_000_000_000) if above else Decimal(reading) * 1000
            values[Measured.RESISTANCE] = Reading(value, "above" if above else "exact")
        else:
            values[Measured.TOTAL_CURRENT] = Reading(Decimal(reading) / 1_000_000)
        fresh = mark.counter is not None and counter == frames.after(mark.counter)
        evidence = frozenset({Evidence.COUNTER}) if fresh else frozenset[Evidence]()
        if verdict == 1:
            return TesterReading("pass", values, evidence)
        if verdict == 2:
            return TesterReading("fail", values, evidence, "limit broken")
        if verdict == 3:
            return TesterReading("breakdown", values, evidence, "breakdown")
        return TesterReading(None, values, evidence, f"verdict {verdict}")

    def confirm_off(self) -> Talk[OffProof]:
        """The state, and the voltage measured at the output."""
        state, _, voltage, _ = yield from self._status()
        # The engine compares the voltage; what the meter may be wrong by counts as voltage.
        residual = Decimal(voltage) / 10
        residual += residual / 100 + 1
        off = state in ENDED
        discharged = None if off else False
        return OffProof(off, discharged, DischargeGrade.VOLTAGE, state, residual)

    def stopped(self) -> None:
        """Nothing to remember: STATUS tells."""

    def absorb(self, drained: bytes) -> None:
        """It says nothing unasked but late replies, and those are of no more use."""

    # ---- frames

    def _status(self) -> Talk[tuple[TesterState, int, int, int]]:
        data = yield from self._ask(Op.STATUS)
        state, flags, voltage, held = frames.STATUS.unpack(data[: frames.STATUS.size])
        known = STATES[state] if state < len(STATES) else TesterState.UNKNOWN
        return known, flags, voltage, held

    def _result(self) -> Talk[tuple[int, int, int, int, int]]:
        data = yield from self._ask(Op.RESULT)
        counter, verdict, level, reading, held = frames.RESULT.unpack(data)
        return counter, verdict, level, reading, held

    def _ask(self, op: Op, data: bytes = b"") -> Talk[bytes]:
        """One request and its reply. Raises TimedOut, ProtocolFault, InstrumentRefused."""
        self._sequence = self._sequence % 0xFF + 1  # 0 is the stop's
        sent = frames.pack(frames.Frame(op, self._sequence, 0, data))
        yield Send(sent)
        reply = yield Receive(WHOLE, REPLY_WITHIN_S)
        raw = b"" if reply is None else reply.data
        frame = frames.unpack(raw)
        if frame is None or (frame.op, frame.sequence) != (op | frames.REPLY, self._sequence):
            raise ProtocolFault(f"{self.name}: no reply to {op.name}: {raw.hex()}", raw=raw)
        if frame.status:
            why = REFUSALS.get(frame.status, f"status {frame.status}")
            raise InstrumentRefused(f"{self.name}: refuses {op.name}: {why}", sent=sent, answer=why)
        return frame.data
