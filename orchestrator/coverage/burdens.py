"""What a step may store between its sides, and how many contacts it closes at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from orchestrator.coverage.report import Crowded, Stored
from orchestrator.coverage.searching import as_search
from orchestrator.coverage.shares import Values, most_between
from orchestrator.coverage.steps import VoltageStep
from orchestrator.formulas.currents import ROOT_TWO
from orchestrator.formulas.discharge import stored_energy_j
from orchestrator.model.demands import Demands
from orchestrator.model.words import Waveform

_EQUAL = 1 + 1e-9
"""A limit that is just met counts as met, whatever the last bit of a float says."""


def stored(demands: Demands, steps: Sequence[VoltageStep]) -> Iterator[Stored]:
    """Steps that may store more than `allow: stored_energy_at_most`, and searches after others.

    With the most declared capacitance between the two sides; undeclared counts as nothing.
    """
    values = Values(demands)
    for step in steps:
        found = _stored(demands, values, step, search=False)
        if found is None and step.search is not None:
            # On the step's own sides; a search mostly has fewer nets on them.
            found = _stored(demands, values, as_search(step, step.search), search=True)
        if found is not None:
            yield found


def _stored(demands: Demands, values: Values, step: VoltageStep, *, search: bool) -> Stored | None:
    farads = most_between(values.farads, step.carried)
    peak_v = step.most * (ROOT_TWO if step.waveform is Waveform.AC else 1)
    energy_j = stored_energy_j(farads, float(peak_v))
    allowed_j = demands.allowed.stored_energy_at_most_j
    if energy_j <= float(allowed_j) * _EQUAL:
        return None
    return Stored(
        step.number, step.name, step.at, _four(farads), _four(float(peak_v)), _four(energy_j),
        allowed_j, search,
    )  # fmt: skip


def crowded(demands: Demands, steps: Sequence[VoltageStep]) -> Iterator[Crowded]:
    """Steps with more points on their sides than `allow: relays_at_most`."""
    allowed = demands.allowed.relays_at_most
    if allowed is None:
        return
    for step in steps:
        contacts = len({*step.source, *step.back})
        if contacts > allowed:
            yield Crowded(step.number, step.name, step.at, contacts, allowed)


def _four(value: float) -> Decimal:
    return Decimal(f"{value:.4g}")
