"""What the empty fixture contributes to a step's reading, and how that moves the step's limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from orchestrator.binding.context import Candidate
from orchestrator.errors import Fault
from orchestrator.formulas.guard import Rule
from orchestrator.formulas.reading_limits import (
    beside_a,
    beside_insulation_ohm,
    beside_total_a,
    in_series_ohm,
)
from orchestrator.model.abilities import Accuracy
from orchestrator.model.amounts import hertz, volts
from orchestrator.model.fixture import Offset
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, Waveform


class TakeOutRefused(Exception):
    """Nothing can be taken out of this step's reading."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(str(fault))
        self.fault = fault


@dataclass(frozen=True, slots=True)
class _Share:
    """What one offset contributes, as measured and at the ends of the tester's accuracy:
    ohm in series for contacts, else A beside the object."""

    measured: Decimal
    least: Decimal
    most: Decimal


@dataclass(frozen=True, slots=True)
class Offsets:
    """The shares that count in one step.

    Attributes:
        told: where they are from, a sentence each.
    """

    order: StepOrder
    shares: tuple[_Share, ...]
    told: tuple[str, ...]
    accuracy: dict[Measured, Accuracy]

    def moved(self, limit: LimitOrder, rule: Rule) -> Decimal:
        """The limit for a reading that holds the shares.

        Guarded, the shares count as what leaves the limit stricter, whatever the tester errs by.
        """
        return self._with(limit.quantity, limit.edge, limit.value, self._values(limit, rule))

    def _values(self, limit: LimitOrder, rule: Rule) -> tuple[Decimal, ...]:
        if rule is Rule.SIMPLE:
            return tuple(share.measured for share in self.shares)
        insulation = limit.quantity is Measured.RESISTANCE and not self._in_series
        little = (limit.edge is Edge.AT_LEAST) if insulation else (limit.edge is Edge.AT_MOST)
        return tuple(share.least if little else share.most for share in self.shares)

    @property
    def _in_series(self) -> bool:
        return self.order.kind in CONTACT_KINDS

    def _with(
        self, quantity: Measured, edge: Edge, limit: Decimal, values: tuple[Decimal, ...]
    ) -> Decimal:
        if self._in_series:
            return in_series_ohm(limit, values[0])
        if quantity is Measured.RESISTANCE:
            return beside_insulation_ohm(limit, values, self.order.level)
        if self.order.waveform is Waveform.DC:
            return beside_a(limit, values)
        if quantity is Measured.TOTAL_CURRENT:
            return beside_total_a(limit, values, edge)
        # Of an AC share only the total is known: in phase it may be nothing, or all.
        return limit if edge is Edge.AT_MOST else beside_a(limit, values)

    @property
    def plausible(self) -> tuple[LimitOrder, ...]:
        """What any reading keeps that holds the shares at all; nothing of the object is needed."""
        found = []
        leasts = tuple(share.least for share in self.shares)
        for quantity in dict.fromkeys(limit.quantity for limit in self.order.limits):
            stated = self.accuracy[quantity]
            share = stated.percent / 100
            if quantity is Measured.RESISTANCE and not self._in_series:
                total_a = sum(leasts)
                if total_a > 0:
                    most = self.order.level / total_a * (1 + share) + stated.plus
                    found.append(LimitOrder(quantity, Edge.AT_MOST, most))
                continue
            if quantity is Measured.IN_PHASE_CURRENT and self.order.waveform is Waveform.AC:
                continue
            # Shares at right angles to each other make the least total.
            total = self._with(quantity, Edge.AT_MOST, Decimal(0), leasts)
            least = total * (1 - share) - stated.plus
            if least > 0:
                found.append(LimitOrder(quantity, Edge.AT_LEAST, least))
        return tuple(found)


