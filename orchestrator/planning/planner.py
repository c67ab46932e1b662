"""`plan`: a product's demands to steps in order."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import numpy as np

from orchestrator.errors import Fault, Refused
from orchestrator.formulas.durations import DISCHARGE_S, around_s
from orchestrator.model.amounts import volts
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Edge, Measured, StepKind, Waveform
from orchestrator.planning.contact_steps import RISE_S, contact_steps
from orchestrator.planning.contacts import prove_contacts
from orchestrator.planning.limits import Budgets, TesterLimits, shortest_rise_ms
from orchestrator.planning.naming import Names
from orchestrator.planning.ordering import distances, shortest_order
from orchestrator.planning.plan import Count, Covered, Plan, PlannedStep, Tour
from orchestrator.planning.refusals import (
    broken_budgets,
    side_word,
    trapped_fault,
    unfitting,
)
from orchestrator.planning.sums import pairs_opposed
from orchestrator.planning.within import KindTests, Test, tests_of_kind
from orchestrator.planning.words import amps, farads, kind_word, seconds

ORDER = (StepKind.INSULATION, StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC)
"""Of the tests at a voltage; before them continuity, then bonding (common practice, no source)."""


def plan(demands: Demands, limits: TesterLimits | None = None, *, keep_gaps: bool = False) -> Plan:
    """Plan all that a product demands.

    Args:
        demands: from `orchestrator.model.resolve`.
        limits: what the tester can do; None: only the product's own budgets count.
        keep_gaps: give the plan with its gaps instead of refusing.

    Raises:
        Refused: with everything that can't be planned: the pair, and what forces it.
    """
    tester = limits or TesterLimits()
    budgets, names = Budgets(demands, tester), Names()
    steps = contact_steps(demands, names, tester)
    counts: list[Count] = []
    tours: list[Tour] = []
    gaps: list[Fault] = []
    for kind, hertz, wanted in _kinds(demands):
        found = tests_of_kind(demands, kind, hertz, wanted, budgets)
        gaps += [trapped_fault(demands, one) for one in found.plan.trapped]
        gaps += found.gaps or broken_budgets(demands, found.tests)
        tests, tour = _ordered(demands, kind, found.tests)
        tours.append(tour)
        made = [_pair_step(demands, test, names, budgets) for test in tests]
        gaps += unfitting(made, budgets, wanted[0])
        steps += made
        counts.append(_count(found, made))
    steps, contacts, unproved = prove_contacts(demands, steps, budgets)
    gaps += unproved
    if gaps and not keep_gaps:
        raise Refused(gaps)
    return Plan(
        product=demands.product,
        revision=demands.revision,
        file=demands.file,
        steps=tuple(steps),
        counts=tuple(counts),
        contacts=tuple(contacts),
        tours=tuple(tours),
        gaps=tuple(gaps),
        notices=demands.notices,
        no_protective_earth=_no_earth(demands, steps),
    )


def _kinds(
    demands: Demands,
) -> list[tuple[StepKind, Decimal | None, tuple[PairDemand, ...]]]:
    found = []
    for kind in ORDER:
        of_kind = [d for d in demands.pair_demands if d.kind is kind]
        found += [
            (kind, hertz, tuple(d for d in of_kind if d.frequency_hz == hertz))
            for hertz in dict.fromkeys(d.frequency_hz for d in of_kind)
        ]
    return found


def _count(found: KindTests, made: Sequence[PlannedStep]) -> Count:
    return Count(
        kind=found.plan.kind,
        frequency_hz=found.plan.frequency_hz,
        tests=len(made),
        least=found.least,
        proof=found.proof,
        one_by_one=found.plan.one_by_one,
        unsplit=found.split,
        levels=tuple((level.level_v, len(level.cuts)) for level in found.plan.levels),
        predicted_s=sum(step.predicted_s for step in made),
    )


def _no_earth(demands: Demands, steps: Sequence[PlannedStep]) -> str | None:
    if any(step.kind is StepKind.BONDING for step in steps):
        return None
    if demands.earth_net is None:
        return "the product file declares no protective earth"
    return "the product file demands no bonding"


# ---- one step at a voltage ----------------------------------------------------------------------


def _pair_step(demands: Demands, test: Test, names: Names, budgets: Budgets) -> PlannedStep:
    cut, counting, settled = test.cut, test.counting, test.settled
    apply_nets, against_nets, open_nets = (
        tuple(int(net) for net in np.flatnonzero(cut.sides == side)) for side in (1, 0, -1)
    )
    reasons = list(settled.reasons)
    covers = tuple(_covered(cut.sides, demand) for demand in counting)
    kind = counting[0].kind
    rise_s = max((d.rise_s for d in counting if d.rise_s is not None), default=None)
    fall_s = max((d.fall_s for d in counting if d.fall_s is not None), default=None)
    settle_s = max((d.settle_s for d in counting if d.settle_s is not None), default=None)
    # Of each demand as much must be judged as it wants, after the longest settle of all.
    judged_s = max(d.dwell_s - (d.settle_s or 0) for d in counting)
    dwell_s = max(*(d.dwell_s for d in counting), judged_s + (settle_s or 0))
    during = any(d.limits_during_rise for d in counting)
    rise_s = _rise(test, rise_s, budgets, during=during, reasons=reasons)
    if len(counting) > 1:
        reasons.append("times are the longest of the demands covered")
    reasons += _floating_reasons(demands, open_nets)
    if not settled.capacitance.most:
        reasons.append("no capacitance is declared between the sides: currents are not reckoned")
    if not settled.conductance.most:
        reasons.append("no insulation is declared between the sides: good units are not reckoned")
    times = (RISE_S if rise_s is None else rise_s, settle_s or 0, dwell_s, fall_s or 0)
    farad = settled.capacitance.most
    single = len(apply_nets) + len(against_nets) < _points(demands, (*apply_nets, *against_nets))
    crowded = budgets.relays is not None and single and (
        _points(demands, (*apply_nets, *against_nets)) > budgets.relays
    )  # fmt: skip
    if crowded:
        reasons.append(f"one point of each net, as at most {budgets.relays} contacts may be closed")
    level_told = volts(cut.level_v)
    return PlannedStep(
        name=names.take(f"{kind_word(kind)} {level_told}: {side_word(demands, apply_nets)}"),
        kind=kind,
        waveform=counting[0].waveform,
        apply_nets=apply_nets,
        against_nets=against_nets,
        open_nets=open_nets,
        apply_to=_points_of(demands, apply_nets, single=crowded),
        against=_points_of(demands, against_nets, single=crowded),
        level=cut.level_v,
        ceiling=cut.wire_v,
        limits=tuple(settled.limits),
        dwell_s=dwell_s,
        rise_s=rise_s,
        fall_s=fall_s,
        settle_s=settle_s,
        frequency_hz=counting[0].frequency_hz,
        limits_during_rise=during,
        flash_over_a=min(
            (d.flash_over_a for d in counting if d.flash_over_a is not None), default=None
        ),
        capacitance_f=Decimal(f"{farad:.4g}") if farad else None,
        covers=covers,
        reasons=tuple(reasons),
        predicted_s=float(sum(times)),
        around_s=around_s(budgets.tester.relay_settle_s, _discharge_s(counting[0], budgets)),
    )


def _discharge_s(demand: PairDemand, budgets: Budgets) -> float:
    if demand.waveform is Waveform.AC:
        return 0.0
    stated = budgets.tester.discharge_s
    return DISCHARGE_S if stated is None else stated


def _covered(sides: np.ndarray[tuple[int], np.dtype[np.int64]], demand: PairDemand) -> Covered:
    told = f"{demand.origin.what}, {demand.origin.at}"
    return Covered(demand.name, pairs_opposed(demand.pairs, sides), demand.pairs.pairs, told)


def _rise(
    test: Test, rise_s: Decimal | None, budgets: Budgets, *, during: bool, reasons: list[str]
) -> Decimal | None:
    """The demanded rise, or a longer one: charging keeps within limit and tester."""
    farad = test.settled.capacitance.most
    if test.counting[0].waveform is Waveform.AC or not farad:
        return rise_s
    bounds = [
        limit.value
        for limit in test.settled.limits
        if during and limit.quantity is Measured.TOTAL_CURRENT and limit.edge is Edge.AT_MOST
    ]
    source_a = budgets.tester.charging_a(test.counting[0].kind)
    if source_a is not None:
        bounds.append(source_a)
    if not bounds:
        return rise_s
    shortest = shortest_rise_ms(test.settled, test.cut.wire_v, min(bounds))
    if shortest is None or shortest <= (RISE_S if rise_s is None else rise_s):
        return rise_s  # what the insulation alone would take is judged as a good unit's current
    reasons.append(
        f"rise of {seconds(shortest)}: charging {farads(farad)} takes, with what the insulation "
        f"conducts, no more than {amps(min(bounds))} [C·U/(I − I₀)]"
    )
    return shortest


def _floating_reasons(demands: Demands, open_nets: Sequence[int]) -> list[str]:
    found: dict[str, list[str]] = {}
    for net in open_nets:
        found.setdefault(demands.allowed.floating[net].reason, []).append(demands.nets[net].name)
    return [
        f"left open, may reach the level: {', '.join(names)} ({reason})"
        for reason, names in found.items()
    ]


def _points(demands: Demands, nets: Sequence[int]) -> int:
    return sum(len(demands.nets[net].points) for net in nets)


def _points_of(demands: Demands, nets: Sequence[int], *, single: bool) -> tuple[str, ...]:
    if single:
        return tuple(demands.nets[net].points[0] for net in nets)
    return tuple(point for net in nets for point in demands.nets[net].points)


def _ordered(demands: Demands, kind: StepKind, tests: Sequence[Test]) -> tuple[list[Test], Tour]:
    points = np.array([len(net.points) for net in demands.nets], dtype=np.int64)
    if not tests:
        return [], Tour(kind, 0, 0, 0, exact=True)
    table = distances(
        [test.cut.sides for test in tests], points, [test.cut.level_v for test in tests]
    )
    order, operations, least, exact = shortest_order(table)
    return [tests[place] for place in order], Tour(kind, len(tests), operations, least, exact)


__all__ = ["TesterLimits", "plan"]
