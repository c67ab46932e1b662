"""Looking at a running tester until it ends, and at the inputs that it reports."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

from orchestrator.contract import Sample
from orchestrator.errors import InstrumentFault, LinkError
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.record import Progress
from orchestrator.model.schedule import Batch
from orchestrator.model.words import TesterState
from orchestrator.running.commands import Command, Converse, Wait
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import Notice, RunState, TesterSeat

SPARE_S, SPARE_SHARE = 2.0, 0.2
"""Time granted to rise, dwell and fall over the ordered one, for each step: the larger."""

_GOING_DOWN = frozenset({TesterState.FALLING, TesterState.DISCHARGING})


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
            mute = Sample(False, asked_s, f"not answered: {error}", answered=False)
            run.rack.interlock.note(name, mute)
            continue
        detail = f"reported by tester {tester}"
        known = closed is not None
        run.rack.interlock.note(name, Sample(closed is True, asked_s, detail, answered=known))


def watch_until_end(
    run: RunState, seat: TesterSeat, batch: Batch, seen: Seen
) -> Generator[Command, Any, Progress]:
    """Poll until the tester says that it has ended. Raises Trip, LinkError.

    A lost answer is asked for again by the conversation itself. What fails all the same is a lost
    tester, which is stopped before its link is drained, resynchronised or opened again.
    """
    abilities = seat.adapter.abilities
    lag_until_s = seen.started_s + float(abilities.start_lag_s)
    while True:
        progress: Progress = yield Converse(seat.port, seat.adapter.poll())
        _note(run, seen, progress)
        if progress.state in (TesterState.INTERLOCK_OPEN, TesterState.FAULT):
            fault = progress.state is TesterState.FAULT
            kind = AlarmKind.TRIP_LATCHED if fault else AlarmKind.INTERLOCK_OPENED
            raise Trip(f"tester {seat.name!r} reports {progress.state}", alarm=kind)
        if _ended(run, seen, progress, lag_until_s):
            seen.ended_s = run.now_s()
            return progress
        within_s = batch.deadline_s if progress.state in _GOING_DOWN else longest_on_s(batch)
        if run.now_s() >= seen.started_s + within_s:
            raise Trip(
                f"tester {seat.name!r} did not end within {within_s:.1f} s "
                f"(state {progress.state})",
                "check the tester and the dwell its profile sends, then run again",
                AlarmKind.OVERTIME,
            )
        yield from refresh_inputs(run)
        yield Wait(float(abilities.poll_s))


def longest_on_s(batch: Batch) -> float:
    """How long the level may be on; only going down gets the rest of the batch's deadline.

    Steps of one start discharge in between, which nobody can predict: they get all of it.
    """
    if len(batch.steps) > 1:
        return batch.deadline_s
    return sum(
        step.predicted_s + max(SPARE_S, step.predicted_s * SPARE_SHARE) for step in batch.steps
    )


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