def offsets_of(chosen: Candidate, order: StepOrder) -> Offsets:
    """The offsets that count in a step.

    Raises:
        TakeOutRefused: the fixture has none that fits.
    """
    in_series = order.kind in CONTACT_KINDS
    fitting = list(_across(chosen)) if in_series else list(_measured_so(chosen, order))
    if not fitting or (in_series and not _single(chosen)):
        raise TakeOutRefused(_nothing(chosen, order, in_series=in_series))
    stated = dict(chosen.ability.accuracy)
    shares = tuple(_share(offset, order, stated) for offset in fitting)
    told = tuple(
        f"The empty fixture has {offset.resistance if in_series else offset.current} on "
        f"{' – '.join(offset.between)} [fixture, measured {offset.measured}]."
        for offset in fitting
    )
    return Offsets(order, shares, told, stated)


def _share(offset: Offset, order: StepOrder, stated: dict[Measured, Accuracy]) -> _Share:
    if order.kind in CONTACT_KINDS:
        ohm = Decimal(0) if offset.resistance is None else offset.resistance.value
        return _Share(ohm, *_widened(ohm, stated[Measured.RESISTANCE]))
    ampere = Decimal(0) if offset.current is None else offset.current.value
    if ampere and order.limits[0].quantity is Measured.RESISTANCE:
        least_ohm, most_ohm = _widened(order.level / ampere, stated[Measured.RESISTANCE])
        most_a = order.level / least_ohm if least_ohm else Decimal("Infinity")
        return _Share(ampere, order.level / most_ohm, most_a)
    quantity = order.limits[0].quantity
    of = Measured.TOTAL_CURRENT if Measured.TOTAL_CURRENT in stated else quantity
    return _Share(ampere, *_widened(ampere, stated[of]))


def _widened(value: Decimal, stated: Accuracy) -> tuple[Decimal, Decimal]:
    """Least and most that is true where a tester of this accuracy reads a value."""
    share = stated.percent / 100
    least = max(Decimal(0), (value - stated.plus) / (1 + share))
    return least, (value + stated.plus) / (1 - share) if share < 1 else Decimal("Infinity")


def _single(chosen: Candidate) -> bool:
    task = chosen.task
    return len(task.step.apply_to) == 1 and len((*task.step.against, *task.others)) == 1


def _between_sides(chosen: Candidate) -> Iterator[Offset]:
    task = chosen.task
    source, other = set(task.step.apply_to), {*task.step.against, *task.others}
    for offset in task.context.fixture.model.offsets:
        one, two = offset.between
        if (one in source and two in other) or (two in source and one in other):
            yield offset


def _across(chosen: Candidate) -> Iterator[Offset]:
    return (offset for offset in _between_sides(chosen) if offset.resistance is not None)


def _measured_so(chosen: Candidate, order: StepOrder) -> Iterator[Offset]:
    """Currents that were measured at the step's own level and frequency."""
    wanted = order.frequency if order.waveform is Waveform.AC else None
    for offset in _between_sides(chosen):
        if offset.current is None or offset.level is None or offset.level.value != order.level:
            continue
        at = None if offset.frequency is None else offset.frequency.value
        if at == wanted:
            yield offset


def _nothing(chosen: Candidate, order: StepOrder, *, in_series: bool) -> Fault:
    task = chosen.task
    what, at = f"{task.what}, take_out", task.at("take_out")
    if in_series and not _single(chosen):
        return Fault(
            what,
            "several points on a side",
            "one point on each side: an offset is that of one path",
            "write one step for each point, or leave take_out out",
            at,
        )
    if in_series:
        path = f"{task.step.apply_to[0]!r} and {(*task.step.against, *task.others)[0]!r}"
        found = f"no offset with a resistance between {path} in the fixture"
        remedy = "measure the empty fixture and write its offset, or leave take_out out"
        return Fault(what, found, "what the empty fixture has on that path", remedy, at)
    form = volts(order.level)
    form += f" AC {hertz(order.frequency)}" if order.frequency else " DC"
    found = f"no offset with a current measured at {form} between the two sides in the fixture"
    remedy = (
        "measure the empty fixture at the step's level and write offsets with current, level"
        f"{' and frequency' if order.frequency else ''}, or leave take_out out"
    )
    return Fault(what, found, "what the empty fixture draws then", remedy, at)
