"""Proof that an instrument can't give needs a named exemption; discharge needs evidence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from orchestrator.binding.context import Candidate, Context, Task, candidate
from orchestrator.errors import Fault
from orchestrator.formulas.discharge import discharge_time_s
from orchestrator.model.abilities import Abilities
from orchestrator.model.amounts import seconds, volts
from orchestrator.model.schedule import BoundStep, Route, StepOrder
from orchestrator.model.station import BleederEntry, Station
from orchestrator.model.words import (
    CONTACT_KINDS,
    HIGH_VOLTAGE_KINDS,
    DischargeGrade,
    Measured,
    ReadBackProof,
    Waveform,
)

BLEEDER_MARGIN = 2
LONGEST_BLEED_S = Decimal(60)
"""A bleeder that needs longer is no practical evidence (common practice, no source)."""

DISCHARGE_S = Decimal(5)
"""Allowed after a DC voltage step for the tester's own discharge (common practice, no source)."""


@dataclass(frozen=True, slots=True, order=True)
class Missing:
    """A piece of proof that an instrument can't give."""

    rule: str
    instrument: str
    found: str


_WANTED = {
    "freshness": "a way to know that a result belongs to this start",
    "setup_check": "errors read or settings read back after the set-up",
    "relay_position": "a read-back from the contacts themselves",
    "elapsed_time": "its own figure of how long the level was held",
    "level_reading": "a reading of the level",
}


def missing_of_tester(candidate: Candidate) -> Iterator[Missing]:
    """What the tester of a step can't prove."""
    abilities, tester = candidate.abilities, candidate.tester
    if not abilities.freshness:
        yield Missing("freshness", tester, f"{tester} can't tell new results from old")
    if abilities.setup_check == "none":
        yield Missing("setup_check", tester, f"{tester} doesn't show what it accepted")
    if not abilities.reports_dwell:
        yield Missing("elapsed_time", tester, f"{tester} doesn't tell the time held")
    contact = candidate.ability.kind in CONTACT_KINDS
    level = Measured.CURRENT if contact else Measured.VOLTAGE
    if level not in candidate.ability.readings:
        kind = candidate.ability.kind.value
        found = f"{tester} reads no {level.value} in some steps, {kind} among them"
        yield Missing("level_reading", tester, found)


def missing_of_route(context: Context, route: Route) -> Iterator[Missing]:
    """Chains in the route that don't read back their contacts."""
    for chain in sorted({contact.chain for contact in route.contacts}):
        read_back = context.instruments.matrices[chain].read_back
        if read_back is not ReadBackProof.CONTACT:
            told = "nothing" if read_back is None else f"the {read_back.value} state"
            yield Missing("relay_position", chain, f"chain {chain} reads back {told} only")


def check_exemptions(context: Context, missing: Iterable[Missing]) -> Iterator[Fault]:
    """A fault for each missing proof without its exemption, once."""
    granted = {(entry.rule, entry.instrument) for entry in context.station.model.exemptions}
    told: set[tuple[str, str]] = set()
    for gap in missing:
        key = (gap.rule, gap.instrument)
        if key in granted or key in told:
            continue
        told.add(key)
        kind = "chains" if gap.instrument in context.station.model.chains else "testers"
        at = context.station.locate(kind, gap.instrument)
        text = f"{{rule: {gap.rule}, instrument: {gap.instrument}, reason: <why it may>}}"
        remedy = f"add to exemptions in the station file: - {text}"
        what = f"proof of {gap.rule.replace('_', ' ')}"
        yield Fault(what, gap.found, _WANTED[gap.rule], remedy, at)


def used_exemptions(context: Context, missing: Iterable[Missing]) -> dict[tuple[str, str], str]:
    """(rule, instrument) → reason of the exemptions that the schedule rests on."""
    needed = {(gap.rule, gap.instrument) for gap in missing}
    return {
        (entry.rule, entry.instrument): entry.reason
        for entry in context.station.model.exemptions
        if (entry.rule, entry.instrument) in needed
    }


# ---- discharge ----------------------------------------------------------------------------------


_WEAK = (DischargeGrade.NONE, DischargeGrade.BLEEDER)


def is_charging(candidate: Candidate, order: StepOrder) -> bool:
    """Whether the step leaves a charge: DC voltage."""
    return order.waveform is Waveform.DC and candidate.ability.kind not in CONTACT_KINDS


