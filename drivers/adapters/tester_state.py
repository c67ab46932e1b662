"""What is known of a running tester between two looks: events, start, stop, activity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from drivers.language.profile_tester import Event
from orchestrator.model.words import TesterState

_ALWAYS = frozenset({"safe", "restarted", "interlock_open"})
"""What a late event says holds all the same."""


@dataclass(frozen=True, slots=True)
class EventResult:
    """A result that came as an event."""

    line: str
    fields: Mapping[str, Any]
    raw: bytes


@dataclass(slots=True)
class Watch:
    """Memory of one tester.

    Attributes:
        state: the last state an event told; unknown until one does.
        stopped: a stop went out since the last start. safe: the event 'safe' came after it.
        active: an output that is on was seen since the last start.
        started: a start went out in this process.
        opened: an event said that the interlock was open. restarted: that power came back.
        complete: an event said that this start's run went to its end.
        counter: as it stood before this start; an event that shows it is late, of the run before.
    """

    state: TesterState = TesterState.UNKNOWN
    started: bool = False
    stopped: bool = False
    safe: bool = False
    active: bool = False
    opened: bool = False
    restarted: bool = False
    complete: bool = False
    counter: int | None = None
    results: list[EventResult] = field(default_factory=list)

    def start(self, counter: int | None = None) -> None:
        """A start goes out: nothing from before counts any more."""
        self.state, self.counter, self.complete = TesterState.UNKNOWN, counter, False
        self.started, self.stopped, self.safe, self.active = True, False, False, False
        self.opened = self.restarted = False
        self.results = []

    def stop(self) -> None:
        """A stop went out: only what comes from now on proves the output off."""
        self.stopped, self.safe = True, False

    def saw(self, state: TesterState) -> None:
        """A state was read."""
        if state.active and state is not TesterState.UNKNOWN:
            self.active = True

    def tell(self, event: Event, fields: Mapping[str, Any], raw: bytes) -> None:
        """An event came."""
        late = self.counter is not None and fields.get("counter") == self.counter
        for meaning in event.means:
            if late and meaning not in _ALWAYS:
                continue
            if meaning == "safe":
                self.safe = self.stopped
                self.state = TesterState.OFF
            elif meaning == "result":
                self.results.append(EventResult(event.line, fields, raw))
            elif meaning == "restarted":
                self.restarted = True
                self.state = TesterState.UNKNOWN
            elif meaning != "ignore":
                self.state = TesterState(meaning)
                self.saw(self.state)
                self.complete = self.complete or self.state is TesterState.COMPLETE
                self.opened = self.opened or self.state is TesterState.INTERLOCK_OPEN

    @property
    def may_be_off(self) -> bool:
        """Whether an 'off' that is read can be believed: after a start that may lag, only once
        something active was seen or a stop went out."""
        return not self.started or self.stopped or self.active
