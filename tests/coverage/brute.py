"""The judgement pair by pair and point by point, written apart from `orchestrator.coverage`.

Slow and plain; only for products of a few nets. It starts from the files' models, not from
anything that coverage made of them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import combinations

from orchestrator.model.demands import Declared, Demands, PairDemand
from orchestrator.model.program import BondingStep, ContinuityStep, Program, Step, WithstandAcStep
from orchestrator.model.words import StepKind, Waveform

AC = Waveform.AC


@dataclass
class Verdict:
    open: list[set[tuple[int, int]]] = field(default_factory=list)
    masked: list[set[tuple[int, int]]] = field(default_factory=list)
    stressed: dict[int, set[tuple[int, int]]] = field(default_factory=dict)
    afloat: dict[int, set[int]] = field(default_factory=dict)
    reached: dict[int, set[tuple[int, int]]] = field(default_factory=dict)
    searched: dict[int, set[tuple[int, int]]] = field(default_factory=dict)
    search_reached: dict[int, set[tuple[int, int]]] = field(default_factory=dict)
    search_afloat: dict[int, set[int]] = field(default_factory=dict)
    overspent: set[int] = field(default_factory=set)
    unproved: set[str] = field(default_factory=set)
    exposed: dict[str, Counter[int]] = field(default_factory=dict)


def is_voltage(step: Step) -> bool:
    return not isinstance(step, BondingStep | ContinuityStep)


def waveform(step: Step) -> Waveform:
    return AC if isinstance(step, WithstandAcStep) else Waveform.DC


def hertz(step: Step) -> Decimal:
    """The frequency of an AC withstand step; 0 of any other."""
    return step.frequency.value if isinstance(step, WithstandAcStep) else Decimal(0)


def sides_of(demands: Demands, step: Step) -> tuple[dict[int, int], bool]:
    """Net → 1, -1 or 0; and whether some net is on both sides or joined nets on opposite ones."""
    back = list(step.against)
    if step.others == "against":
        back += [
            p for n in demands.nets for p in n.points if p not in (*step.apply_to, *step.against)
        ]
    sides, bad = {}, False
    for net in demands.nets:
        up = any(point in step.apply_to for point in net.points)
        down = any(point in back for point in net.points)
        bad |= up and down
        sides[net.index] = 0 if up and down else 1 if up else -1 if down else 0
    for body in demands.bodies:
        held = {sides[net] for net in body}
        bad |= {1, -1} <= held
    return sides, bad


def carried(demands: Demands, step: Step, sides: dict[int, int]) -> dict[int, int]:
    """With nets that the product joins to driven ones; a net on both sides stays out."""
    found = dict(sides)
    for body in demands.bodies:
        held = {sides[net] for net in body} - {0}
        for net in body:
            points = demands.nets[net].points
            touched = any(p in step.apply_to for p in points)
            if sides[net] == 0 and len(held) == 1 and not touched:
                found[net] = next(iter(held))
    return found


def parts(sides: dict[int, int]) -> Iterator[tuple[int, int]]:
    for one, other in combinations(sorted(sides), 2):
        if sides[one] * sides[other] == -1:
            yield one, other


def least(declared: tuple[Declared, ...], sides: dict[int, int], but: tuple[int, int],
          *, inverse: bool) -> float:  # fmt: skip
    """What all opposed pairs but one surely add: F, or S."""
    total = 0.0
    for each in declared:
        value = 1 / float(each.most) if inverse else float(each.least)
        mine = [pair for pair in parts(sides) if pair in each.pairs]
        if each.each_pair:
            total += value * len([pair for pair in mine if pair != but])
        elif len(mine) == each.pairs.pairs and but not in mine:
            total += value
    return total


def shows(demands: Demands, demand: PairDemand, step: Step, sides: dict[int, int],
          pair: tuple[int, int]) -> bool:  # fmt: skip
    """Whether the step's upper limit on current, or lower on resistance, shows the pair."""
    accept = step.accept
    if demand.kind is StepKind.INSULATION:
        (limit,) = demand.limits
        given = None if accept.resistance is None else accept.resistance.at_least
        if given is None:
            raise LookupError("no such limit")
        rest = least(demands.insulations, sides, pair, inverse=True)
        return 1 / float(limit.value) + rest >= (1 / float(given)) * (1 - 1e-9)
    (limit,) = demand.limits
    total = accept.total_current
    given = None if total is None else total.at_most
    if given is None:
        raise LookupError("no such limit")
    if given.value <= limit.value:
        return True
    level, fault = float(step.level), float(limit.value)
    active = level * least(demands.insulations, sides, pair, inverse=True)
    if waveform(step) is not AC:
        return fault + active >= float(given) * (1 - 1e-9)
    omega = 2 * math.pi * float(hertz(step))
    reactive = level * omega * least(demands.capacitances, sides, pair, inverse=False)
    # Every phase of the fault from resistive to capacitive.
    readings = [
        math.hypot(active + fault * math.cos(x), reactive + fault * math.sin(x))
        for x in (k * math.pi / 400 for k in range(201))
    ]
    return min(readings) >= float(given) * (1 - 1e-9)


