"""What a commissioning proves with the outputs off: inputs, enable, relays."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from orchestrator.errors import InstrumentFault, LinkError
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.station import OutputPlace
from orchestrator.running.commands import Command, Converse, Enable, Wait
from orchestrator.running.interlock import RunCancelled, Trip
from orchestrator.running.rack import ChainSeat, Notice, RunState
from orchestrator.running.routing import open_all, prove_chain, require_cold, settle_s
from orchestrator.running.take_over import inputs_problem
from orchestrator.running.watching import refresh_inputs

LOOK_S = 0.05
SPARE_SHARE = 1.5
"""An output must have dropped within this share of its stated time."""
HEARD_AGAIN_S = 1.0
BLIND = "ordered; the unit reads nothing back"


@dataclass(frozen=True, slots=True)
class Proved:
    """What was seen of one item. ``seconds``: how long it took, where that says something."""

    done: bool
    seen: str
    seconds: float | None = None


Proving = Generator[Command, Any, Proved]


def see_input(run: RunState, name: str, *, closed: bool, within_s: float) -> Proving:
    """Wait until an interlock input is read as open, or as closed. Silence shows nothing."""
    began_s = run.now_s()
    word = "closed" if closed else "open"
    while run.now_s() - began_s < within_s:
        yield from refresh_inputs(run)
        yield Wait(0.0)  # one scan: the other inputs are sampled too
        if run.rack.interlock.stands(name, run.now_s()) is closed:
            return Proved(True, f"seen {word}", run.now_s() - began_s)
        yield Wait(LOOK_S)
    return Proved(False, f"not seen {word} within {within_s:.0f} s")


def see_input_follow(run: RunState, name: str, within_s: float) -> Proving:
    """A tester's own input behind the enable: closed while that is on, open while it is off.

    The other inputs are closed. The guard's own contact in that line can't be told apart here.
    """
    problem = yield from inputs_problem(run)
    if problem:
        return Proved(False, problem)
    yield Enable(True)
    yield Wait(run.rack.enable_settle_s)
    seen = yield from see_input(run, name, closed=True, within_s=within_s)
    yield Enable(False)
    if not seen.done:
        return Proved(False, f"with the enable on: {seen.seen}")
    seen = yield from see_input(run, name, closed=False, within_s=within_s)
    if not seen.done:
        return Proved(False, f"with the enable off: {seen.seen}")
    return Proved(True, "closed with the enable on, open with it off")


def prove_enable(run: RunState, place: OutputPlace, drops_after_s: float) -> Proving:
    """Enable on, seen on; its refreshing stopped, seen off. No tester is started meanwhile."""
    enable, block = run.rack.enable, run.rack.io[place.block]
    if enable is None:
        return Proved(False, "the station has no enable output")
    problem = yield from inputs_problem(run)
    if problem:
        return Proved(False, problem)
    silent_s, silenced = drops_after_s * SPARE_SHARE, False
    yield Enable(True)
    try:
        yield Wait(run.rack.enable_settle_s + 2 * LOOK_S)
        if enable.seen() is not True:
            return Proved(False, "ordered on, but not reported on by its block")
        silenced = True
        block.silence(silent_s)
        yield Wait(silent_s)
        yield Enable(False)
    except RunCancelled:
        raise  # somebody ended the commissioning
    except Trip as trip:
        if not silenced:
            return Proved(False, trip.reason)
        yield Enable(False)  # a silent block's inputs are stale, which trips, as it must
        yield Wait(silent_s)
    yield Wait(HEARD_AGAIN_S)
    after = block.outputs_after_silence
    if after is None:
        return Proved(False, f"the block was not heard again within {HEARD_AGAIN_S:.0f} s")
    if after[place.output]:
        return Proved(False, f"still on {silent_s:.2f} s after the last refresh")
    return Proved(True, f"off by itself {silent_s:.2f} s after the last refresh", silent_s)


def prove_relays(run: RunState) -> Generator[Command, Any, tuple[tuple[Contact, Proved], ...]]:
    """Close every contact once by itself, read it back, open it. Raises Unconfirmed (not cold)."""
    yield from require_cold(run)
    found: list[tuple[Contact, Proved]] = []
    for chain in run.rack.chains.values():
        if chain.adapter is None:
            continue
        for contact in contacts_of(chain):
            found.append((contact, (yield from _operate(run, chain, contact))))
            run.show(Notice("relay", {"contact": contact, "done": found[-1][1].done}))
    yield from require_cold(run)
    yield from open_all(run)
    return tuple(found)


def contacts_of(chain: ChainSeat) -> tuple[Contact, ...]:
    """Every contact of a chain, in order."""
    return tuple(
        Contact(chain.name, unit, bank.name, channel, role)
        for unit in chain.identities
        for bank in chain.abilities.banks.values()
        for channel in bank.channels
        for role in sorted(bank.roles)
    )


def _operate(run: RunState, chain: ChainSeat, contact: Contact) -> Proving:
    if chain.adapter is None:
        return Proved(False, "its tester switches it within a step")
    route = Route(frozenset({contact}))
    yield from require_cold(run)  # many contacts take minutes; each move needs its own proof
    run.route = None
    try:
        yield Converse(chain.port, chain.adapter.apply(route))
        yield Wait(settle_s(run))
        yield from prove_chain(run, chain, route)
    except (LinkError, InstrumentFault) as error:
        yield from require_cold(run)
        yield from open_all(run)
        return Proved(False, str(error))
    run.closings[contact] += 1
    blind = chain.abilities.read_back is None
    return Proved(True, BLIND if blind else "read back alone")
