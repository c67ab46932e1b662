"""Moving relays: only when every output is confirmed off and discharged (cold switching)."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from orchestrator.contract import RelayMatrix
from orchestrator.errors import InstrumentFault, LinkError, RelayMismatch
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.words import ReadBackProof
from orchestrator.running.commands import Command, Converse, Wait
from orchestrator.running.discharge import confirm_off
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import ChainSeat, RunState
from orchestrator.running.states import Phase

Moving = Generator[Command, Any, None]
PERSON_NEEDED = (
    "keep away: the output may be live or charged. Leave the guard closed, wait, discharge by the "
    "means your site provides, then start again"
)


class Unconfirmed(Trip):
    """Off and discharged could not be confirmed: relays stay as they are."""

    alarm = AlarmKind.UNCONFIRMED


def apply_route(run: RunState, route: Route) -> Moving:
    """Bring all chains to a route and prove it. Raises RelayMismatch, Unconfirmed, LinkError."""
    yield from require_cold(run)
    run.enter(Phase.ROUTING)
    previous = run.route.contacts if run.route else frozenset()
    run.route = None
    for seat in run.rack.chains.values():
        if seat.adapter is not None:
            yield Converse(seat.port, seat.adapter.apply(route.of_chain(seat.name)))
    yield Wait(settle_s(run))
    run.closings.update(route.contacts - previous)
    for seat in run.rack.chains.values():
        yield from prove_chain(run, seat, route)
    run.route = route


def prove_chain(run: RunState, seat: ChainSeat, route: Route) -> Moving:
    """Compare a chain's read-back with the route. Raises RelayMismatch."""
    if seat.adapter is None:
        return
    closed = yield Converse(seat.port, seat.adapter.read_back())
    wanted = route.of_chain(seat.name).contacts
    if closed is None and seat.abilities.read_back is not None:
        raise RelayMismatch(
            f"chain {seat.name!r} read back nothing, though it can",
            remedy="check the relay units and their driver before the next run",
        )
    if closed is not None and closed != wanted:
        raise RelayMismatch(
            f"relays of chain {seat.name!r} differ from the route: {difference(wanted, closed)}",
            remedy="check the relay unit, its address switch and its wiring before the next run",
        )


def route_is_proved(run: RunState, route: Route) -> bool:
    """Whether each chain of a step's route can prove contact positions (contact read-back)."""
    if run.route is None:
        return False
    used = {c.chain for c in run.route.contacts | route.contacts}
    return all(run.rack.chains[name].abilities.read_back is ReadBackProof.CONTACT for name in used)


def require_cold(run: RunState) -> Moving:
    """Confirm that every tester is off and discharged just now. Raises Unconfirmed."""
    if run.void:
        raise Unconfirmed(f"evidence of discharge is void: {run.void}", PERSON_NEEDED)
    for seat in run.rack.testers.values():
        proof = yield from confirm_off(run, seat)
        if not (proof.off and proof.discharged):
            raise Unconfirmed(
                f"tester {seat.name!r} is not confirmed off and discharged ({proof.state}); "
                "relays stay as they are",
                PERSON_NEEDED,
            )


def open_all(run: RunState) -> Moving:
    """Open every relay of every chain and prove it; the caller has confirmed that it is cold."""
    run.route = None
    for seat in run.rack.chains.values():
        if seat.adapter is not None:
            yield from open_chain(seat.port, seat.adapter)
    yield Wait(settle_s(run))
    for seat in run.rack.chains.values():
        yield from _prove_open(run, seat)
    run.route = Route()


def _prove_open(run: RunState, seat: ChainSeat) -> Moving:
    """One lost read-back is asked again; a contact that was read as closed stays what it is."""
    try:
        yield from prove_chain(run, seat, Route())
    except RelayMismatch:
        raise
    except (LinkError, InstrumentFault):
        yield from prove_chain(run, seat, Route())


def open_chain(port: str, adapter: RelayMatrix) -> Moving:
    """Open one chain; asked once more if the first exchange fails."""
    try:
        yield Converse(port, adapter.open_all())
    except (LinkError, InstrumentFault):  # one of the few acts that may be repeated
        yield Converse(port, adapter.open_all())


def settle_s(run: RunState) -> float:
    """The longest settle time: the station's figure or a matrix's own."""
    own = [float(seat.abilities.settle_s) for seat in run.rack.chains.values()]
    return max([run.rack.relay_settle_s, *own])


def difference(wanted: frozenset[Contact], closed: frozenset[Contact]) -> str:
    """What differs, in words."""
    missing = ", ".join(_name(c) for c in sorted(wanted - closed))
    extra = ", ".join(_name(c) for c in sorted(closed - wanted))
    parts = [
        f"not closed: {missing}" if missing else "",
        f"closed too many: {extra}" if extra else "",
    ]
    return "; ".join(part for part in parts if part)


def _name(contact: Contact) -> str:
    return f"{contact.unit}/{contact.bank}/{contact.channel} {contact.role}"