def judge(demands: Demands, program: Program) -> Verdict:
    found = Verdict()
    steps = [(i + 1, s) for i, s in enumerate(program.steps) if is_voltage(s)]
    sides = {i: sides_of(demands, s) for i, s in steps}
    whole = {i: carried(demands, s, sides[i][0]) for i, s in steps}
    for demand in demands.pair_demands:
        bare: set[tuple[int, int]] = set()
        hidden: set[tuple[int, int]] = set()
        for pair in combinations(range(len(demands.nets)), 2):
            if pair not in demand.pairs:
                continue
            states = {_state(demands, demand, s, sides[i], whole[i], pair) for i, s in steps}
            if "covered" not in states:
                (hidden if "masked" in states else bare).add(pair)
        found.open.append(bare)
        found.masked.append(hidden)
    for number, step in steps:
        most, form = _most(step), waveform(step)
        found.stressed[number] = {
            pair for pair in parts(whole[number]) if demands.highest(*pair).of(form) < most
        }
        if {1, -1} <= set(sides[number][0].values()):
            loose = set(_open(demands, step, whole[number]))
            found.afloat[number] = {n for n in loose if not _may_float(demands, n, form, most)}
            found.reached[number] = _reached(demands, whole[number], loose, form, most)
        _search(demands, found, number, dict(steps), sides, whole)
    for word in ("insulation", "withstand"):
        count: Counter[tuple[int, int]] = Counter()
        for number, step in steps:
            if step.kind.startswith(word):
                count.update(parts(whole[number]))
        every = combinations(range(len(demands.nets)), 2)
        found.exposed[word] = Counter(count[pair] for pair in every)
    return found


def _state(demands: Demands, demand: PairDemand, step: Step, sides: tuple[dict[int, int], bool],
           whole: dict[int, int], pair: tuple[int, int]) -> str:  # fmt: skip
    its, bad = sides
    if bad or step.kind is not demand.kind or its[pair[0]] * its[pair[1]] != -1:
        return "not"
    if step.level.value < demand.level_v or step.dwell.value < demand.dwell_s:
        return "not"
    if demand.frequency_hz is not None and hertz(step) != demand.frequency_hz:
        return "not"
    try:
        return "covered" if shows(demands, demand, step, whole, pair) else "masked"
    except LookupError:
        return "not"


def _open(demands: Demands, step: Step, whole: dict[int, int]) -> Iterator[int]:
    for net in demands.nets:
        if not whole[net.index] and not any(point in step.apply_to for point in net.points):
            yield net.index


def _may_float(demands: Demands, net: int, form: Waveform, most: Decimal) -> bool:
    said = demands.allowed.floating.get(net)
    if said is None:
        return False
    up_to = said.ac_v if form is AC else said.dc_v
    return up_to is None or up_to >= most


def _reached(demands: Demands, whole: dict[int, int], loose: set[int], form: Waveform,
             most: Decimal) -> set[tuple[int, int]]:  # fmt: skip
    """Pairs with a net that may be open, declared for less, and not opposed anyhow."""
    found = set()
    for one, other in combinations(sorted(whole), 2):
        there = all(whole[net] or net in loose for net in (one, other))
        if not there or not {one, other} & loose or whole[one] * whole[other] == -1:
            continue
        if demands.body_of[one] == demands.body_of[other]:
            continue
        for ceiling in demands.ceilings:
            held = ceiling.ac_v if form is AC else ceiling.dc_v
            if (one, other) in ceiling.pairs and held < most:
                found.add((one, other))
    return found


def _search(demands: Demands, found: Verdict, number: int, steps: dict[int, Step],
            sides: dict[int, tuple[dict[int, int], bool]],
            whole: dict[int, dict[int, int]]) -> None:  # fmt: skip
    """The search after one step, as a step of its own."""
    step = steps[number]
    locate = getattr(step, "locate", None)
    if locate is None:
        return
    most = locate.level.value * 103 / 100
    if locate.level_ceiling is not None:
        most = locate.level_ceiling.value
    found.searched[number] = {
        pair for pair in parts(whole[number]) if demands.highest(*pair).of(Waveform.DC) < most
    }
    if {1, -1} <= set(sides[number][0].values()):
        loose = set(_open(demands, step, whole[number]))
        if locate.floating is not None:
            loose |= {net for net in whole[number] if whole[number][net]}
        dc = Waveform.DC
        found.search_afloat[number] = {n for n in loose if not _may_float(demands, n, dc, most)}
        found.search_reached[number] = _reached(demands, whole[number], loose, dc, most)
    insulated = [d.level_v for d in demands.pair_demands if d.kind is StepKind.INSULATION]
    insulated += [demands.allowed.search_level_v or Decimal(0)]
    low = locate.level.value <= max(insulated)
    may = demands.allowed.extra_insulation if low else demands.allowed.extra_withstand
    if locate.exposures_at_most > may:
        found.overspent.add(number)


def _most(step: Step) -> Decimal:
    return step.level.value * 103 / 100 if step.level_ceiling is None else step.level_ceiling.value