def bleeder_of(candidate: Candidate) -> BleederEntry | None:
    """The weakest bleeder declared on the tester's output."""
    return _weakest(candidate.task.context.station.model, candidate.tester)


def _weakest(station: Station, tester: str) -> BleederEntry | None:
    found = [entry for entry in station.bleeders if entry.tester == tester]
    return max(found, key=lambda e: e.resistance.value * e.worst_capacitance.value, default=None)


def bleed_time_s(candidate: Candidate, bleeder: BleederEntry, level_v: Decimal) -> Decimal:
    """Computed time to the station's safe DC level, with margin (R·C·ln(U0/U1), times 2)."""
    return _bleed_time_s(candidate.task.context.station.model, bleeder, level_v)


def _bleed_time_s(station: Station, bleeder: BleederEntry, level_v: Decimal) -> Decimal:
    safe_v = station.safe_level.dc.value
    plain_s = discharge_time_s(
        float(bleeder.resistance.value),
        float(bleeder.worst_capacitance.value),
        float(level_v),
        float(safe_v),
    )
    return Decimal(str(round(plain_s * BLEEDER_MARGIN, 6)))


def needs_bleeder(candidate: Candidate, order: StepOrder) -> bool:
    """Whether only a declared bleeder can be the evidence of discharge."""
    return is_charging(candidate, order) and candidate.abilities.discharge in _WEAK


def bleed_times_s(context: Context, steps: Iterable[BoundStep]) -> dict[str, float]:
    """Tester → the longest time that its bleeder needs after one of these steps, for the run."""
    found: dict[str, float] = {}
    for step in steps:
        task = Task(context, step.index, context.program.model.steps[step.index])
        chosen = candidate(task, step.tester)
        if chosen is None or not needs_bleeder(chosen, step.order):
            continue
        bleeder = bleeder_of(chosen)
        if bleeder is not None:
            time_s = float(bleed_time_s(chosen, bleeder, step.order.level))
            found[step.tester] = max(found.get(step.tester, 0.0), time_s)
    return found


def worst_bleed_s(station: Station, tester: str, abilities: Abilities) -> float | None:
    """The time that a tester's bleeder needs from its highest DC level, for first contact.

    ``None`` where the tester has better evidence, gives no DC level, or has no bleeder declared.
    """
    levels = [
        ability.level.most
        for kind, ability in abilities.kinds.items()
        if kind in HIGH_VOLTAGE_KINDS and Waveform.DC in ability.waveforms
    ]
    bleeder = _weakest(station, tester)
    if abilities.discharge not in _WEAK or not levels or bleeder is None:
        return None
    return float(_bleed_time_s(station, bleeder, max(levels)))


def check_discharge(candidate: Candidate, order: StepOrder, *, hazardous: bool) -> Iterator[Fault]:
    """A hazardous DC step needs some evidence of discharge."""
    if not hazardous or not needs_bleeder(candidate, order):
        return
    task, bleeder = candidate.task, bleeder_of(candidate)
    what = f"{task.what}, discharge of {candidate.tester}"
    if bleeder is None:
        expected = "a measured voltage, a 'discharged' status, or a declared bleeder"
        remedy = (
            "add to bleeders in the station file: - {tester: "
            f"{candidate.tester}, resistance: <…>, worst_capacitance: <…>}}, or use another tester"
        )
        yield Fault(what, "no evidence", expected, remedy, task.at())
        return
    time_s = bleed_time_s(candidate, bleeder, order.level)
    if time_s > LONGEST_BLEED_S:
        safe = volts(task.context.station.model.safe_level.dc.value)
        found = f"{seconds(time_s)} from {volts(order.level)} to {safe} by its bleeder (margin 2)"
        remedy = "fit a smaller bleeder or lower the level"
        yield Fault(what, found, f"at most {seconds(LONGEST_BLEED_S)}", remedy, task.at("level"))


def discharge_allowance_s(candidate: Candidate, order: StepOrder) -> Decimal:
    """Time granted after the step until the output is confirmed off and discharged."""
    off_s = Decimal(str(candidate.abilities.off_within_s))
    if not is_charging(candidate, order):
        return off_s
    bleeder = bleeder_of(candidate)
    if needs_bleeder(candidate, order) and bleeder is not None:
        return max(off_s, DISCHARGE_S, bleed_time_s(candidate, bleeder, order.level))
    return max(off_s, DISCHARGE_S)
