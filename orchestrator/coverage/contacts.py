"""Demands on contacts: bonding of parts, continuity within nets, loads; and their currents.

Points that stand together on a side are in parallel: a bad one hides behind a good one. So a step
shows a contact only where its point is alone on its side.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal

from orchestrator.coverage.fitting import why_contact_unfit
from orchestrator.coverage.report import PartCover, TooMuch
from orchestrator.coverage.steps import SeenStep
from orchestrator.model.demands import BondDemand, Demands, LoadDemand, NetDemand
from orchestrator.model.needs import ceiling_of
from orchestrator.model.words import StepKind

Contact = BondDemand | NetDemand | LoadDemand


def part_covers(demands: Demands, steps: Sequence[SeenStep]) -> Iterator[PartCover]:
    """Every demand on contacts with what isn't shown."""
    for bond in demands.bond_demands:
        yield _bonded(demands, bond, steps)
    for net in demands.net_demands:
        yield _continuous(demands, net, steps)
    for load in demands.load_demands:
        yield _loaded(demands, load, steps)


def _sorted_out(
    demands: Demands,
    demand: Contact,
    steps: Sequence[SeenStep],
    touches: Callable[[SeenStep], bool],
) -> tuple[list[SeenStep], list[str]]:
    """Steps in the right places that are fit, and why the others aren't."""
    fit: list[SeenStep] = []
    near: list[str] = []
    for step in steps:
        if not touches(step):
            continue
        why = why_contact_unfit(demand, step, demands.decision_rule)
        if why:
            near.append(f"{step.told}: {'; '.join(why)}")
        else:
            fit.append(step)
    return fit, near


def _part_of(demands: Demands, step: SeenStep) -> str | None:
    """The point that a step bonds to earth: alone on its side, only earth points on the other."""
    earth = set(demands.earth_points)
    for one, other in ((step.source, step.back), (step.back, step.source)):
        if len(one) == 1 and other and earth.issuperset(other) and one[0] not in earth:
            return one[0]
    return None


def _bonded(demands: Demands, demand: BondDemand, steps: Sequence[SeenStep]) -> PartCover:
    wanted = set(demand.parts)

    def touches(step: SeenStep) -> bool:
        return step.kind is StepKind.BONDING and _part_of(demands, step) in wanted

    fit, near = _sorted_out(demands, demand, steps, touches)
    shown = {_part_of(demands, step) for step in fit}
    lacking = [part for part in demand.parts if part not in shown]
    for step in steps:
        beside = [part for part in lacking if part in step.source or part in step.back]
        if beside and step.kind is StepKind.BONDING and not touches(step):
            near.append(
                f"{step.told}: {', '.join(beside)} not alone against earth points "
                f"({', '.join(demands.earth_points)})"
            )
    missing = tuple(f"bond of {part} to earth" for part in lacking)
    return PartCover(
        demand.name, StepKind.BONDING, demand.origin, len(demand.parts), missing,
        tuple(step.number for step in fit), tuple(near),
    )  # fmt: skip


def _within(demands: Demands, step: SeenStep) -> int | None:
    """The net within which a step goes from one point to another."""
    if len(step.source) != 1 or len(step.back) != 1:
        return None
    one, other = demands.net_of_point[step.source[0]], demands.net_of_point[step.back[0]]
    return one if one == other else None


def _continuous(demands: Demands, demand: NetDemand, steps: Sequence[SeenStep]) -> PartCover:
    wanted = set(demand.nets)
    fit, near = _sorted_out(demands, demand, steps, lambda step: _within(demands, step) in wanted)
    joined = _Joined()
    for step in fit:
        joined.join(step.source[0], step.back[0])
    missing = []
    for net in demand.nets:
        parts: dict[str, list[str]] = {}
        for point in demands.nets[net].points:
            parts.setdefault(joined.root(point), []).append(point)
        if len(parts) > 1:
            told = " | ".join(", ".join(points) for points in parts.values())
            missing.append(f"continuity within net {demands.nets[net].name} ({told})")
    return PartCover(
        demand.name, StepKind.CONTINUITY, demand.origin, len(demand.nets), tuple(missing),
        tuple(step.number for step in fit), tuple(near),
    )  # fmt: skip


