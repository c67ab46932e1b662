"""What a batch must keep just before it is run, whatever binding said of it.

Written apart from binding on purpose (each safety rule stands three times): it looks at the bound
figures and the instruments' abilities alone, not at files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from decimal import Decimal

from orchestrator.model.abilities import KindAbility, Rating
from orchestrator.model.schedule import Batch, Contact, StepOrder
from orchestrator.model.words import HIGH_VOLTAGE_KINDS, Role, Waveform
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import RunState

BIND_AGAIN = "don't change a schedule by hand: bind the program again and run what comes of it"
PEAK = Decimal("1.4142")
"""Peak of a sine per rms; sources of a higher crest factor are judged at binding."""


class UnsafeSchedule(Trip):
    """A batch that must not be run as it is. Nothing was moved or energised for it."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason, BIND_AGAIN)


def require_safe(run: RunState, batch: Batch) -> None:
    """Raise UnsafeSchedule unless the batch keeps ranges, ratings, one role per channel and has an
    interlock input where it is hazardous."""
    if not run.rack.interlock.inputs and any(step.hazardous for step in batch.steps):
        raise UnsafeSchedule("a hazardous step, and no interlock input at this station")
    for problem in _problems(run, batch):
        raise UnsafeSchedule(problem)


def _problems(run: RunState, batch: Batch) -> Iterator[str]:
    places = Counter((c.chain, c.unit, c.bank, c.channel) for c in batch.route.contacts)
    for place, count in places.items():
        if count > 1:
            yield f"channel {'/'.join(map(str, place))} is to be closed in two roles"
    abilities = run.rack.testers[batch.tester].adapter.abilities
    for step in batch.steps:
        order, what = step.order, f"step {step.name!r}"
        kind = abilities.kinds.get(order.kind)
        if kind is None:
            yield f"{what}: tester {batch.tester!r} can't do {order.kind}"
            continue
        yield from _out_of_range(order, kind, what)
        contacts = step.route.contacts | batch.route.contacts
        ratings = {c: _rating(run, c) for c in contacts}
        if order.kind in HIGH_VOLTAGE_KINDS:
            weak = sorted(c for c, rating in ratings.items() if _over(order, rating))
        else:
            weak = _too_thin(order, ratings)
        if weak:
            name = f"{weak[0].unit}/{weak[0].bank}/{weak[0].channel}"
            yield f"{what}: contact {name} isn't rated for {order.level:f}"


def _rating(run: RunState, contact: Contact) -> Rating | None:
    bank = run.rack.chains[contact.chain].abilities.banks.get(contact.bank)
    return None if bank is None else bank.rating


def _out_of_range(order: StepOrder, kind: KindAbility, what: str) -> Iterator[str]:
    if order.level not in kind.level:
        most = f"{kind.level.least:f} to {kind.level.most:f}"
        yield f"{what}: level {order.level:f}, the tester does {most}"
    if order.dwell <= 0 or order.dwell == kind.indefinite_dwell_s:
        yield f"{what}: a dwell of {order.dwell:f} s would last until it is stopped"
    elif order.dwell not in kind.dwell:
        yield f"{what}: dwell {order.dwell:f} s, the tester does up to {kind.dwell.most:f} s"


def _over(order: StepOrder, rating: Rating | None) -> bool:
    """Whether a closed contact isn't rated for the level; a rating not stated is none."""
    if rating is None:
        return True
    if order.waveform is Waveform.DC:
        return rating.dc_v is None or order.level > rating.dc_v
    if rating.ac_rms_v is None or order.level > rating.ac_rms_v:
        return True
    return rating.peak_v is not None and order.level * PEAK > rating.peak_v


def _too_thin(order: StepOrder, ratings: Mapping[Contact, Rating | None]) -> list[Contact]:
    """Contacts of a side where not one can carry the current (others there may only sense)."""
    for role in (Role.SOURCE, Role.RETURN):
        side = sorted(c for c in ratings if c.role is role)
        carry = [r.carry_a for c in side if (r := ratings[c]) is not None and r.carry_a is not None]
        if side and (not carry or max(carry) < order.level):
            return side
    return []
