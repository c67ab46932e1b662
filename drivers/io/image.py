"""What a block has said so far, and what follows from it for inputs and outputs. Pure.

Shared by the block behind a coupler and the one of the simulated bench, so that both judge alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drivers.io.channels import CLOSED, Bits, ContactJudge, Judged, LifeJudge, level_word
from orchestrator.contract import Sample
from orchestrator.model.station import IoEntry, IoInput

OLD_S = 0.1
"""What was read longer ago counts as unknown (three periods, where that is longer)."""
SHOWN_S = 0.1
"""A failure shows for so long after the block answers again, so that no scan misses it."""
UNREADABLE_AFTER = 2
"""Failed attempts in a row after which inputs read open at once, before they are stale."""
NEVER_S = float("-inf")


@dataclass(frozen=True, slots=True)
class _Look:
    bits: Bits = ()
    at_s: float = NEVER_S


class Image:
    """Inputs, outputs and faults of one block. Not thread-safe: the block locks."""

    def __init__(self, name: str, entry: IoEntry) -> None:
        self.name = name
        self._old_s = max(OLD_S, 3 * float(entry.period))
        self._life = None if entry.life_sign is None else LifeJudge(entry.life_sign)
        self._alive: Judged = (
            CLOSED if self._life is None else Judged(False, "life sign not seen", faulty=True)
        )
        self._judges: dict[str, ContactJudge] = {}
        self._samples: dict[str, Sample] = {}
        self._inputs = self._outputs = _Look()
        self.written: Bits = (False,) * entry.outputs
        """Levels as the block last confirmed them."""
        self._wrong: dict[int, str] = {}
        self._failures = 0
        self._failed = ""
        self._failed_s = NEVER_S
        self.closed = False

    @property
    def alive(self) -> bool:
        """Whether the life sign is seen, or none is wanted."""
        return self._alive.closed

    # ---- what the block said

    def watch(self, name: str, source: IoInput) -> None:
        """Judge an input from now on, beginning with what was read last."""
        self._judges[name] = ContactJudge(source)
        if self._inputs.bits:
            self._judge(name)

    def with_life(self, wanted: Bits) -> Bits:
        """The levels to write: those wanted, and the next one of the followed output."""
        if self._life is None or self._life.follows is None:
            return wanted
        number = self._life.follows
        level = self._life.next_level(self.written[number])
        return (*wanted[:number], level, *wanted[number + 1 :])

    def took_inputs(self, bits: Bits, at_s: float) -> None:
        """All inputs, as read at this time."""
        self._inputs = _Look(bits, at_s)
        if self._life is not None:
            follows = self._life.follows
            ordered = None if follows is None else self.written[follows]
            self._alive = self._life.look(bits, at_s, ordered)
        for name in self._judges:
            self._judge(name)

    def took_outputs(self, bits: Bits, at_s: float) -> None:
        """All outputs, as the block reports them; ends a round in which all went well."""
        self._outputs = _Look(bits, at_s)
        self._wrong = {
            number: f"output {number} reads {level_word(seen)} though {level_word(written)} was "
            "written: somebody else writes it, or the coupler holds it"
            for number, (seen, written) in enumerate(zip(bits, self.written, strict=True))
            if seen != written
        }
        self._failures = 0

    def failed(self, reason: str, now_s: float) -> None:
        """An exchange failed."""
        self._failures += 1
        self._failed, self._failed_s = reason, now_s

    def _judge(self, name: str) -> None:
        bits, at_s = self._inputs.bits, self._inputs.at_s
        judged = self._judges[name].look(bits, at_s)
        if not self._alive.closed:
            judged = self._alive
        self._samples[name] = Sample(judged.closed, at_s, judged.reason, not judged.faulty)

    # ---- what follows

    def sample(self, name: str) -> Sample:
        """An input; its time is that of the last good read, however old."""
        sample = self._samples.get(name)
        if sample is None:
            return Sample(False, 0.0, f"I/O block {self.name!r} has not been read", answered=False)
        if self.closed:
            detail = f"I/O block {self.name!r} is closed"
            return replace(sample, closed=False, detail=detail, answered=False)
        if self._failures >= UNREADABLE_AFTER:
            return replace(sample, closed=False, detail=self._mute(), answered=False)
        return sample

    def bits(self, now_s: float) -> Bits | None:
        """All inputs, or ``None`` where they are old or may be frozen."""
        fresh = now_s - self._inputs.at_s <= self._old_s
        return self._inputs.bits if fresh and self.alive and not self.closed else None

    def seen(self, number: int, now_s: float) -> bool | None:
        """An output as the block reports it, or ``None`` where that is old."""
        if self.closed or not now_s - self._outputs.at_s <= self._old_s:
            return None
        return self._outputs.bits[number]

    def problem(self, number: int, now_s: float) -> str | None:
        """Why this output can't be relied on, or ``None``."""
        if self.closed:
            return f"I/O block {self.name!r} is closed"
        if self._failures or now_s - self._failed_s <= SHOWN_S:
            return self._mute()
        if not now_s - self._outputs.at_s <= self._old_s:
            age_s = now_s - self._outputs.at_s
            return f"I/O block {self.name!r} was last read {age_s * 1000:.0f} ms ago"
        if not self.alive:
            return f"I/O block {self.name!r}: {self._alive.reason}"
        return self._wrong.get(number)

    def _mute(self) -> str:
        return f"I/O block {self.name!r} doesn't answer as it should: {self._failed}"
