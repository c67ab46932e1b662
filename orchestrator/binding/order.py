"""Rules on the order of steps and on what must be there before a hazard."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from orchestrator.binding.context import Candidate, Context, Task
from orchestrator.errors import Fault
from orchestrator.formulas.hazard import exemption
from orchestrator.model.program import Program
from orchestrator.model.words import CONTACT_KINDS, HIGH_VOLTAGE_KINDS, StepKind, Waveform


def is_hazardous(candidate: Candidate) -> bool:
    """Whether EN 50191:2010, clause 1.2, exempts the step not; unknown is hazardous.

    Reckoned from what the tester can give in this function, on the worse of its waveforms.
    Bonding and continuity are exempt only by a stated compliance voltage. Which energy the unit
    under test stores isn't known here, so DC voltage steps are exempt by voltage only.
    """
    ability, contact = candidate.ability, candidate.ability.kind in CONTACT_KINDS
    voltage_v = ability.compliance_v if contact else ability.level.most
    source_a: Decimal | None = None if contact else ability.source_current_a
    highest_hz = max(ability.frequencies, default=None)
    waveforms = ability.waveforms or {Waveform.AC, Waveform.DC}
    return any(
        exemption(
            waveform,
            voltage_v,
            source_a,
            None,
            highest_hz if waveform is Waveform.AC else None,
        )
        is None
        for waveform in waveforms
    )


def check_protective_earth(context: Context) -> Iterator[Fault]:
    """Withstand and insulation only after a bonding step, or with a reason why not."""
    program = context.program.model
    if program.no_protective_earth is not None:
        return
    early = _before_bonding(program)
    if not early:
        return
    index = early[0]
    more = f" (and {len(early) - 1} more)" if len(early) > 1 else ""
    found = f"no bonding step before it{more}"
    expected = "a bonding step before the first insulation or withstand step"
    remedy = "add one, or write no_protective_earth: <reason> in the program"
    what = f"step {program.steps[index].name!r}"
    yield Fault(what, found, expected, remedy, context.program.locate("steps", index))


def _before_bonding(program: Program) -> list[int]:
    early = []
    for index, step in enumerate(program.steps):
        if step.kind is StepKind.BONDING:
            break
        if step.kind in HIGH_VOLTAGE_KINDS:
            early.append(index)
    return early


def check_interlock(context: Context, hazardous: Sequence[Task]) -> Iterator[Fault]:
    """A hazardous step needs an interlock input in the station."""
    if not hazardous or context.station.model.interlock:
        return
    more = f" (and {len(hazardous) - 1} more steps)" if len(hazardous) > 1 else ""
    found = f"a hazardous step{more} and no interlock input in {context.station.file}"
    expected = "at least one interlock input in the station"
    remedy = "add interlock: [{name: guard, source: {kind: tester, tester: <name>}}] there"
    yield Fault(hazardous[0].what, found, expected, remedy, hazardous[0].at())
