"""What a step takes beside rise, dwell and fall: an estimate for people, never a deadline."""

from __future__ import annotations

from orchestrator.binding.context import Candidate
from orchestrator.binding.proofs import bleed_time_s, bleeder_of, is_charging, needs_bleeder
from orchestrator.binding.routes import Routing
from orchestrator.formulas.durations import DISCHARGE_S, around_s
from orchestrator.model.schedule import StepOrder


def around_step_s(chosen: Candidate, routing: Routing, order: StepOrder) -> float:
    """Relays, discharge and messages of a step (s), as if it were a batch of its own."""
    context = chosen.task.context
    chains = {contact.chain for contact in routing.route.contacts}
    own = (context.instruments.matrices[chain].settle_s for chain in chains)
    settle = max((context.station.model.relay_settle.value, *own)) if chains else 0
    return around_s(float(settle), _discharge_s(chosen, order))


def _discharge_s(chosen: Candidate, order: StepOrder) -> float:
    if not is_charging(chosen, order):
        return 0.0
    bleeder = bleeder_of(chosen)
    if bleeder is not None and needs_bleeder(chosen, order):
        return float(bleed_time_s(chosen, bleeder, order.level))
    return DISCHARGE_S
