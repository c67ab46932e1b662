"""The figures behind the checks of a bound step, one sentence each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.binding.context import Candidate
from orchestrator.binding.figures import about_volts
from orchestrator.binding.nets import Burden
from orchestrator.binding.ratings import Stress
from orchestrator.formulas.currents import peak_v
from orchestrator.model.amounts import amps, volts
from orchestrator.model.words import CONTACT_KINDS, StepKind, Waveform

MOST_LISTED = 8


def explain(
    chosen: Candidate, loaded: Sequence[Burden], stress: Stress, *, hazardous: bool
) -> Iterator[str]:
    """Why the step may run as it is bound, in sentences."""
    yield _hazard(chosen, hazardous=hazardous)
    if stress.voltage_v is not None:
        told, source = volts(stress.voltage_v), "profiles"
        if stress.waveform is Waveform.AC:
            told += f" rms, {about_volts(peak_v(stress.voltage_v))} peak"
            source = "√2 · U, profiles"
        yield f"Rated to stand {told}: {_listed([b.what for b in loaded if b.stands])} [{source}]."
    if stress.current_a is not None:
        carrying = _listed([b.what for b in loaded if b.carries])
        yield f"Rated to carry {amps(stress.current_a)}: {carrying} [profiles]."
    step = chosen.task.step
    if step.kind is StepKind.CONTINUITY and chosen.ability.kind is StepKind.BONDING:
        yield "Continuity through the bonding route is done by the tester's bonding function."


def _listed(names: Sequence[str]) -> str:
    """The names, or the first few and how many more."""
    if not names:
        return "nothing here"
    more = len(names) - MOST_LISTED
    told = ", ".join(names[:MOST_LISTED])
    return told if more <= 0 else f"{told} and {more} more"


def _hazard(chosen: Candidate, *, hazardous: bool) -> str:
    if not hazardous:
        return "Not hazardous: the tester's figures keep it within EN 50191:2010, clause 1.2."
    ability = chosen.ability
    exempt = "beyond EN 50191:2010, clause 1.2 [profile]."
    if ability.kind in CONTACT_KINDS:
        if ability.compliance_v is None:
            return "Hazardous: the tester's largest voltage isn't stated in its profile."
        return f"Hazardous: the tester gives up to {volts(ability.compliance_v)}, {exempt}"
    return f"Hazardous: the tester gives up to {volts(ability.level.most)}, {exempt}"
