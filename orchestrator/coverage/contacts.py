"""Demands on contacts: bonding of parts, continuity within nets, loads; and their currents.

Points that stand together on a side are in parallel: a bad one hides behind a good one. So a step
shows a contact only where its point is alone on its side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal

from orchestrator.coverage.fitting import why_contact_unfit
from orchestrator.coverage.report import PartCover, TooMuch
from orchestrator.coverage.steps import SeenStep
from orchestrator.model.demands import BondDemand, Demands, LoadDemand, NetDemand
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

    Loads have no ceiling; nothing is said about the current through one.
    """
    for step in steps:
        part, net = _part_of(demands, step), _within(demands, step)
        held: list[Decimal] = []
        if part is not None:
            held += [d.ceiling_a for d in demands.bond_demands if part in d.parts]
        if net is not None:
            held += [d.ceiling_a for d in demands.net_demands if net in d.nets]
        if held and step.most > max(held):
            yield TooMuch(step.number, step.name, step.at, step.most, max(held))
