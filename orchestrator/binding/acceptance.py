"""From the limits that a step specifies to those that its reading is held against.

Two things move a limit: what the empty fixture contributes (`take_out`), and the guard band made of
the tester's stated accuracy (`decision_rule: guarded`). The reading itself is never altered.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Context

from orchestrator.binding.context import Candidate
from orchestrator.binding.taking_out import Offsets, TakeOutRefused, offsets_of
from orchestrator.errors import Fault
from orchestrator.formulas.guard import Rule, accepted
from orchestrator.model.abilities import Accuracy
from orchestrator.model.amounts import measured
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge

_DOWN = Context(prec=7, rounding=ROUND_FLOOR)
_UP = Context(prec=7, rounding=ROUND_CEILING)


@dataclass(frozen=True, slots=True)
class Accepting:
    """An order with the limits of the reading.

    Attributes:
        plausible: what a reading must keep if the fixture's share is true; see `BoundStep`.
        reasons: specified limit and acceptance limit side by side, a sentence each.
    """

    order: StepOrder
    plausible: tuple[LimitOrder, ...] = ()
    reasons: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()


def accept_by(chosen: Candidate, asked: StepOrder) -> Accepting:
    """The limits of the reading for what a step asks of this tester; its faults, all at once."""
    step = chosen.task.step
    if not step.take_out and step.decision_rule == "simple":
        return Accepting(asked)
    faults = list(_unstated(chosen, asked))
    offsets = None
    if step.take_out and not faults:
        try:
            offsets = offsets_of(chosen, asked)
        except TakeOutRefused as refused:
            faults.append(refused.fault)
    if faults:
        return Accepting(asked, faults=tuple(faults))
    limits, reasons = [], []
    for limit in asked.limits:
        found = _accepted(chosen, limit, offsets)
        if isinstance(found, Fault):
            faults.append(found)
            continue
        limits.append(found)
        reasons.append(_told(chosen, limit, found, offsets))
    order = replace(asked, limits=tuple(limits)) if not faults else asked
    plausible = () if offsets is None else offsets.plausible
    told = () if offsets is None else offsets.told
    return Accepting(order, plausible, (*told, *reasons), tuple(faults))


def _unstated(chosen: Candidate, asked: StepOrder) -> Iterator[Fault]:
    """Without a stated accuracy there is neither a guard band nor a doubt about an offset."""
    key = "take_out" if chosen.task.step.decision_rule == "simple" else "decision_rule"
    for quantity in dict.fromkeys(limit.quantity for limit in asked.limits):
        if quantity in chosen.ability.accuracy:
            continue
        what = f"{chosen.task.what}, {key} on {chosen.tester}"
        found = f"no stated accuracy of {quantity} in the tester's profile"
        expected = "accuracy: the guard band and the doubt about an offset are made from it"
        remedy = "add it from the tester's manual, or take another tester"
        yield Fault(what, found, expected, remedy, chosen.task.at(key))


def _accepted(chosen: Candidate, limit: LimitOrder, offsets: Offsets | None) -> LimitOrder | Fault:
    task, stated = chosen.task, chosen.ability.accuracy[limit.quantity]
    rule = Rule.GUARDED if task.step.decision_rule == "guarded" else Rule.SIMPLE
    moved = limit.value if offsets is None else offsets.moved(limit, rule)
    try:
        value = accepted(moved, stated.percent, stated.plus, limit.edge, rule).accepted
    except ValueError as error:
        what = f"{task.what}, {limit.quantity} {limit.edge} on {chosen.tester}"
        found = f"{measured(limit.quantity, moved)} with {_accuracy(stated, limit)}: {error}"
        expected = "a limit that the tester's accuracy leaves something of"
        remedy = "take a more accurate tester, or decision_rule: simple"
        at = task.at("accept", limit.quantity.value, limit.edge.value)
        return Fault(what, found, expected, remedy, at)
    rounding = _DOWN if limit.edge is Edge.AT_MOST else _UP
    return replace(limit, value=value if value == limit.value else rounding.plus(value))


def _told(
    chosen: Candidate, specified: LimitOrder, found: LimitOrder, offsets: Offsets | None
) -> str:
    """'Resistance at most 100 mohm specified; read at most 95.24 mohm: …'"""
    quantity = specified.quantity
    word = quantity.value.replace("_", " ")
    edge = specified.edge.value.replace("_", " ")
    why = [] if offsets is None else ["the fixture's share taken out"]
    if chosen.task.step.decision_rule == "guarded":
        stated = _accuracy(chosen.ability.accuracy[quantity], specified)
        why.append(f"guarded acceptance, g = U = {stated} [JCGM 106, 8.3; profile]")
    else:
        why.append("simple acceptance [JCGM 106, 8.2]")
    return (
        f"{word[0].upper()}{word[1:]} {edge} {measured(quantity, specified.value)} specified, "
        f"{edge} {measured(quantity, found.value)} accepted: {', '.join(why)}."
    )


def _accuracy(stated: Accuracy, limit: LimitOrder) -> str:
    return f"±({stated.percent.normalize():f} % + {measured(limit.quantity, stated.plus)})"
