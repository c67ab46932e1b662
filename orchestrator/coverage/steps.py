"""A program's steps as the product's nets see them: who stands on which side, at which level."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from orchestrator.documents import Document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.fault_words import nearest
from orchestrator.model.demands import Demands
from orchestrator.model.needs import ceiling_of, limits_of, seconds_of
from orchestrator.model.program import (
    BondingStep,
    DecisionRule,
    InsulationStep,
    Locate,
    Program,
    Step,
    WithstandAcStep,
    WithstandDcStep,
)
from orchestrator.model.schedule import BoundStep, LimitOrder, Schedule, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

Sides = NDArray[np.int8]
"""By net: `SOURCE`, `RETURN` or `OPEN`."""

SOURCE, RETURN, OPEN = 1, -1, 0


@dataclass(frozen=True, eq=False)
class SeenStep:
    """One step. ``number`` counts from 1, as people do.

    ``least``, ``most``: the level (V or A) that is certainly reached, and the most that the wire
    may carry; the same where a schedule says what the wire carries.
    ``source``, ``back``: points on the two sides, those of ``others: against`` included.
    """

    number: int
    name: str
    kind: StepKind
    waveform: Waveform
    at: Position
    least: Decimal
    most: Decimal
    dwell_s: Decimal
    limits: tuple[LimitOrder, ...]
    frequency_hz: Decimal | None
    source: tuple[str, ...]
    back: tuple[str, ...]
    decision_rule: DecisionRule

    def limit(self, quantity: Measured, edge: Edge) -> Decimal | None:
        """One limit, or None."""
        for limit in self.limits:
            if limit.quantity is quantity and limit.edge is edge:
                return limit.value
        return None

    @property
    def told(self) -> str:
        """'step 3 (withstand)'."""
        return f"step {self.number} ({self.name})"


@dataclass(frozen=True, slots=True)
class SearchSeen:
    """How a step's faulty pair is searched for: DC level (V) and the most that the wire may carry.

    ``floating``: whether it may leave points of the step open. ``exposures``: of a pair, at most.
    """

    level_v: Decimal
    most_v: Decimal
    floating: bool
    exposures: int


@dataclass(frozen=True, eq=False)
class VoltageStep(SeenStep):
    """Insulation or withstand.

    ``driven``: sides of nets that are contacted. ``carried``: with the nets that the product
    joins to them. ``shorted``: a net on both sides (named twice), or two joined nets on opposite
    sides; such a step covers nothing.
    """

    settle_s: Decimal
    limits_during_rise: bool
    flash_over_a: Decimal | None
    driven: Sides
    carried: Sides
    shorted: tuple[tuple[int, int], ...]
    proving: tuple[str, ...]
    reason: str | None
    search: SearchSeen | None

    @cached_property
    def sound(self) -> bool:
        """Whether it can cover anything: both sides there and nothing shorted."""
        return not self.shorted and bool((self.driven > 0).any() and (self.driven < 0).any())


@dataclass(frozen=True, eq=False)
class Seen:
    """All steps, apart by what they can show."""

    voltage: tuple[VoltageStep, ...]
    contact: tuple[SeenStep, ...]

    @cached_property
    def sound(self) -> tuple[VoltageStep, ...]:
        """The voltage steps that can cover pairs."""
        return tuple(step for step in self.voltage if step.sound)

    @cached_property
    def contact_named(self) -> Mapping[str, SeenStep]:
        """Bonding and continuity steps by name."""
        return {step.name: step for step in self.contact}


def see(demands: Demands, program: Document[Program], wire: Schedule | None) -> Seen:
    """Read a program against a product's nets.

    Raises:
        Refused: a point is in no net of the product; every one is told.
        ValueError: the schedule is of another program.
    """
    bound = _bound(program.model, wire)
    board = _Board(demands)
    faults = [
        fault
        for index, step in enumerate(program.model.steps)
        for fault in _unknown(demands, program, index, step, bound.get(index))
    ]
    if faults:
        raise Refused(faults)
    voltage: list[VoltageStep] = []
    contact: list[SeenStep] = []
    for index, step in enumerate(program.model.steps):
        seen = _seen(board, program, index, step, bound.get(index))
        if isinstance(seen, VoltageStep):
            voltage.append(seen)
        else:
            contact.append(seen)
    return Seen(tuple(voltage), tuple(contact))


def _bound(program: Program, wire: Schedule | None) -> dict[int, BoundStep]:
    if wire is None:
        return {}
    found = {step.index: step for step in wire.steps}
    if [found[i].name for i in sorted(found)] != [step.name for step in program.steps]:
        raise ValueError("the schedule is of another program")
    return found


def _unknown(
    demands: Demands,
    program: Document[Program],
    index: int,
    step: Step,
    bound: BoundStep | None,
) -> Iterator[Fault]:
    known = demands.net_of_point
    what, expected = f"step {index + 1} ({step.name}), point", "a point of a net of the product"
    for key, points in (("apply_to", step.apply_to), ("against", step.against)):
        for place, point in enumerate(points):
            if point not in known:
                near = nearest(point, known)
                remedy = f"did you mean {near!r}?" if near else "add it to a net of the product"
                at = program.locate("steps", index, key, place)
                yield Fault(what, repr(point), expected, remedy, at)
    for point in () if bound is None else bound.others:
        if point not in known:
            found = f"{point!r} of the fixture, put to the return side by others: against"
            remedy = "add it to a net of the product, or take it out of the fixture"
            yield Fault(what, found, expected, remedy, program.locate("steps", index, "others"))


class _Board:
    """Points to nets and sides, by arrays."""

    def __init__(self, demands: Demands) -> None:
        self.demands = demands
        self.count = len(demands.nets)
        self.points_of = np.array([len(net.points) for net in demands.nets])
        self.all_points = tuple(demands.net_of_point)
        self.body_of = np.array(demands.body_of, dtype=np.int64)

    def _counted(self, points: Sequence[str]) -> NDArray[np.int64]:
        of = self.demands.net_of_point
        nets = np.fromiter((of[point] for point in points), np.int64, len(points))
        return np.bincount(nets, minlength=self.count)

    def sides(
        self, source: Sequence[str], back: Sequence[str]
    ) -> tuple[Sides, Sides, tuple[tuple[int, int], ...]]:
        """Driven, carried, shorted."""
        up, down = self._counted(source) > 0, self._counted(back) > 0
        both = up & down
        driven = (up.astype(np.int8) - down.astype(np.int8)).astype(np.int8)
        bodies = len(self.demands.bodies)
        up_body = np.bincount(self.body_of, weights=driven > 0, minlength=bodies) > 0
        down_body = np.bincount(self.body_of, weights=driven < 0, minlength=bodies) > 0
        side = np.where(up_body & down_body, 0, up_body.astype(np.int8) - down_body)
        carried = np.where((driven == 0) & ~both, side[self.body_of], driven).astype(np.int8)
        shorted = [(int(net), int(net)) for net in np.flatnonzero(both)]
        for body in np.flatnonzero(up_body & down_body):
            nets = self.demands.bodies[body]
            one = next(net for net in nets if driven[net] > 0)
            shorted.append((one, next(net for net in nets if driven[net] < 0)))
        return driven, carried, tuple(shorted)


def _order(step: Step) -> StepOrder:
    """What the program asks, where there is no schedule."""
    waveform = Waveform.DC
    if isinstance(step, BondingStep):
        waveform = step.waveform
    elif isinstance(step, WithstandAcStep):
        waveform = Waveform.AC
    hertz = step.frequency if isinstance(step, BondingStep | WithstandAcStep) else None
    flash = step.flash_over if isinstance(step, WithstandAcStep | WithstandDcStep) else None
    return StepOrder(
        kind=step.kind,
        level=step.level.value,
        waveform=waveform,
        dwell=step.dwell.value,
        frequency=None if hertz is None else hertz.value,
        limits=limits_of(step.accept),
        limits_during_rise=step.limits_during_rise,
        flash_over=None if flash is None else flash.value,
        settle=seconds_of(step.settle),
    )


def _seen(
    board: _Board, program: Document[Program], index: int, step: Step, bound: BoundStep | None
) -> SeenStep:
    order = _order(step) if bound is None else bound.order
    back = step.against
    if bound is not None:
        back = (*bound.against, *bound.others)
    elif step.others == "against":
        named = {*step.apply_to, *step.against}
        back = (*step.against, *(point for point in board.all_points if point not in named))
    most = ceiling_of(step.level.value, step.level_ceiling) if bound is None else order.level
    common = SeenStep(
        number=index + 1,
        name=step.name,
        kind=step.kind,
        waveform=order.waveform,
        at=program.locate("steps", index),
        least=order.level,
        most=max(most, order.level),
        dwell_s=order.dwell,
        # Of a reading that holds the fixture's share only the specified limits are the product's.
        limits=bound.asked.limits if bound is not None and bound.taken_out else order.limits,
        frequency_hz=order.frequency,
        source=step.apply_to,
        back=back,
        decision_rule=step.decision_rule,
    )
    if not isinstance(step, InsulationStep | WithstandAcStep | WithstandDcStep):
        return common
    driven, carried, shorted = board.sides(step.apply_to, back)
    return VoltageStep(
        **vars(common),
        settle_s=order.settle or Decimal(0),
        limits_during_rise=order.limits_during_rise,
        flash_over_a=order.flash_over,
        driven=driven,
        carried=carried,
        shorted=shorted,
        proving=step.prove_contact,
        reason=step.unproved_contact,
        search=None if step.locate is None else _search(step.locate),
    )


def _search(locate: Locate) -> SearchSeen:
    most = ceiling_of(locate.level.value, locate.level_ceiling)
    floating = locate.floating is not None
    return SearchSeen(locate.level.value, most, floating, locate.exposures_at_most)
