"""Links and a journal that cost next to nothing, so that what is left is the framework."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from orchestrator.clock import Clock
from orchestrator.contract import Link
from orchestrator.model.alarms import Alarm
from orchestrator.model.record import Entry


class DoneTicket:
    """An entry that is durable at once."""

    def done(self) -> bool:
        return True


class NullStore:
    """A journal that keeps the entries in memory, if at all."""

    def __init__(self, *, keep: bool = False) -> None:
        self.kept: list[Entry] = []
        self._keep = keep
        self._ticket = DoneTicket()

    def append(self, entry: Entry) -> DoneTicket:
        if self._keep:
            self.kept.append(entry)
        return self._ticket

    def alarms(self) -> tuple[Alarm, ...]:
        return ()

    def unfinished(self) -> tuple[str, ...]:
        return ()

    def close(self) -> None: ...


class ScriptedLink:
    """Answers each line at once, always the same."""

    def __init__(self, name: str, answers: Mapping[bytes, bytes]) -> None:
        self.name = name
        self._answers = answers
        self._due = b""

    def send(self, data: bytes) -> None:
        self._due += self._answers.get(data, b"")

    def receive(self, within_s: float) -> bytes:
        del within_s
        data, self._due = self._due, b""
        return data

    def reopen(self) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Passed:
    """Bytes that went one way; a reply's delay counts from what was sent last."""

    way: Literal["sent", "received"]
    data: bytes
    delay_s: float


@dataclass
class RecordingLink:
    """Passes everything on and remembers it."""

    link: Link
    clock: Clock
    tape: list[Passed] = field(default_factory=list)
    sent_at_s: float = 0.0

    @property
    def name(self) -> str:
        return self.link.name

    @name.setter
    def name(self, name: str) -> None:
        self.link.name = name

    def send(self, data: bytes) -> None:
        self.sent_at_s = self.clock.monotonic()
        self.tape.append(Passed("sent", data, 0.0))
        self.link.send(data)

    def receive(self, within_s: float) -> bytes:
        data = self.link.receive(within_s)
        if data:
            delay_s = self.clock.monotonic() - self.sent_at_s
            self.tape.append(Passed("received", data, delay_s))
        return data

    def reopen(self) -> None:
        self.link.reopen()

    def close(self) -> None:
        self.link.close()


class PlaybackLink:
    """Plays a recorded dialogue back; only exactly what was sent then may be sent now."""

    def __init__(self, name: str, tape: Iterable[Passed], clock: Clock) -> None:
        self.name = name
        self._tape = deque(tape)
        self._clock = clock
        self._sent_at_s = 0.0
        self.sent = 0

    def send(self, data: bytes) -> None:
        self.sent += 1
        wanted = self._tape.popleft() if self._tape else None
        if wanted is None or wanted.way != "sent" or wanted.data != data:
            raise ValueError(f"{self.name}: {data!r} sent, {wanted} was recorded")
        self._sent_at_s = self._clock.monotonic()

    def receive(self, within_s: float) -> bytes:
        """The recorded reply, as late as it was then by the (virtual) clock."""
        now_s = self._clock.monotonic()
        if self._tape and self._tape[0].way == "received":
            left_s = self._sent_at_s + self._tape[0].delay_s - now_s
            if left_s <= within_s:
                self._clock.sleep(left_s)
                return self._tape.popleft().data
        self._clock.sleep(within_s)
        return b""

    def reopen(self) -> None:
        raise ValueError(f"{self.name}: reopened, which was not recorded")

    def close(self) -> None: ...
