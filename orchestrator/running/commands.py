"""What the sequence asks of the engine. Each command is answered when it is done."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from orchestrator.contract import Talk, Ticket


@dataclass(frozen=True, slots=True)
class Converse:
    """Run a conversation on a port; answered with its result, or its error is thrown in."""

    port: str
    talk: Talk[Any]


@dataclass(frozen=True, slots=True)
class Wait:
    """Let time pass; inputs go on being sampled."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Stored:
    """Wait until an entry is durable; inputs go on being sampled."""

    ticket: Ticket


@dataclass(frozen=True, slots=True)
class Watch:
    """From now on an open or stale interlock, or a cancel, stops this tester at once; or no
    longer (``tester=None``)."""

    tester: str | None


@dataclass(frozen=True, slots=True)
class Stop:
    """Send a tester's stop bytes now, reopening a lost link if need be."""

    tester: str


@dataclass(frozen=True, slots=True)
class Enable:
    """Let the testers' outputs on, or no longer; nothing where the station has no enable."""

    on: bool


Command = Converse | Wait | Stored | Watch | Stop | Enable
Sequence = Generator[Command, Any, Any]
