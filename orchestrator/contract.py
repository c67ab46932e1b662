"""The ports: what the engine asks of instruments, links, inputs and the journal.

Adapters are conversations, not blocking calls: generators that yield what to send, receive or
wait for and return typed results. The engine owns link, deadline and clock.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, TypeVar

from orchestrator.clock import Clock
from orchestrator.model.abilities import Abilities, MatrixAbilities
from orchestrator.model.alarms import Alarm
from orchestrator.model.record import Entry, Identity, OffProof, Progress, TesterReading
from orchestrator.model.schedule import Contact, Route, StepOrder
from orchestrator.model.station import ChainEntry, IoEntry, IoInput, TesterEntry

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Frame:
    """How the end of a message is known.

    Attributes:
        ends: terminators; the earliest one ends the message and is stripped.
        length: exact number of bytes (raw checksums may hold a terminator's bytes); ends, where
            given too, must follow and are stripped.
        prompt: recognised only where a message would begin; ends an empty message.
        limit: longest message in bytes.
    """

    ends: tuple[bytes, ...] = (b"\n",)
    length: int | None = None
    prompt: bytes | None = None
    limit: int = 65536


@dataclass(frozen=True, slots=True)
class Reply:
    """One message. ``end``: the terminator or prompt that ended it."""

    data: bytes
    end: bytes


@dataclass(frozen=True, slots=True)
class Send:
    """Bytes to send now."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Receive:
    """One message wanted within so many seconds.

    If time runs out with nothing or only a part arrived, ``TimedOut`` is thrown into the
    conversation and the link counts as dirty; with ``silence_ok`` and not a byte arrived,
    ``None`` is sent in and the link stays clean.
    """

    frame: Frame
    within_s: float
    silence_ok: bool = False


@dataclass(frozen=True, slots=True)
class Pause:
    """Nothing on this link for so many seconds (inputs go on being sampled)."""

    seconds: float


Talk = Generator[Send | Receive | Pause, Reply | None, T]


class CannotCarry(ValueError):
    """The wire can't carry a set-point (over-width, outside the range, no place for it)."""

    def __init__(self, field: str, found: str, expected: str, remedy: str) -> None:
        super().__init__(f"{field}: found {found}, expected {expected}; {remedy}")
        self.field, self.found, self.expected, self.remedy = field, found, expected, remedy


@dataclass(frozen=True, slots=True)
class StartMark:
    """Remembered just before a start: the result counter then, if the tester has one."""

    counter: int | None = None
    cleared: bool = False


class SafetyTester(Protocol):
    """A safety tester. Every conversation may raise a LinkError or InstrumentFault."""

    name: str
    abilities: Abilities

    @property
    def stop_bytes(self) -> tuple[bytes, ...]:
        """Ready before any start, idempotent, sent unacknowledged; ``absorb`` takes the rest."""
        ...

    def identify(self) -> Talk[Identity]:
        """Who is there; raises WrongInstrument when it isn't what the profile describes."""
        ...

    def enter(self) -> Talk[None]:
        """Remote mode and whatever must be set once after opening or a power cycle."""
        ...

    def quantise(self, order: StepOrder) -> StepOrder:
        """The order as the wire will carry it. Pure. Raises CannotCarry."""
        ...

    def arm(self) -> Talk[None]:
        """Switch on the protections the instrument needs, and read them back."""
        ...

    def check_armed(self) -> Talk[bool]:
        """Read the protections again; False when one is off."""
        ...

    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        """Clear what is old, send the whole set-up, prove that it was accepted."""
        ...

    def start(self) -> Talk[StartMark]:
        """Energise. Never repeated."""
        ...

    def poll(self) -> Talk[Progress]:
        """One short look."""
        ...

    def result(self, mark: StartMark, index: int) -> Talk[TesterReading]:
        """The result of step ``index`` (from 0) of the batch."""
        ...

    def confirm_off(self) -> Talk[OffProof]:
        """One look at whether the output is off and discharged."""
        ...

    def interlock(self) -> Talk[bool | None]:
        """The interlock as the tester sees it: True closed, None where it can't tell."""
        ...

    def keep_alive(self) -> Talk[None]:
        """What keeps remote mode from lapsing."""
        ...

    def reset_trip(self) -> Talk[None]:
        """End a trip that the tester has latched; only with the inputs closed."""
        ...

    def resync(self) -> Talk[None]:
        """A harmless query whose answer proves that the link is in step again."""
        ...

    def stopped(self) -> None:
        """Told by the engine that the stop bytes went out just now."""
        ...

    def absorb(self, drained: bytes) -> None:
        """Bytes that nobody asked for: late replies, events. Never raises."""
        ...


class RelayMatrix(Protocol):
    """A chain of relay units of one type."""

    name: str
    abilities: MatrixAbilities

    def identify(self) -> Talk[Mapping[str, Identity]]:
        """Every unit by name; raises WrongInstrument or TimedOut naming the unit."""
        ...

    def apply(self, route: Route) -> Talk[None]:
        """Bring the chain to exactly this state (the route's part of this chain)."""
        ...

    def open_all(self) -> Talk[None]:
        """Open every relay of the chain."""
        ...

    def read_back(self) -> Talk[frozenset[Contact] | None]:
        """Closed contacts as the units report them; ``None`` where they can't."""
        ...

    def resync(self) -> Talk[None]:
        """A harmless query whose answer proves that the link is in step again."""
        ...

    def absorb(self, drained: bytes) -> None:
        """Bytes that nobody asked for. Never raises."""
        ...


class Link(Protocol):
    """A byte stream to an instrument."""

    name: str

    def send(self, data: bytes) -> None:
        """Send all; returns once handed over. Raises LinkLost, TimedOut."""
        ...

    def receive(self, within_s: float) -> bytes:
        """What arrives first, waiting at most so long; b'' for silence. Raises LinkLost."""
        ...

    def reopen(self) -> None:
        """Close and open again. Raises LinkLost."""
        ...

    def close(self) -> None:
        """Close; never raises."""
        ...


@dataclass(frozen=True, slots=True)
class Sample:
    """An input as read. ``at_s``: monotonic time of the read; old samples count as open.

    ``answered``: it was read as it stands; False where it counts as open because it wasn't (mute,
    frozen, contradicting itself). Both are open; only the first shows that a guard works.
    """

    closed: bool
    at_s: float
    detail: str = ""
    answered: bool = True


class InputBlock(Protocol):
    """Interlock inputs that are sampled without an instrument's link."""

    name: str
    real: bool

    def sample(self) -> Sample:
        """The input now; quick (well under a scan). Never raises: what can't be read is open."""
        ...


class OutputBlock(Protocol):
    """One output that must be refreshed to stay on: enable, or the green lamp.

    Never raises and never waits: the scan calls it. What doesn't answer shows in ``problem``.
    """

    name: str
    real: bool

    def refresh(self, on: bool) -> None:
        """Order the output, again each scan. An order that isn't renewed lapses by itself."""
        ...

    def drop(self) -> None:
        """Off at once, ahead of anything that waits to be sent."""
        ...

    def seen(self) -> bool | None:
        """The output as the block itself reports it; ``None`` where that isn't known or is old."""
        ...

    def problem(self, now_s: float) -> str | None:
        """Why the output can't be relied on, or ``None``."""
        ...


class IoBlock(Protocol):
    """A remote I/O block: hands out its inputs and outputs. One thread of its own serves it."""

    name: str
    real: bool

    def input(self, name: str, source: IoInput, clock: Clock) -> InputBlock:
        """One interlock input of this block, under the interlock's name."""
        ...

    def output(self, name: str, number: int) -> OutputBlock:
        """One output of this block."""
        ...

    def bits(self) -> tuple[bool, ...] | None:
        """All inputs as last read, ``None`` where that is too old to count."""
        ...

    @property
    def outputs_after_silence(self) -> tuple[bool, ...] | None:
        """The outputs as reported after a `silence`, before anything was written again."""
        ...

    def silence(self, seconds: float) -> None:
        """Send nothing for so long (commissioning: does the coupler drop its outputs?)."""
        ...

    def close(self) -> None:
        """Order every output off, then close; never raises."""
        ...


class Ticket(Protocol):
    """A promise that an entry reaches the disk."""

    def done(self) -> bool:
        """True once durable. Raises RecordDamaged or OSError if the writer failed."""
        ...


class RunStore(Protocol):
    """The append-only journal. Appending never waits for the disk."""

    def append(self, entry: Entry) -> Ticket:
        """Queue one entry, in order."""
        ...

    def unfinished(self) -> tuple[str, ...]:
        """Ids of runs that have no end yet."""
        ...

    def alarms(self) -> tuple[Alarm, ...]:
        """Latched alarms, the oldest first; what is queued counts."""
        ...

    def close(self) -> None:
        """Write what is queued and close."""
        ...


# ---- what a driver package offers (entry points in group 'ohmward.drivers') ----------------------


@dataclass(frozen=True, slots=True)
class BuiltTester:
    """A tester's adapter. ``link_defaults`` is handed to the link as it is (serial settings)."""

    adapter: SafetyTester
    profile: str
    sha256: str
    link_defaults: object | None = None


@dataclass(frozen=True, slots=True)
class BuiltChain:
    """A chain's adapter, None where a tester does the routing itself.

    ``addresses``: unit → address, as the profile reads the unit's switches.
    """

    adapter: RelayMatrix | None
    abilities: MatrixAbilities
    profile: str
    sha256: str
    addresses: Mapping[str, int] = field(default_factory=dict)
    link_defaults: object | None = None


class TesterFactory(Protocol):
    """Builds a tester from its station entry. Raises Refused with every fault of its profile."""

    def __call__(self, entry: TesterEntry, name: str, folder: Path) -> BuiltTester:
        """``folder``: that of the station file, for profiles beside it."""
        ...


class ChainFactory(Protocol):
    """Builds a chain from its station entry. Raises Refused."""

    def __call__(
        self, entry: ChainEntry, name: str, folder: Path, testers: Mapping[str, BuiltTester]
    ) -> BuiltChain:
        """``testers``: those already built, for a chain that is carried or built in."""
        ...


class IoFactory(Protocol):
    """Connects to a remote I/O block (entry points in group 'ohmward.io').

    Raises LinkLost where it can't be reached. ``bench`` is the simulated bench or ``None``.
    """

    def __call__(self, entry: IoEntry, name: str, *, clock: Clock, bench: object | None) -> IoBlock:
        """Connected, its outputs off, first read done."""
        ...
