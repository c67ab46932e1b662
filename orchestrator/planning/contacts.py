"""For every point: how a lead that has come off would be noticed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import ROUND_FLOOR, Context, Decimal

import numpy as np

from orchestrator.errors import Fault
from orchestrator.formulas.currents import capacitive_current_a
from orchestrator.formulas.group_limits import group_total_a
from orchestrator.model.amounts import measured
from orchestrator.model.demands import Demands
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, StepKind
from orchestrator.planning.declared import DeclaredPairs
from orchestrator.planning.guarding import guard_of
from orchestrator.planning.limits import Budgets
from orchestrator.planning.plan import ContactProof, PlannedStep
from orchestrator.planning.words import amps, listed

_DOWN = Context(prec=4, rounding=ROUND_FLOOR)
LONGEST_REASON = 500
LEAST_A = 1e-9
"""The least that a limit in a program may be."""


def prove_contacts(
    demands: Demands, steps: Sequence[PlannedStep], budgets: Budgets
) -> tuple[list[PlannedStep], list[ContactProof], list[Fault]]:
    """The steps with their proofs of contact, the table of points, and points without any."""
    touched: dict[str, PlannedStep] = {}
    for step in steps:
        if step.kind in CONTACT_KINDS and _breaks_when_open(step):
            for point in (*step.apply_to, *step.against):
                touched.setdefault(point, step)
    tested = {p for s in steps if s.kind not in CONTACT_KINDS for p in (*s.apply_to, *s.against)}
    open_points = [
        point
        for net in demands.nets
        for point in net.points
        if point in tested and point not in touched
    ]
    with_limits, shown = _lower_limits(demands, steps, open_points, budgets)
    table = [
        _proof(demands, point, touched, shown)
        for net in demands.nets
        for point in net.points
        if point in touched or point in tested
    ]
    by_point = {proof.point: proof for proof in table}
    finished = [
        step if step.kind in CONTACT_KINDS else _leaning(step, touched, by_point)
        for step in with_limits
    ]
    gaps = [_unproved(demands, proof) for proof in table if proof.how == "unproved"]
    return finished, table, gaps


def _breaks_when_open(step: PlannedStep) -> bool:
    """An open lead reads more than any resistance: only an upper limit is broken by it."""
    return any(
        limit.quantity is Measured.RESISTANCE and limit.edge is Edge.AT_MOST
        for limit in step.limits
    )


def _proof(
    demands: Demands,
    point: str,
    touched: dict[str, PlannedStep],
    shown: dict[str, tuple[str, str]],
) -> ContactProof:
    net = demands.net_of_point[point]
    if (step := touched.get(point)) is not None:
        across = step.kind is StepKind.CONTINUITY and step.apply_nets != step.against_nets
        how = "load" if across else str(step.kind)
        return ContactProof(point, net, how, step.name, f"step {step.name!r} measures through it")
    if point in shown:
        return ContactProof(point, net, "lower_limit", *shown[point])
    if (reason := demands.allowed.unproved_contact.get(point)) is not None:
        return ContactProof(point, net, "allowed", None, reason)
    return ContactProof(point, net, "unproved", None, "no step would show that its lead is off")


def _unproved(demands: Demands, proof: ContactProof) -> Fault:
    net = demands.nets[proof.net]
    return Fault(
        f"point {proof.point!r}",
        "no step that would show that its lead is off",
        "continuity to another point of its net, bonding, a load, or a lower limit by its "
        "declared capacitance",
        "add a second point and continuity to its net, declare its capacitance, or name it in "
        "allow: unproved_contact with the reason",
        net.at,
    )


def _leaning(
    step: PlannedStep, touched: dict[str, PlannedStep], proofs: dict[str, ContactProof]
) -> PlannedStep:
    points = (*step.apply_to, *step.against)
    names = tuple(dict.fromkeys(touched[p].name for p in points if p in touched))
    others = [proofs[p] for p in points if p not in touched]
    if not others:
        return replace(step, prove_contact=names)
    texts: dict[str, list[str]] = {}
    for proof in others:
        texts.setdefault(proof.words, []).append(proof.point)
    told = "; ".join(f"{listed(points, 8)}: {words}" for words, points in texts.items())
    if len(told) > LONGEST_REASON:
        told = told[: LONGEST_REASON - 1] + "…"
    return replace(step, prove_contact=names, unproved_contact=told)


# ---- lower limits -------------------------------------------------------------------------------


def _lower_limits(
    demands: Demands, steps: Sequence[PlannedStep], points: Sequence[str], budgets: Budgets
) -> tuple[list[PlannedStep], dict[str, tuple[str, str]]]:
    """AC steps with a lower limit wherever that shows a lead that nothing else shows. One step is
    enough: an open lead fails it, and with it the run.

    The lead of a net is shown only if it is the only one of all that the net is joined to.
    """
    waiting = {
        demands.net_of_point[point]: point
        for point in points
        if len(demands.bodies[demands.body_of[demands.net_of_point[point]]]) == 1
        and len(demands.nets[demands.net_of_point[point]].points) == 1
    }
    shown: dict[str, tuple[str, str]] = {}
    finished = []
    declared = DeclaredPairs(demands)
    for step in steps:
        if not waiting or step.kind is not StepKind.WITHSTAND_AC or not demands.capacitances:
            finished.append(step)
            continue
        seen = _Seen(demands, step, budgets, declared)
        found = seen.shown_by_limit(waiting)
        for net, left_a in found:
            told = (
                f"lower limit {measured(Measured.TOTAL_CURRENT, seen.limit_a)} of step "
                f"{step.name!r}; without it at most {amps(left_a)} flow"
            )
            shown[waiting.pop(net)] = (step.name, told)
        finished.append(seen.with_limit() if found else step)
    return finished, shown


class _Seen:
    """One AC step: what flows with all leads on, at least, and with one of them off, at most."""

    def __init__(
        self, demands: Demands, step: PlannedStep, budgets: Budgets, declared: DeclaredPairs
    ) -> None:
        self._step, self._budgets, self._declared = step, budgets, declared
        self._left: dict[tuple[int, int], float] = {}
        self._sides = np.full(len(demands.nets), -1, dtype=np.int64)
        self._sides[list(step.apply_nets)] = 1
        self._sides[list(step.against_nets)] = 0
        least_f = budgets.capacitances.between(self._sides).least
        least_s = budgets.conductances.between(self._sides).least
        level = float(step.level)
        guard = guard_of(demands, budgets.tester, step.kind)
        good = self._current(least_f, least_s, level)
        all_on = max(0.0, guard.loosest_lower(Measured.TOTAL_CURRENT, good))
        self.limit_a = _DOWN.create_decimal_from_float(all_on) if all_on else Decimal(0)

    def _current(self, capacitance_f: float, conductance_s: float, level_v: float) -> float:
        hertz = float(self._step.frequency_hz or 0)
        reactive = capacitive_current_a(capacitance_f, level_v, hertz)
        return group_total_a(reactive, conductance_s * level_v)

    def shown_by_limit(self, nets: Iterable[int]) -> list[tuple[int, float]]:
        """Nets whose lead is shown, with the most that flows without it (A)."""
        found = []
        limit = float(self.limit_a)
        ceiling = float(self._step.ceiling)
        for net in nets:
            if self._sides[net] < 0 or limit < LEAST_A or (self._sides < 0).any():
                continue  # through nets that are open too no bound is reckoned
            left_a = self._left_a(net, ceiling)
            if left_a < limit:
                found.append((net, left_a))
        return found

    def _left_a(self, net: int, ceiling_v: float) -> float:
        """`_most_a`, the same for nets of one sort on one side; endless if nothing bounds it."""
        key = self._declared.sort_of(net), int(self._sides[net])
        if key not in self._left:
            told = self._declared.tells_without(net, self._sides)
            self._left[key] = self._most_a(net, ceiling_v) if told else math.inf
        return self._left[key]

    def _most_a(self, net: int, ceiling_v: float) -> float:
        """The most that flows without a net's lead (A): all other pairs, and the way across the net
        that now floats.

        Admittances lie between in phase and a quarter of a period ahead, so |Y1 + Y2| ≥
        √(|Y1|² + |Y2|²), and in series |Y1|·|Y2|/√(|Y1|² + |Y2|²) is the most.
        """
        sides = self._sides.copy()
        sides[net] = -1
        strays = (self._budgets.capacitances, self._budgets.conductances)
        rest_f, rest_s = (one.between(sides).most for one in strays)
        (_, across_f, beside_f), (_, across_s, beside_s) = (
            one.of_net(net, self._sides) for one in strays
        )
        rest = self._current(rest_f, rest_s, ceiling_v)
        across = self._current(across_f, across_s, ceiling_v)
        beside = self._current(beside_f, beside_s, ceiling_v)
        through = across * beside / math.hypot(across, beside) if across and beside else 0.0
        return rest + through

    def with_limit(self) -> PlannedStep:
        """The step with its lower limit."""
        limits = [
            limit
            for limit in self._step.limits
            if (limit.quantity, limit.edge) != (Measured.TOTAL_CURRENT, Edge.AT_LEAST)
        ]
        before = [limit.value for limit in self._step.limits if limit not in limits]
        value = max([self.limit_a, *before])
        limits.append(LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_LEAST, value))
        reason = (
            f"total current at least {measured(Measured.TOTAL_CURRENT, value)}: the declared "
            "capacitances have that at least with all leads on; shows leads that are off"
        )
        return replace(self._step, limits=tuple(limits), reasons=(*self._step.reasons, reason))
