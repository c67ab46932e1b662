"""The figures behind the checks of a bound step, one line each."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.binding.amounts import amps, volts
from orchestrator.binding.context import Candidate
from orchestrator.binding.nets import burdens
from orchestrator.binding.ratings import Stress
from orchestrator.binding.routes import Routing
from orchestrator.formulas.currents import peak_v
from orchestrator.model.words import CONTACT_KINDS, StepKind, Waveform


def explain(
    chosen: Candidate, routing: Routing, stress: Stress, *, hazardous: bool
) -> Iterator[str]:
    """Why the step may run as it is bound."""
    yield _hazard(chosen, hazardous=hazardous)
    if stress.voltage_v is not None:
        told = volts(stress.voltage_v)
        if stress.waveform is Waveform.AC:
            told += f" rms, {volts(peak_v(stress.voltage_v))} peak"
        standing = [burden.what for burden in burdens(chosen, routing) if burden.stands]
        yield f"stand {told}: " + ", ".join(standing)
    if stress.current_a is not None:
        carrying = [burden.what for burden in burdens(chosen, routing) if burden.carries]
        yield f"carry {amps(stress.current_a)}: " + ", ".join(carrying)
    step = chosen.task.step
    if step.kind is StepKind.CONTINUITY and chosen.ability.kind is StepKind.BONDING:
        yield "continuity through the bonding route: done by the tester's bonding function"


def _hazard(chosen: Candidate, *, hazardous: bool) -> str:
    if not hazardous:
        return "not hazardous: the tester's figures keep it within EN 50191:2010, clause 1.2"
    ability = chosen.ability
    if ability.kind in CONTACT_KINDS:
        if ability.compliance_v is None:
            return "hazardous: the tester's largest voltage isn't stated"
        return f"hazardous: the tester gives up to {volts(ability.compliance_v)}"
    return f"hazardous: the tester gives up to {volts(ability.level.most)}"
