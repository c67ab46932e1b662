"""Units of a product for the simulated bench: a sound one, and ones with a single fault.

A sound unit holds what the product declares, at its nominal values: points of a net joined, bonds
and loads within their limits, every declared capacitance and insulation spread over its pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations, product

from orchestrator.model.demands import Declared, Demands, Grouping, PairDemand
from orchestrator.model.words import Edge, Measured
from orchestrator.quantities import Dimension, Quantity

NetPair = tuple[int, int]
MANY_NETS = 16


def unit_text(demands: Demands, *faults: str, lost: str | None = None) -> str:
    """A sound unit with faults added. ``lost``: all leads of this point have fallen off."""
    parts = [*_conductors(demands), *_loads(demands), *_between(demands), *faults]
    text = whole = "\n".join(f"  - {part}" for part in parts)
    if lost is not None:
        text = text.replace(f"[{lost},", "[inner lost,").replace(f", {lost}]", ", inner lost]")
        assert text != whole, f"nothing of the unit ends at {lost!r}"
    return f"name: unit\nparts:\n{text}\n"


def leak(demands: Demands, pair: NetPair, ohm: Decimal) -> str:
    """A resistance between two nets."""
    return _part(_ends(demands, pair), resistance=Quantity(ohm, Dimension.RESISTANCE))


def gap(demands: Demands, pair: NetPair, volts: Decimal) -> str:
    """A gap between two nets that breaks down above a peak voltage."""
    return _part(_ends(demands, pair), breakdown=Quantity(volts, Dimension.VOLTAGE))


def _ends(demands: Demands, pair: NetPair) -> tuple[str, str]:
    """The last point of each net: a fault lies at the far end of its wire."""
    return demands.nets[pair[0]].points[-1], demands.nets[pair[1]].points[-1]


def _part(ends: tuple[str, str], **values: Quantity) -> str:
    told = ", ".join(f"{key}: {value}" for key, value in values.items())
    return f"{{between: [{ends[0]}, {ends[1]}], {told}}}"


def _join(one: str, other: str, ohm: Decimal) -> str:
    return f"{{between: [{one}, {other}], resistance: {Quantity(ohm, Dimension.RESISTANCE)}}}"


def _conductors(demands: Demands) -> Iterator[str]:
    """The wires within nets and the bonds, each at a fifth of its limit."""
    for net in demands.nets:
        asked = [d.limit(Measured.RESISTANCE, Edge.AT_MOST) for d in demands.net_demands]
        most = min((ohm for ohm in asked if ohm is not None), default=Decimal("0.1"))
        for point in net.points[1:]:
            yield _join(net.points[0], point, most / 5)
    for demand in demands.bond_demands:
        most = demand.limit(Measured.RESISTANCE, Edge.AT_MOST) or Decimal("0.1")
        for part in demand.parts:
            yield _join(demands.earth_points[0], part, most / 5)


def _loads(demands: Demands) -> Iterator[str]:
    """Each load in the middle of its limits."""
    for load in demands.load_demands:
        least = load.limit(Measured.RESISTANCE, Edge.AT_LEAST) or Decimal(0)
        most = load.limit(Measured.RESISTANCE, Edge.AT_MOST) or 3 * least
        one, other = (demands.nets[net].points[0] for net in load.nets)
        yield _join(one, other, (least + most) / 2)


def pairs_of(grouping: Grouping) -> tuple[NetPair, ...]:
    """Every pair of nets of different groups."""
    groups = combinations(grouping.groups, 2)
    return tuple((min(p), max(p)) for here, there in groups for p in product(here, there))


def _between(demands: Demands) -> Iterator[str]:
    """What is declared between nets; what counts together is spread evenly over its pairs."""
    values: dict[NetPair, dict[str, Quantity]] = {}
    stars: dict[tuple[tuple[int, ...], ...], dict[str, Quantity]] = {}
    for declared in demands.insulations:
        pairs, groups = pairs_of(declared.pairs), declared.pairs.groups
        if _alike(declared):
            part = Quantity(declared.nominal / len(groups), Dimension.RESISTANCE)
            stars.setdefault(groups, {})["resistance"] = part
            continue
        each = declared.nominal if declared.each_pair else declared.nominal * len(pairs)
        for pair in pairs:
            values.setdefault(pair, {})["resistance"] = Quantity(each, Dimension.RESISTANCE)
    for declared in demands.capacitances:
        groups = declared.pairs.groups
        if _alike(declared):
            part = Quantity(declared.nominal * len(groups), Dimension.CAPACITANCE)
            stars.setdefault(groups, {})["capacitance"] = part
            continue
        for pair, farad in _spread(declared):
            values.setdefault(pair, {})["capacitance"] = Quantity(farad, Dimension.CAPACITANCE)
    for pair, known in values.items():
        yield _part(_ends(demands, pair), **known)
    for number, (groups, known) in enumerate(stars.items()):
        for (net,) in groups:
            yield _part((demands.nets[net].points[0], f"inner star {number}"), **known)


def _alike(declared: Declared) -> bool:
    """Whether every two of many nets have the same between them.

    n nets with g between every two are the same to the outside as n times g from each to an inner
    node (star-mesh transformation, A. Rosen 1924; from memory): 64 parts instead of 2016.
    """
    groups = declared.pairs.groups
    return declared.each_pair and len(groups) >= MANY_NETS and all(len(g) == 1 for g in groups)


def _spread(declared: Declared) -> Iterator[tuple[NetPair, Decimal]]:
    pairs = pairs_of(declared.pairs)
    if declared.each_pair:
        yield from ((pair, declared.nominal) for pair in pairs)
        return
    # A unit file holds no less than 1 pF.
    held = pairs[: max(1, min(len(pairs), int(declared.nominal / Decimal("1e-12"))))]
    share = (declared.nominal / len(held)).quantize(Decimal("1e-15"))
    yield from ((pair, share) for pair in held)


# ---- faults


@dataclass(frozen=True, slots=True)
class PairFault:
    """One bad pair, just below the limit of one demand on it."""

    demand: PairDemand
    pair: NetPair
    ohm: Decimal


def leaks_of(demands: Demands) -> tuple[PairFault, ...]:
    """For every demand and every pair of it: 5 % below its limit, by Ohm's law."""
    return tuple(
        PairFault(demand, pair, (limit_ohm(demand) * Decimal("0.95")).quantize(Decimal(1000)))
        for demand in demands.pair_demands
        for pair in pairs_of(demand.pairs)
    )


def limit_ohm(demand: PairDemand) -> Decimal:
    """The least resistance of one pair that keeps a demand's limit."""
    least = demand.limit(Measured.RESISTANCE, Edge.AT_LEAST)
    if least is not None:
        return least
    most_a = demand.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST)
    assert most_a is not None
    return demand.level_v / most_a
