"""What a station's testers and matrices can do, as planning needs it."""

from __future__ import annotations

from decimal import Decimal

from orchestrator.assembly.plan import StationPlan
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused
from orchestrator.fault_words import counted
from orchestrator.model.abilities import KindAbility
from orchestrator.model.demands import Demands
from orchestrator.model.fixture import Fixture
from orchestrator.model.words import Edge, Measured, StepKind
from orchestrator.planning.tester import TesterLimits

MOST_NAMED = 8


def planning_limits(plan: StationPlan) -> TesterLimits:
    """The figures of the tester that binding tries first for each kind: the first that has it.

    ``relays_at_most`` is the sum of what banks that state a most may close, where all of them do;
    whether a step's contacts spread over the banks that way is told by binding.
    """
    kinds: dict[StepKind, KindAbility] = {}
    for built in plan.testers.values():
        for kind, ability in built.adapter.abilities.kinds.items():
            kinds.setdefault(kind, ability)
    own = (chain.abilities.settle_s for chain in plan.chains.values())
    settle_s = max((plan.station.relay_settle.value, *own)) if plan.chains else 0
    return TesterLimits(
        total_current_a=_current_a(kinds.get(StepKind.WITHSTAND_AC)),
        dc_current_a=_current_a(kinds.get(StepKind.WITHSTAND_DC)),
        insulation_current_a=_current_a(kinds.get(StepKind.INSULATION)),
        relays_at_most=_relays(plan),
        relay_settle_s=float(settle_s),
        accuracy={kind: dict(ability.accuracy) for kind, ability in kinds.items()},
    )


def _current_a(ability: KindAbility | None) -> Decimal | None:
    """The most (A) that is driven and can be judged."""
    if ability is None:
        return None
    span = ability.limits.get((Measured.TOTAL_CURRENT, Edge.AT_MOST))
    ends = [ability.source_current_a, None if span is None else span.most]
    return min((end for end in ends if end is not None), default=None)


def _relays(plan: StationPlan) -> int | None:
    total = 0
    for name, chain in plan.chains.items():
        units = len(plan.station.chains[name].units)
        for bank in chain.abilities.banks.values():
            if bank.most_closed is None:
                return None
            total += bank.most_closed * units
    return total or None


def check_points(demands: Demands, fixture: Document[Fixture]) -> None:
    """Every point of a product has its place in a fixture.

    Raises:
        Refused: with all that have none, in one fault; by steps they would be told over and over.
    """
    missing = [
        (point, net.at)
        for net in demands.nets
        for point in net.points
        if point not in fixture.model.points
    ]
    if not missing:
        return
    names = ", ".join(repr(point) for point, _ in missing[:MOST_NAMED])
    more = len(missing) - MOST_NAMED
    found = f"{counted(len(missing), 'point')} without a place: {names}"
    found += f" and {more} more" if more > 0 else ""
    expected = f"each point of the product among those of fixture {fixture.model.name!r}"
    remedy = "add them to the fixture, correct their names, or name another fixture"
    raise Refused((Fault(f"product {demands.product!r}", found, expected, remedy, missing[0][1]),))
