"""Continuity, load and bonding steps: one for each contact."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from orchestrator.formulas.durations import around_s
from orchestrator.model.demands import BondDemand, Demands, LoadDemand, NetDemand
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, StepKind, Waveform
from orchestrator.planning.limits import TesterLimits
from orchestrator.planning.naming import Names
from orchestrator.planning.plan import Covered, PlannedStep

RISE_S = Decimal("0.1")
"""Reckoned with where no rise is demanded: what binding takes then (common practice, no source)."""

_Contact = NetDemand | LoadDemand | BondDemand


def contact_steps(demands: Demands, names: Names, tester: TesterLimits) -> list[PlannedStep]:
    """All of them, continuity first."""
    return [
        *_continuity(demands, names, tester),
        *_loads(demands, names, tester),
        *_bonding(demands, names, tester),
    ]


def _continuity(demands: Demands, names: Names, tester: TesterLimits) -> Iterator[PlannedStep]:
    """From the first point of a net to each other; demands of one level share a step."""
    by_level: dict[tuple[int, Decimal], list[NetDemand]] = {}
    for demand in demands.net_demands:
        for net in demand.nets:
            by_level.setdefault((net, demand.level_a), []).append(demand)
    for (net, _), sharing in sorted(by_level.items(), key=lambda item: item[0]):
        first, *others = demands.nets[net].points
        for point in others:
            covers = tuple(
                Covered(d.name, 1, _contacts(demands, d), f"{d.origin.what}, {d.origin.at}")
                for d in sharing
            )
            yield _step(
                names.take(f"continuity {demands.nets[net].name}: {point}"),
                StepKind.CONTINUITY,
                sharing,
                (net, net),
                (first, point),
                covers=covers,
                tester=tester,
                level_a=sharing[0].level_a,
                ceiling_a=min(d.ceiling_a for d in sharing),
            )


def _contacts(demands: Demands, demand: NetDemand) -> int:
    return sum(len(demands.nets[net].points) - 1 for net in demand.nets)


def _loads(demands: Demands, names: Names, tester: TesterLimits) -> Iterator[PlannedStep]:
    for load in demands.load_demands:
        ends = tuple(demands.nets[net].points[0] for net in load.nets)
        covers = (Covered(load.name, 1, 1, f"{load.origin.what}, {load.origin.at}"),)
        yield _step(
            names.take(f"continuity through {load.name}"),
            StepKind.CONTINUITY,
            (load,),
            load.nets,
            (ends[0], ends[1]),
            covers=covers,
            tester=tester,
            level_a=load.level_a,
            ceiling_a=load.level_a * Decimal("1.03"),
        )


def _bonding(demands: Demands, names: Names, tester: TesterLimits) -> Iterator[PlannedStep]:
    """Each part against the first earth point."""
    if demands.earth_net is None:
        return
    for demand in demands.bond_demands:
        for part in demand.parts:
            covers = (
                Covered(
                    demand.name, 1, len(demand.parts), f"{demand.origin.what}, {demand.origin.at}"
                ),
            )
            nets = (demands.net_of_point[part], demands.earth_net)
            yield _step(
                names.take(f"bonding {part}"),
                StepKind.BONDING,
                (demand,),
                nets,
                (part, demands.earth_points[0]),
                covers=covers,
                tester=tester,
                level_a=demand.level_a,
                ceiling_a=demand.ceiling_a,
                waveform=demand.waveform,
                frequency_hz=demand.frequency_hz,
            )


def _step(
    name: str,
    kind: StepKind,
    sharing: Sequence[_Contact],
    nets: tuple[int, int],
    points: tuple[str, str],
    *,
    covers: tuple[Covered, ...],
    tester: TesterLimits,
    level_a: Decimal,
    ceiling_a: Decimal,
    waveform: Waveform = Waveform.DC,
    frequency_hz: Decimal | None = None,
) -> PlannedStep:
    rise_s, dwell_s, fall_s = longest(sharing)
    times = (RISE_S if rise_s is None else rise_s, dwell_s, fall_s or Decimal(0))
    return PlannedStep(
        name=name,
        kind=kind,
        waveform=waveform,
        apply_nets=(nets[0],),
        against_nets=(nets[1],),
        open_nets=(),
        apply_to=(points[0],),
        against=(points[1],),
        level=level_a,
        ceiling=ceiling_a,
        limits=strictest(limit for demand in sharing for limit in demand.limits),
        dwell_s=dwell_s,
        rise_s=rise_s,
        fall_s=fall_s,
        settle_s=None,
        frequency_hz=frequency_hz,
        limits_during_rise=False,
        flash_over_a=None,
        capacitance_f=None,
        covers=covers,
        reasons=("limits as demanded of one contact",),
        predicted_s=float(sum(times)),
        around_s=around_s(tester.relay_settle_s, 0.0),
    )


def strictest(limits: Iterable[LimitOrder]) -> tuple[LimitOrder, ...]:
    """One limit for each quantity and edge."""
    found: dict[tuple[str, str], LimitOrder] = {}
    for limit in limits:
        key = (limit.quantity, limit.edge)
        other = found.get(key)
        upper = limit.edge is Edge.AT_MOST
        if other is None or (limit.value < other.value if upper else limit.value > other.value):
            found[key] = limit
    return tuple(found.values())


def longest(
    sharing: Sequence[_Contact],
) -> tuple[Decimal | None, Decimal, Decimal | None]:
    """Rise, dwell and fall that suit all: the longest of each."""
    rises = [d.rise_s for d in sharing if d.rise_s is not None]
    falls = [d.fall_s for d in sharing if d.fall_s is not None]
    return max(rises, default=None), max(d.dwell_s for d in sharing), max(falls, default=None)
