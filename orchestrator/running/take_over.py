"""First contact: assume the worst, then find out who is there.

Stop the tester, confirm off and discharged, read the relays, then open them. Only then may old
runs be closed or anything be accepted.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from orchestrator.contract import SafetyTester
from orchestrator.errors import LinkError, WrongInstrument
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.record import Identity
from orchestrator.model.words import DischargeGrade, TesterState
from orchestrator.running.commands import Command, Converse, Enable, Stop, Wait
from orchestrator.running.discharge import LOOK_AGAIN_S, confirm_off
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import ChainSeat, RunState, TesterSeat
from orchestrator.running.routing import PERSON_NEEDED, Unconfirmed, open_all
from orchestrator.running.states import Phase
from orchestrator.running.watching import refresh_inputs

Taking = Generator[Command, Any, None]
BLEEDER_NEEDED = (
    f"{PERSON_NEEDED}. This tester gives no evidence of discharge: declare the bleeder on its "
    "output under 'bleeders' in the station file"
)
ENABLE_ON = "the enable output is on, though nobody ordered it"
ENABLE_OFF_WITHIN_S = 0.5
"""From ordering the enable off until its block must have reported so."""
LATCHED = frozenset({TesterState.TRIPPED, TesterState.INTERLOCK_OPEN})


class TripLatched(Trip):
    """A tester has latched a safety trip of a run that never ended; only a person resets it."""

    alarm = AlarmKind.TRIP_LATCHED


def take_over(run: RunState, *, resetting: bool = False) -> Taking:
    """Bring an unknown station to READY. ``resetting``: a person's reset, the inputs closed.

    Raises Unconfirmed, WrongInstrument, LinkError, Trip.
    """
    yield from _stop_all(run)
    for seat in run.rack.testers.values():
        proof = yield from confirm_off(run, seat)
        yield from _identify_tester(seat)
        if not (proof.off and proof.discharged):
            blind = proof.off and proof.grade is DischargeGrade.NONE
            raise Unconfirmed(
                f"tester {seat.name!r} is not confirmed off and discharged ({proof.state}); "
                "relays stay as they are",
                BLEEDER_NEEDED if blind else PERSON_NEEDED,
            )
    for chain in run.rack.chains.values():
        yield from _meet_chain(run, chain)
    yield from open_all(run)
    for seat in run.rack.testers.values():
        yield from make_ready(seat)
        yield from _end_latched_trip(run, seat, resetting=resetting)
    run.enter(Phase.READY)


def _stop_all(run: RunState) -> Taking:
    """Every tester is stopped before any is asked: one that is mute must not keep another on."""
    lost: LinkError | None = None
    for seat in run.rack.testers.values():
        seat.armed = False  # nothing known from before counts, nor that the link is in step
        try:
            yield Stop(seat.name)
        except LinkError as error:
            lost = lost or error
    if lost is not None:
        raise lost


def make_ready(seat: TesterSeat) -> Taking:
    """Remote mode and protections; needed again after a power cycle or a lapse."""
    yield Converse(seat.port, seat.adapter.enter())
    if seat.adapter.abilities.needs_arming:
        yield Converse(seat.port, seat.adapter.arm())
    seat.armed = True


def _end_latched_trip(run: RunState, seat: TesterSeat, *, resetting: bool) -> Taking:
    """A trip that the tester itself has latched ends only with every input closed.

    A safety trip behind a run that never ended waits for a person's reset; else it stems from a
    guard that was opened, or a limit that was broken, in an orderly way.
    """
    if seat.proof is None or seat.proof.state not in LATCHED:
        return
    if run.crashed and seat.proof.state is TesterState.INTERLOCK_OPEN and not resetting:
        reason = f"tester {seat.name!r} has latched a trip, and the run before never ended"
        raise TripLatched(reason, AlarmKind.TRIP_LATCHED.remedy)
    problem = yield from inputs_problem(run)
    if problem:
        raise Trip(f"tester {seat.name!r} has latched a trip, and {problem}")
    if run.rack.enable is not None:  # a tester behind it refuses a reset while its contact is open
        yield Enable(True)
        yield Wait(run.rack.enable_settle_s)
    yield Converse(seat.port, seat.adapter.reset_trip())
    yield Enable(False)


def inputs_problem(run: RunState) -> Generator[Command, Any, str | None]:
    """Why the interlock counts as open just now, or ``None``.

    Where an enable output is off, what a tester reports of its own input says nothing: the enable
    usually lies in series with it.
    """
    return (yield from look_at_inputs(run, run.rack.telling))


def every_input_problem(run: RunState) -> Generator[Command, Any, str | None]:
    """The same for every input: those behind an enable are asked with it on, no tester started.

    Raises Trip: an input opened meanwhile, or the enable can't be relied on.
    """
    if (yield from enable_stays_on(run)):
        return ENABLE_ON
    enable = run.rack.enable
    problem = yield from inputs_problem(run)
    if problem or enable is None or not run.rack.tester_inputs:
        return problem
    yield Enable(True)
    yield Wait(run.rack.enable_settle_s)
    return (yield from look_at_inputs(run))


def enable_stays_on(run: RunState) -> Generator[Command, Any, bool]:
    """Whether the enable still reads on though it is ordered off; its block is given time."""
    until_s = run.now_s() + ENABLE_OFF_WITHIN_S
    while run.rack.enable is not None and run.rack.enable.seen() is True:
        if run.now_s() >= until_s:
            return True
        yield Wait(LOOK_AGAIN_S)
    return False


def look_at_inputs(
    run: RunState, only: frozenset[str] | None = None
) -> Generator[Command, Any, str | None]:
    """Why the interlock counts as open just now, or ``None``.

    One that reads closed is waited for while it is debounced, before the first step of a run: a
    tester's input is asked only here, so that a single look would always be too early.
    """
    interlock = run.rack.interlock
    until_s = run.now_s() + 2 * max(interlock.debounce_s.values(), default=0.0) + LOOK_AGAIN_S
    while True:
        yield from refresh_inputs(run)
        yield Wait(0.0)  # one scan: the other inputs are sampled too
        problem = interlock.problem(run.now_s(), only)
        if not problem or run.begun or not interlock.closing or run.now_s() >= until_s:
            return problem
        yield Wait(LOOK_AGAIN_S)


def _identify_tester(seat: TesterSeat) -> Taking:
    tester: SafetyTester = seat.adapter
    identity: Identity = yield Converse(seat.port, tester.identify())
    check_identity(f"tester {seat.name!r}", identity, seat.simulated, seat.serial)
    seat.identity = identity


def _meet_chain(run: RunState, chain: ChainSeat) -> Taking:
    if chain.adapter is None:
        return
    identities = yield Converse(chain.port, chain.adapter.identify())
    for unit, identity in identities.items():
        what = f"relay unit {unit!r} of chain {chain.name!r}"
        check_identity(what, identity, chain.simulated, chain.serials.get(unit))
    chain.identities = identities
    closed = yield Converse(chain.port, chain.adapter.read_back())
    if closed:
        run.found_closed.update(closed)


def check_identity(what: str, identity: Identity, simulated: bool, serial: str | None) -> None:
    """Real and simulated never mix; a pinned serial number must be the one. WrongInstrument."""
    if identity.simulated != simulated:
        is_, says = ("a simulation", "real") if identity.simulated else ("real", "simulated")
        raise WrongInstrument(
            f"{what} answers as {is_}, the station file declares it {says}",
            remedy="correct 'simulated' in the station file, or the link",
        )
    if serial is not None and identity.serial != serial:
        raise WrongInstrument(
            f"{what} has serial number {identity.serial!r}, the station file pins {serial!r}",
            remedy="put the pinned instrument back, or change the station file and have the "
            "station checked again",
        )
