"""Leads over a whole program: many short steps may not add up to more than the lead carries.

A single short step may use a warmer column of the table (`carries_a`). One unit after another the
lead then sees the rms current of the program, which must stay within what it carries for long.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal

from orchestrator.binding.context import Context
from orchestrator.binding.figures import about_amps, about_seconds
from orchestrator.binding.leads import TABLE
from orchestrator.binding.routes import Routing
from orchestrator.errors import Fault
from orchestrator.formulas.leads import CONTINUOUS_COLUMN, ampacity_a, area_mm2, rms_a
from orchestrator.model.schedule import BoundStep
from orchestrator.model.words import CONTACT_KINDS

Bound = tuple[BoundStep, Routing]


def check_lead_heat(context: Context, steps: Sequence[Bound]) -> Iterator[Fault]:
    """A fault for each declared lead that the program as a whole loads too much."""
    period_s = sum(step.predicted_s + step.around_s for step, _ in steps)
    for position, loads in _loads(steps).items():
        lead = context.fixture.model.leads.get(position)
        if lead is None or lead.carries is not None:
            continue
        most = ampacity_a(area_mm2(lead.gauge), CONTINUOUS_COLUMN)
        rms = rms_a([(float(s.order.level), s.predicted_s) for s in loads], period_s)
        if rms <= most:
            continue
        worst = max(loads, key=lambda step: step.order.level)
        times = "once" if len(loads) == 1 else f"{len(loads)} times"
        found = (
            f"{about_amps(rms)} rms through {lead.gauge} over the program's "
            f"{about_seconds(Decimal(str(round(period_s, 1))))}, in which it is loaded {times}"
        )
        expected = f"at most {about_amps(most)} ({TABLE}, {CONTINUOUS_COLUMN} °C column at 30 °C)"
        remedy = (
            "use a thicker lead, or shorten these steps; if the lead stands it, write carries and "
            f"reason to the lead of {position} in the fixture"
        )
        at = context.program.locate("steps", worst.index, "level")
        yield Fault(f"step {worst.name!r}, lead at {position!r}", found, expected, remedy, at)


def _loads(steps: Sequence[Bound]) -> Mapping[str, list[BoundStep]]:
    """Position → the bonding and continuity steps whose current its lead carries."""
    found: dict[str, list[BoundStep]] = {}
    for step, routing in steps:
        if step.order.kind in CONTACT_KINDS:
            for lead in routing.carrying():
                found.setdefault(lead.position, []).append(step)
    return found
