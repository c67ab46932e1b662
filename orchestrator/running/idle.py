"""Between runs: the protections stay armed and are looked at again and again.

The enable is off then (a run alone switches it on). What is found wrong ends the watch; whoever
drives it makes the station safe and latches an alarm. An open guard is no alarm: somebody changes
the unit.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

from orchestrator.contract import RelayMatrix
from orchestrator.errors import InstrumentFault, LinkError
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.schedule import Route
from orchestrator.model.words import TesterState
from orchestrator.running.commands import Command, Converse, Stop, Wait
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import ChainSeat, Notice, RunState, TesterSeat
from orchestrator.running.routing import difference
from orchestrator.running.take_over import ENABLE_ON, enable_stays_on
from orchestrator.running.watching import refresh_inputs

LOOK_S = 0.1
"""Pause between two looks at the testers; inputs are sampled each scan meanwhile."""
RELAYS_EVERY_S = 1.0
TRIES = 3

Idling = Generator[Command, Any, None]


class Found(Trip):
    """Something that must not be between runs."""

    def __init__(self, alarm: AlarmKind, reason: str) -> None:
        super().__init__(reason, alarm.remedy, alarm)


def idle_watch(run: RunState, until: Callable[[], bool]) -> Idling:
    """Watch until told to end. Raises Found, Trip (cancelled)."""
    relays_due_s = run.now_s()
    told: str | None = ""
    levels: dict[str, bool | None] = {}
    while not until():
        yield from refresh_inputs(run)
        yield Wait(0.0)  # one scan: the other inputs are sampled too
        yield from _look_at_stops(run)
        told = _tell(run, told)
        levels = _tell_watched(run, levels)
        for seat in run.rack.testers.values():
            yield from _look_at_tester(seat)
        if run.now_s() >= relays_due_s:
            relays_due_s = run.now_s() + RELAYS_EVERY_S
            for chain in run.rack.chains.values():
                yield from _look_at_relays(chain)
        yield Wait(LOOK_S)


def _look_at_stops(run: RunState) -> Idling:
    stops = run.rack.interlock.open_stops(run.now_s(), run.rack.telling)
    if stops:
        raise Found(AlarmKind.EMERGENCY_STOP, stops)
    if (yield from enable_stays_on(run)):
        raise Found(AlarmKind.ENABLE_UNSURE, ENABLE_ON)


def _tell(run: RunState, told: str | None) -> str | None:
    """Show that the guard opened or closed, once each time."""
    problem = run.rack.interlock.problem(run.now_s(), run.rack.telling)
    if problem != told:
        ready = problem is None
        run.show(Notice("idle", {"ready": ready, "reason": problem or "every input is closed"}))
    return problem


def _tell_watched(run: RunState, before: dict[str, bool | None]) -> dict[str, bool | None]:
    levels = run.rack.watched_levels()
    for name, level in levels.items():
        if level != before.get(name):
            run.show(Notice("watched", {"name": name, "high": level}))
    return levels


def _look_at_tester(seat: TesterSeat) -> Idling:
    """Off, armed and answering; what is on is stopped before anything else is done."""
    for left in reversed(range(TRIES)):
        try:
            yield from _ask(seat)
            return
        except (LinkError, InstrumentFault) as error:
            if not left:
                yield Stop(seat.name)
                reason = f"tester {seat.name!r} doesn't answer between runs: {error}"
                raise Found(AlarmKind.LINK_LOST, reason) from error


def _ask(seat: TesterSeat) -> Idling:
    state: TesterState
    if seat.adapter.abilities.off_proof in ("state", "voltage"):
        proof = yield Converse(seat.port, seat.adapter.confirm_off())
        on, state = not proof.off, proof.state
    else:
        progress = yield Converse(seat.port, seat.adapter.poll())
        on, state = progress.state.active, progress.state
    if state is TesterState.FAULT:
        raise Found(AlarmKind.TRIP_LATCHED, f"tester {seat.name!r} reports {state} between runs")
    if on:
        yield Stop(seat.name)
        reason = f"tester {seat.name!r} reports {state}, and nobody ordered it"
        raise Found(AlarmKind.UNORDERED_OUTPUT, reason)
    if not seat.adapter.abilities.needs_arming:
        return
    armed = yield Converse(seat.port, seat.adapter.check_armed())
    if not armed:
        reason = f"tester {seat.name!r} has lost its protections (was it switched off and on?)"
        raise Found(AlarmKind.PROTECTIONS_LOST, reason)


def _look_at_relays(chain: ChainSeat) -> Idling:
    adapter: RelayMatrix | None = chain.adapter
    if adapter is None:
        return
    for left in reversed(range(TRIES)):
        try:
            closed = yield Converse(chain.port, adapter.read_back())
            break
        except (LinkError, InstrumentFault) as error:
            if not left:
                reason = f"chain {chain.name!r} doesn't answer between runs: {error}"
                raise Found(AlarmKind.RELAYS_DIFFER, reason) from error
    if closed is None and chain.abilities.read_back is not None:
        reason = f"chain {chain.name!r} read back nothing, though it can"
        raise Found(AlarmKind.RELAYS_DIFFER, reason)
    if closed:
        wrong = difference(Route().contacts, closed)
        raise Found(AlarmKind.RELAYS_DIFFER, f"chain {chain.name!r} between runs: {wrong}")
