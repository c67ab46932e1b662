"""Products for tests of planning, built without a file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal

from orchestrator.errors import Position
from orchestrator.model.demands import (
    Allowed,
    Ceiling,
    Declared,
    Demands,
    Floating,
    Grouping,
    Net,
    Origin,
    PairDemand,
)
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, StepKind

AT = Position("built.yaml", 1, 1)
HIGH = Decimal(100_000)


def origin(what: str) -> Origin:
    return Origin(what, AT)


def grouping(*groups: Iterable[int]) -> Grouping:
    return Grouping(tuple(tuple(group) for group in groups))


def ohms(value: str = "1000000") -> tuple[LimitOrder, ...]:
    return (LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, Decimal(value)),)


def amps_total(value: str) -> tuple[LimitOrder, ...]:
    return (LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal(value)),)


def demand(
    pairs: Grouping,
    level: int = 500,
    kind: StepKind = StepKind.INSULATION,
    limits: tuple[LimitOrder, ...] | None = None,
    ceiling: Decimal | None = None,
    name: str | None = None,
) -> PairDemand:
    told = name or f"{kind} {level}"
    return PairDemand(
        name=told,
        origin=origin(f"demand {told}"),
        limits=ohms() if limits is None else limits,
        rise_s=Decimal(1),
        dwell_s=Decimal(1),
        fall_s=Decimal(1),
        kind=kind,
        pairs=pairs,
        level_v=Decimal(level),
        ceiling_v=Decimal(level) if ceiling is None else ceiling,
        frequency_hz=Decimal(50) if kind is StepKind.WITHSTAND_AC else None,
    )


def never(*pairs: tuple[int, int]) -> tuple[Ceiling, ...]:
    zero = Decimal(0)
    return tuple(Ceiling(grouping([a], [b]), zero, zero, origin("never_above")) for a, b in pairs)


def may_see(*pairs: tuple[int, int]) -> tuple[Ceiling, ...]:
    """Declared to stand anything; with ``undeclared=None`` all other pairs stand nothing."""
    return tuple(Ceiling(grouping([a], [b]), HIGH, HIGH, origin("never_above")) for a, b in pairs)


def each(value: float, *groups: Iterable[int], tolerance: float = 0.0) -> Declared:
    nominal = Decimal(repr(value))
    share = Decimal(repr(tolerance))
    least, most = nominal * (1 - share), nominal * (1 + share)
    return Declared(grouping(*groups), least, nominal, most, True, origin("declared"))


def product(
    nets: int,
    demands: Sequence[PairDemand],
    *,
    ceilings: Sequence[Ceiling] = (),
    capacitances: Sequence[Declared] = (),
    insulations: Sequence[Declared] = (),
    undeclared: Decimal | None = HIGH,
    floating: Mapping[int, Floating] | None = None,
    bodies: Sequence[tuple[int, ...]] | None = None,
    energy_j: str = "0.35",
    relays: int | None = None,
    points: Mapping[int, tuple[str, ...]] | None = None,
    unproved: bool = True,
) -> Demands:
    """Nets n0, n1, … with one point each; every pair may see anything unless said otherwise."""
    names = [(points or {}).get(n, (f"p{n}",)) for n in range(nets)]
    joined = list(bodies or ())
    taken = {net for body in joined for net in body}
    joined += [(net,) for net in range(nets) if net not in taken]
    body_of = {net: place for place, body in enumerate(joined) for net in body}
    reasons = {p: "seen by the operator" for some in names for p in some} if unproved else {}
    return Demands(
        product="built",
        revision="1",
        file="built.yaml",
        sha256="0" * 64,
        nets=tuple(Net(n, f"n{n}", names[n], None, AT) for n in range(nets)),
        circuits=(),
        earth_net=None,
        earth_points=(),
        accessible_parts=(),
        earthed=frozenset(),
        bodies=tuple(joined),
        body_of=tuple(body_of[net] for net in range(nets)),
        pair_demands=tuple(demands),
        net_demands=(),
        load_demands=(),
        bond_demands=(),
        ceilings=tuple(ceilings),
        capacitances=tuple(capacitances),
        insulations=tuple(insulations),
        allowed=Allowed(
            floating=dict(floating or {}),
            undeclared_ac_v=undeclared,
            undeclared_dc_v=undeclared,
            undeclared_reason=None if undeclared is None else "built for it",
            unproved_contact=reasons,
            runs_per_serial=3,
            extra_insulation=100,
            extra_withstand=0,
            search_level_v=None,
            stored_energy_at_most_j=Decimal(energy_j),
            relays_at_most=relays,
        ),
    )


def of_edges(nets: int, edges: Iterable[tuple[int, int]], **more: object) -> Demands:
    """A demand graph: one demand for each edge."""
    demands = [demand(grouping([a], [b]), name=f"{a}-{b}") for a, b in edges]
    return product(nets, demands, **more)  # type: ignore[arg-type]


def all_pairs(nets: int, **more: object) -> Demands:
    one = demand(grouping(*([n] for n in range(nets))))
    return product(nets, [one], **more)  # type: ignore[arg-type]
