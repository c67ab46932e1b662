"""The leads of a bonding or continuity step: what they carry, and what they leave for the object.

A lead that the fixture doesn't declare is not checked, and the reasons say so.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from orchestrator.binding.context import Candidate
from orchestrator.binding.figures import about_amps, about_volts, ohms, on_s
from orchestrator.binding.routes import Routing
from orchestrator.errors import Fault
from orchestrator.formulas.compliance import drop_v, largest_loop_ohm
from orchestrator.formulas.leads import (
    area_mm2,
    carries_a,
    lead_ohm,
    resistance_source,
)
from orchestrator.model.amounts import amps, volts
from orchestrator.model.fixture import Lead
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, Side

TABLE = "NEC 2023, table 310.16"


def resistance_ohm(lead: Lead) -> Decimal:
    """Resistance (ohm) of a declared lead at 20 °C; see `lead_ohm`."""
    return Decimal(repr(lead_ohm(lead.gauge, float(lead.length))))


def check_leads(chosen: Candidate, routing: Routing, order: StepOrder) -> Iterator[Fault]:
    """Every declared lead carries the step's current, and the source drives it through them."""
    if order.kind not in CONTACT_KINDS:
        return
    yield from _check_gauges(chosen, routing, order)
    yield from _check_compliance(chosen, routing, order)


def _declared(chosen: Candidate, routing: Routing) -> Iterator[tuple[str, Lead]]:
    """Position and lead of every declared lead that carries the step's current."""
    leads = chosen.task.context.fixture.model.leads
    for used in routing.carrying():
        if used.position in leads:
            yield used.position, leads[used.position]


def _may_carry(chosen: Candidate, lead: Lead, order: StepOrder) -> tuple[float, str]:
    """What a lead may carry (A), and whose word that is."""
    if lead.carries is not None:
        return float(lead.carries), f"fixture: {lead.reason}"
    area = area_mm2(lead.gauge)
    amps_there, column = carries_a(area, float(order.level), float(on_s(chosen, order)))
    return amps_there, f"{TABLE}, {column} °C column at 30 °C, reckoned by area"


def _check_gauges(chosen: Candidate, routing: Routing, order: StepOrder) -> Iterator[Fault]:
    """Each lead alone: another one side by side with it may be open."""
    task = chosen.task
    for position, lead in _declared(chosen, routing):
        most, source = _may_carry(chosen, lead, order)
        if float(order.level) <= most:
            continue
        found = f"{amps(order.level)} through {lead.gauge}"
        expected = f"at most {about_amps(most)} ({source})"
        remedy = (
            "use a thicker lead or lower the level; if the lead stands it, write carries and "
            f"reason to the lead of {position} in the fixture"
        )
        yield Fault(f"{task.what}, lead at {position!r}", found, expected, remedy, task.at("level"))


# ---- compliance ---------------------------------------------------------------------------------


def is_two_wire(routing: Routing) -> bool:
    """Whether no sense leads are used: the reading then includes the leads."""
    return not any(lead.sensing for lead in routing.leads)


def leads_ohm(chosen: Candidate, routing: Routing) -> Decimal:
    """Declared leads in series (ohm): the longest way of each side, as if others were open."""
    held = dict(_declared(chosen, routing))
    total = Decimal(0)
    for side in Side:
        own = (held.get(used.position) for used in routing.carrying(side))
        total += max((resistance_ohm(lead) for lead in own if lead), default=Decimal(0))
    return total


def _at_most(order: StepOrder) -> Decimal | None:
    return order.limit(Measured.RESISTANCE, Edge.AT_MOST)


