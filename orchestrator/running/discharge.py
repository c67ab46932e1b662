"""Confirming that an output is off and discharged, and by which grade of evidence."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from typing import Any

from orchestrator.errors import InstrumentFault, LinkError
from orchestrator.model.record import OffProof
from orchestrator.model.words import DischargeGrade, TesterState
from orchestrator.running.commands import Command, Converse, Stop, Wait
from orchestrator.running.rack import RunState, TesterSeat

LOOK_AGAIN_S = 0.02
TRIES = 3
"""Link errors in a row after which a tester counts as unconfirmed."""

Looking = Generator[Command, Any, OffProof]
UNPROVED = OffProof(False, None, DischargeGrade.NONE, TesterState.UNKNOWN)


def confirm_off(run: RunState, seat: TesterSeat) -> Looking:
    """Look until the output is off and discharged, or the tester's time for it is over.

    Never raises for a failing link or instrument: the answer then is an unproved one.
    """
    until_s = run.now_s() + float(seat.adapter.abilities.off_within_s)
    failures = 0
    proof = UNPROVED
    while True:
        try:
            proof = graded(run, seat, (yield Converse(seat.port, seat.adapter.confirm_off())))
            failures = 0
        except (LinkError, InstrumentFault):
            proof = UNPROVED
            failures += 1
        if (proof.off and proof.discharged) or failures >= TRIES or run.now_s() >= until_s:
            break
        yield Wait(LOOK_AGAIN_S)
    seat.proof = proof
    return proof


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
    # No evidence at all: binding lets this through only where no charge can be hazardous.
    return replace(proof, discharged=proof.grade is DischargeGrade.NONE)
