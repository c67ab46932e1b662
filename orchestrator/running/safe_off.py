"""Safe-off: stop every tester, confirm off and discharged, then open all relays.

Runs on every exit: normal end, failure, trip, exception, signal, lost link. If discharge can't
be confirmed, the relays stay as they are: their path is the discharge path.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from orchestrator.errors import InstrumentFault, LinkError
from orchestrator.running.commands import Command, Stop
from orchestrator.running.discharge import confirm_off
from orchestrator.running.rack import RunState
from orchestrator.running.routing import PERSON_NEEDED, open_all
from orchestrator.running.states import Phase


@dataclass(frozen=True, slots=True)
class SafeOff:
    """How safe-off ended. ``opened`` only after every tester was confirmed."""

    confirmed: bool
    opened: bool
    reason: str = ""
    remedy: str = ""


def safe_off(run: RunState) -> Generator[Command, Any, SafeOff]:
    """Bring the station to its safe state, as far as it can be proved. Never raises."""
    run.enter(Phase.SAFE_OFF)
    problems = []
    # One that may be on comes first: opening another's lost link again takes seconds.
    for seat in sorted(run.rack.testers.values(), key=lambda seat: seat.stopped_at_s is not None):
        try:
            yield Stop(seat.name)
        except LinkError as error:
            problems.append(f"stop for tester {seat.name!r} not delivered: {error}")
    for seat in run.rack.testers.values():
        proof = yield from confirm_off(run, seat)
        if not (proof.off and proof.discharged):
            problems.append(
                f"tester {seat.name!r} is not confirmed off and discharged ({proof.state})"
            )
    if run.void:
        problems.append(f"evidence of discharge is void: {run.void}")
    if problems:
        run.enter(Phase.KEPT)
        return SafeOff(False, False, "; ".join(problems), PERSON_NEEDED)
    return (yield from _open(run))


def _open(run: RunState) -> Generator[Command, Any, SafeOff]:
    try:
        yield from open_all(run)
    except (LinkError, InstrumentFault) as error:
        run.enter(Phase.KEPT)
        return SafeOff(
            True,
            False,
            f"relays not proved open: {error}",
            "check the relay units, then start again",
        )
    run.enter(Phase.SAFE)
    return SafeOff(True, True)
