"""Confirming that an output is off and discharged, and by which grade of evidence."""

from __future__ import annotations

from collections.abc import Generator
from contextlib import suppress
from dataclasses import replace
from typing import Any

from orchestrator.errors import InstrumentFault, LinkError
from orchestrator.model.record import OffProof
from orchestrator.model.words import DischargeGrade, StepKind, TesterState
from orchestrator.running.commands import Command, Converse, Stop, Wait
from orchestrator.running.rack import RunState, TesterSeat
from orchestrator.running.states import WATCHED, Phase
from orchestrator.running.watching import refresh_inputs

LOOK_AGAIN_S = 0.02
CHARGING = frozenset({StepKind.INSULATION, StepKind.WITHSTAND_DC})
TRIES = 3
"""Link errors in a row after which a tester counts as unconfirmed."""

Looking = Generator[Command, Any, OffProof]
UNPROVED = OffProof(False, None, DischargeGrade.NONE, TesterState.UNKNOWN)


def confirm_off(run: RunState, seat: TesterSeat) -> Looking:
    """Look until the output is off and discharged, or the tester's time for it is over.

    A tester that isn't proved off, nor says that it discharges, is stopped again at each look: a
    start that was still queued when the first stop arrived must not survive it, nor one that a
    lagging state hides. Never raises for a failing link or instrument: the answer then is an
    unproved one.
    """
    within_s = float(seat.adapter.abilities.off_within_s)
    until_s = run.now_s() + max(within_s, (seat.bleed_s or 0.0) + LOOK_AGAIN_S)
    failures = 0
    while True:
        proof = yield from _look(run, seat)
        failures = failures + 1 if proof is UNPROVED else 0
        if (proof.off and proof.discharged) or failures >= TRIES or run.now_s() >= until_s:
            break
        if not proof.off and proof.state is not TesterState.DISCHARGING:
            with suppress(LinkError):  # what can't be delivered shows as not confirmed
                yield Stop(seat.name)
        yield Wait(LOOK_AGAIN_S)
        if run.phase in WATCHED:
            yield from refresh_inputs(run)  # a long discharge must not let them go stale
    seat.proof, seat.proved_at_s = proof, run.now_s()
    return proof


def _look(run: RunState, seat: TesterSeat) -> Looking:
    try:
        return graded(run, seat, (yield Converse(seat.port, seat.adapter.confirm_off())))
    except (LinkError, InstrumentFault):
        return UNPROVED


def stop_and_confirm(run: RunState, seat: TesterSeat) -> Looking:
    """Send the stop, then confirm off and discharged."""
    yield Stop(seat.name)
    return (yield from confirm_off(run, seat))


def graded(run: RunState, seat: TesterSeat, proof: OffProof) -> OffProof:
    """Complete a proof that rests on a measured voltage or on a declared bleeder."""
    if not proof.off or proof.discharged is not None:
        return proof
    if proof.grade is DischargeGrade.VOLTAGE:
        safe = proof.residual_v is not None and proof.residual_v < run.safe_v()
        return replace(proof, discharged=safe)
    if proof.grade in (DischargeGrade.BLEEDER, DischargeGrade.NONE) and seat.bleed_s is not None:
        since_s = seat.stopped_at_s
        waited = since_s is not None and run.now_s() - since_s >= seat.bleed_s
        return replace(proof, discharged=waited, grade=DischargeGrade.BLEEDER)
    # No evidence at all: binding lets this through only where no charge can be hazardous; what
    # went before this process came is unknown.
    unknown = run.phase is Phase.TAKE_OVER and _charges(seat)
    return replace(proof, discharged=proof.grade is DischargeGrade.NONE and not unknown)


def _charges(seat: TesterSeat) -> bool:
    """Whether the tester can leave a hazardous DC charge behind."""
    return not CHARGING.isdisjoint(seat.adapter.abilities.kinds)