class _Joined:
    """Points joined by steps (union-find)."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def root(self, point: str) -> str:
        """The point that stands for all that are joined to this one."""
        while (above := self._parent.get(point, point)) != point:
            self._parent[point] = self._parent.get(above, above)
            point = above
        return point

    def join(self, one: str, other: str) -> None:
        """Two points are one from now on."""
        self._parent[self.root(one)] = self.root(other)


def _loaded(demands: Demands, demand: LoadDemand, steps: Sequence[SeenStep]) -> PartCover:
    wanted = set(demand.nets)

    def touches(step: SeenStep) -> bool:
        if step.kind is not StepKind.CONTINUITY:
            return False
        sides = [{demands.net_of_point[p] for p in side} for side in (step.source, step.back)]
        return all(len(side) == 1 for side in sides) and sides[0] | sides[1] == wanted

    fit, near = _sorted_out(demands, demand, steps, touches)
    one, other = (demands.nets[net].name for net in demand.nets)
    missing = () if fit else (f"load {demand.name} between {one} and {other}",)
    return PartCover(
        demand.name, StepKind.CONTINUITY, demand.origin, 1, missing,
        tuple(step.number for step in fit), tuple(near),
    )  # fmt: skip


def too_much(demands: Demands, steps: Sequence[SeenStep]) -> Iterator[TooMuch]:
    """Steps whose current may pass the ceiling of every demand on what they touch.

    From one net of a load to the other, whatever the step's kind, the ceiling is 3 % above the
    load's own level; of several such ways the lowest counts, for all of the current may go there.
    """
    for step in steps:
        part, net = _part_of(demands, step), _within(demands, step)
        held: list[Decimal] = []
        if part is not None:
            held += [d.ceiling_a for d in demands.bond_demands if part in d.parts]
        if net is not None:
            held += [d.ceiling_a for d in demands.net_demands if net in d.nets]
        names: tuple[str, ...] = ()
        if not held and (ways := _through_loads(demands, step)):
            ceiling_a, names = min(ways)
            held.append(ceiling_a)
        if held and step.most > max(held):
            yield TooMuch(step.number, step.name, step.at, step.most, max(held), names)


Way = tuple[Decimal, tuple[str, ...]]
"""What a way through loads allows (A), and the loads' names."""


def _through_loads(demands: Demands, step: SeenStep) -> list[Way]:
    """By two nets on opposite sides that loads join, directly or one after another."""
    up, down = ({demands.net_of_point[p] for p in side} for side in (step.source, step.back))
    edges: dict[int, dict[int, Way]] = {}
    for load in demands.load_demands:
        ceiling_a = ceiling_of(load.level_a, None)
        one, other = load.nets
        # Of loads side by side each may be driven by what the strongest of them needs.
        before, names = edges.get(one, {}).get(other, (ceiling_a, ()))
        way = (max(before, ceiling_a), (*names, load.name))
        edges.setdefault(one, {})[other] = edges.setdefault(other, {})[one] = way
    found = []
    for net in sorted((up - down) & edges.keys()):
        reached = _ways_from(net, edges)
        found += [reached[other] for other in sorted(down - up) if other in reached]
    return found


def _ways_from(start: int, edges: Mapping[int, Mapping[int, Way]]) -> dict[int, Way]:
    """The shortest way to every other net, with the least that a load on it allows."""
    found: dict[int, Way] = {}
    waiting = deque([start])
    while waiting:
        here = waiting.popleft()
        so_far = found.get(here)
        for there, way in edges[here].items():
            if there == start or there in found:
                continue
            found[there] = way
            if so_far is not None:
                found[there] = min(so_far[0], way[0]), (*so_far[1], *way[1])
            waiting.append(there)
    return found
