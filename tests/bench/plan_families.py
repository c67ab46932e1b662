"""Products of any size whose plans are measured: demands, forbidden pairs, budgets of each sort."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise

import networkx as nx

from orchestrator.model.demands import Ceiling, Declared, Demands, Floating, PairDemand
from orchestrator.model.words import StepKind
from orchestrator.planning.limits import TesterLimits
from tests.planning.products import (
    AT,
    all_pairs,
    amps_total,
    demand,
    each,
    grouping,
    of_edges,
    ohms,
    origin,
    product,
)

AC, DC, IR = StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC, StepKind.INSULATION
Classes = list[range]


@dataclass(frozen=True)
class Family:
    """A product of a family. ``exact``: its proved bound is known to be reached."""

    name: str
    demands: Demands
    exact: bool = False
    tester: TesterLimits | None = None


def families(nets: int) -> Iterator[Family]:
    """All of one size."""
    classes = [range(place * nets // 5, (place + 1) * nets // 5) for place in range(5)]
    yield Family("all pairs", all_pairs(nets), exact=True)
    yield Family("5 classes", product(nets, [demand(grouping(*classes))]), exact=True)
    wanted, never = _two_never(classes, 500, IR)
    made = product(nets, wanted, ceilings=never)
    yield Family("5 classes, 2 never opposed", made, exact=True)
    yield from _current(nets, classes)
    yield from _insulation(nets, classes)
    yield from _energy(nets, classes)
    may = {net: Floating(None, None, "built for it", AT) for net in range(nets)}
    few = max(4, 2 * nets // 5)
    for name, groups in (
        ("all pairs", [range(n, n + 1) for n in range(nets)]),
        ("5 classes", classes),
    ):
        made = product(nets, [demand(grouping(*groups))], floating=may, relays=few)
        yield Family(f"{name}, {few} contacts", made)


def _two_never(
    classes: Classes, level: int, kind: StepKind
) -> tuple[list[PairDemand], tuple[Ceiling, ...]]:
    """Five classes of which two mustn't be opposed."""
    zero, rest = Decimal(0), classes[2:]
    limits = amps_total("0.001") if kind is DC else None
    wanted = [
        demand(grouping(one, *rest), level, kind, limits, name=name)
        for name, one in (("a", classes[0]), ("b", classes[1]))
    ]
    return wanted, (Ceiling(grouping(*classes[:2]), zero, zero, origin("never_above")),)


def _current(nets: int, classes: Classes) -> Iterator[Family]:
    """Capacitive current: so that about a seventh of the nets may stand against the rest; and
    values of whole circuits together, against a tester's reach."""
    singles = [[net] for net in range(nets)]
    farad = 4.27e-8 / (1.2 * nets * nets * 6 / 49)
    stray = [each(float(f"{farad:.3g}"), *singles, tolerance=0.2)]
    for name, groups in (("all pairs", singles), ("5 classes", classes)):
        tight = demand(grouping(*groups), 500, AC, amps_total("0.005"))
        yield Family(f"{name}, current", product(nets, [tight], capacitances=stray))
    between = [
        _together(1e-9 * (1 + (3 * a + 5 * b) % 7), classes[a], classes[b])
        for a in range(5)
        for b in range(a)
    ]
    one = demand(grouping(*classes), 1500, AC, amps_total("0.1"))
    made = product(nets, [one], capacitances=between)
    reach = TesterLimits(total_current_a=Decimal("0.0115"))
    yield Family("5 circuits, tester's current", made, tester=reach)


def _together(farad: float, *groups: range) -> Declared:
    return replace(each(farad, *groups, tolerance=0.2), each_pair=False)


def _insulation(nets: int, classes: Classes) -> Iterator[Family]:
    """Parallel insulation whose tolerance would mask a bad pair: so that a third of the pairs of
    two halves may be opposed."""
    singles = [[net] for net in range(nets)]
    value = float(f"{1e7 * nets * nets / 12:.3g}")
    cases = (
        ("all pairs, masking", singles, singles),
        ("5 classes, masking", classes, singles),
        ("5 classes, masking between them", classes, classes),
        ("unequal classes, masking", unequal(nets), singles),
    )
    for name, groups, typical in cases:
        one = demand(grouping(*groups), 500, IR, ohms("1e7"))
        stray = [each(value, *typical, tolerance=0.3)]
        yield Family(name, product(nets, [one], insulations=stray))


def unequal(nets: int) -> Classes:
    """A half, a quarter, an eighth, and two small ones."""
    ends = [0, nets // 2, 3 * nets // 4, 7 * nets // 8, 19 * nets // 20, nets]
    return [range(a, b) for a, b in pairwise(ends)]


def _energy(nets: int, classes: Classes) -> Iterator[Family]:
    """Stored energy at 2 kV: so that four tenths of the pairs of two halves may be opposed."""
    singles = [[net] for net in range(nets)]
    farad = float(f"{2 * 0.35 / 2000**2 / (nets * nets / 4) * 2.5:.3g}")
    cases = (
        ("all pairs, energy", singles),
        ("5 classes, energy", classes),
        ("unequal classes, energy", unequal(nets)),
    )
    for name, groups in cases:
        one = demand(grouping(*groups), 2000, DC, amps_total("0.001"))
        yield Family(name, product(nets, [one], capacitances=[each(farad, *groups)]))
    wanted, never = _two_never(classes, 2000, DC)
    made = product(nets, wanted, capacitances=[each(farad, *singles)], ceilings=never)
    yield Family("5 classes, 2 never opposed, energy", made)


def graphs(nets: int) -> Iterator[Family]:
    """Demand graphs without budgets, random ones and some of known colours."""
    for share in (0.1, 0.5):
        graph = nx.gnp_random_graph(nets, share, seed=1)
        yield Family(f"random graph, {share:.0%} of pairs", of_edges(nets, graph.edges))
    for name, graph in (("myciel6", nx.mycielski_graph(7)), ("petersen", nx.petersen_graph())):
        yield Family(name, of_edges(len(graph), graph.edges), exact=True)
