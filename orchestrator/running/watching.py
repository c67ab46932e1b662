"""Looking at a running tester until it ends, and at the inputs that it reports."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

from orchestrator.contract import Sample
from orchestrator.errors import InstrumentFault, LinkError, ProtocolFault, TimedOut
from orchestrator.model.record import Progress
from orchestrator.model.schedule import Batch
from orchestrator.model.words import TesterState
from orchestrator.running.commands import Command, Converse, Wait
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import Notice, RunState, TesterSeat

LOOK_TRIES = 3
"""A look may fail and be repeated (class 'reads'); so many in a row is a lost tester."""


@dataclass
class Seen:
    """What was seen of a run of the tester between start and end."""

    started_s: float
    ended_s: float = 0.0
    states: list[TesterState] = field(default_factory=list)
    latched_open: bool = False
    slot_times_s: dict[int, tuple[float, float]] = field(default_factory=dict)

    @property
    def active(self) -> bool:
        """A state with the output on was seen since the start."""
        return any(s.active and s is not TesterState.UNKNOWN for s in self.states)

    def elapsed_s(self, slot: int, slots: int) -> float:
        """How long a step took as seen here; for one of several, what its slot was seen for."""
        if slots == 1:
            return self.ended_s - self.started_s
        first, last = self.slot_times_s.get(slot, (0.0, 0.0))
        return last - first


def refresh_inputs(run: RunState) -> Generator[Command, Any, None]:
    """Ask every tester that reports an interlock input. A tester that is mute reads as open."""
    for name, tester in run.rack.tester_inputs.items():
        seat = run.rack.testers[tester]
        asked_s = run.now_s()
        try:
            closed = yield Converse(seat.port, seat.adapter.interlock())
        except (LinkError, InstrumentFault) as error:
            run.rack.interlock.note(name, Sample(False, asked_s, f"not answered: {error}"))
            continue
        detail = f"reported by tester {tester}"
        run.rack.interlock.note(name, Sample(closed is True, asked_s, detail))


def watch_until_end(
    run: RunState, seat: TesterSeat, batch: Batch, seen: Seen
) -> Generator[Command, Any, Progress]:
    """Poll until the tester says that it has ended. Raises Trip, LinkError."""
    abilities = seat.adapter.abilities
    until_s = seen.started_s + batch.deadline_s
    lag_until_s = seen.started_s + float(abilities.start_lag_s)
    failures = 0
    while True:
        try:
            progress: Progress = yield Converse(seat.port, seat.adapter.poll())
            failures = 0
        except (TimedOut, ProtocolFault):
            failures += 1
            if failures >= LOOK_TRIES:
                raise
            continue
        _note(run, seen, progress)
        if progress.state in (TesterState.INTERLOCK_OPEN, TesterState.FAULT):
            raise Trip(f"tester {seat.name!r} reports {progress.state}")
        if _ended(run, seen, progress, lag_until_s):
            seen.ended_s = run.now_s()
            return progress
        if run.now_s() >= until_s:
            raise Trip(
                f"tester {seat.name!r} did not end within {batch.deadline_s:.1f} s "
                f"(state {progress.state})",
                "check the tester and the dwell its profile sends, then run again",
            )
        yield from refresh_inputs(run)
        yield Wait(float(abilities.poll_s))


def _note(run: RunState, seen: Seen, progress: Progress) -> None:
    now_s = run.now_s()
    if not seen.states or seen.states[-1] is not progress.state:
        seen.states.append(progress.state)
    seen.latched_open = seen.latched_open or progress.latched_open
    if progress.slot is not None and progress.state.active:
        first, _ = seen.slot_times_s.get(progress.slot, (now_s, now_s))
        seen.slot_times_s[progress.slot] = (first, now_s)
    run.show(
        Notice(
            "live",
            {
                "state": str(progress.state),
                "slot": progress.slot,
                "elapsed_s": now_s - seen.started_s,
                "values": progress.live,
            },
        )
    )


def _ended(run: RunState, seen: Seen, progress: Progress, lag_until_s: float) -> bool:
    """An end counts at once after something active was seen, else only after the start lag."""
    if progress.state.active:
        return False
    return seen.active or run.now_s() >= lag_until_s