def _check_compliance(chosen: Candidate, routing: Routing, order: StepOrder) -> Iterator[Fault]:
    """The source must still drive the level at the limit, or the limit can't be judged there."""
    source_v, limit = chosen.ability.compliance_v, _at_most(order)
    if source_v is None or limit is None:
        return
    around = Decimal(0) if is_two_wire(routing) else leads_ohm(chosen, routing)
    largest = largest_loop_ohm(source_v, order.level)
    if limit + around <= largest:
        return
    task = chosen.task
    needed = drop_v(order.level, limit + around)
    plus = f" and {ohms(around)} of leads" if around else ""
    found = f"{amps(order.level)} through {ohms(limit)}{plus}, which needs {about_volts(needed)}"
    expected = f"at most {volts(source_v)} (compliance), a loop of at most {ohms(largest)}"
    room = largest - around
    lower = f"at most {about_amps(_down(source_v / (limit + around)))}"
    remedy = f"lower the level to {lower}, or use a tester with more compliance voltage"
    if room > 0:
        remedy = f"lower the limit to at most {ohms(_down(room))}, {remedy}"
    what = f"{task.what}, limit on {chosen.tester}"
    at = task.at("accept", "resistance", "at_most")
    yield Fault(what, found, expected, remedy, at)


def _down(value: Decimal) -> Decimal:
    """Cut to three digits, so that what the remedy says holds."""
    return value.quantize(Decimal(1).scaleb(value.adjusted() - 2), rounding="ROUND_FLOOR")


# ---- reasons ------------------------------------------------------------------------------------


def explain_leads(chosen: Candidate, routing: Routing, order: StepOrder) -> Iterator[str]:
    """What was reckoned of the leads, and what couldn't be."""
    if order.kind not in CONTACT_KINDS:
        return
    yield from _explain_gauges(chosen, routing, order)
    yield from _explain_compliance(chosen, routing, order)
    if is_two_wire(routing):
        yield from _explain_two_wires(chosen, routing)


def _explain_gauges(chosen: Candidate, routing: Routing, order: StepOrder) -> Iterator[str]:
    held = dict(_declared(chosen, routing))
    for position, lead in held.items():
        most, source = _may_carry(chosen, lead, order)
        told = ohms(resistance_ohm(lead))
        how = resistance_source(lead.gauge)
        yield (
            f"The lead at {position}, {lead.gauge}, carries at most {about_amps(most)} [{source}] "
            f"and has {told} [{how}, 20 °C]."
        )
    missing = [used.position for used in routing.carrying() if used.position not in held]
    if missing:
        one = len(missing) == 1
        told = ("lead of position " if one else "leads of positions ") + ", ".join(missing)
        yield f"The {told} {'is' if one else 'are'} not declared: gauge and resistance unchecked."


def _explain_compliance(chosen: Candidate, routing: Routing, order: StepOrder) -> Iterator[str]:
    source_v, limit = chosen.ability.compliance_v, _at_most(order)
    if source_v is None:
        yield "The source's compliance voltage is not stated in the profile: loop unchecked."
        return
    largest = ohms(largest_loop_ohm(source_v, order.level))
    start = f"{volts(source_v)} drive {amps(order.level)} through at most {largest} [U/I, profile]"
    if limit is None:
        yield f"{start}; the step has no upper limit to hold against it."
        return
    around = Decimal(0) if is_two_wire(routing) else leads_ohm(chosen, routing)
    within = "leads within it" if is_two_wire(routing) else f"declared leads {ohms(around)}"
    drop = about_volts(drop_v(order.level, limit + around))
    yield f"{start}; the limit needs {drop} ({ohms(limit)}, {within}; relay contacts not reckoned)."


def _explain_two_wires(chosen: Candidate, routing: Routing) -> Iterator[str]:
    step, leads = chosen.task.step, leads_ohm(chosen, routing)
    told = f"by up to {ohms(leads)} for those declared" if leads else "none of which is declared"
    yield f"Measured with two wires: the reading is too high by its leads, {told}."
    ends = {frozenset((a, b)) for a in step.apply_to for b in step.against}
    for offset in chosen.task.context.fixture.model.offsets:
        if step.take_out:
            break  # told with the limits
        if frozenset(offset.between) in ends and offset.resistance is not None:
            path = " – ".join(offset.between)
            yield (
                f"The empty fixture has {offset.resistance} on {path} [fixture, measured "
                f"{offset.measured}]; without take_out it stays in the reading."
            )
