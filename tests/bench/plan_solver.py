"""Budgeted products against an independent solver: OR-tools CP-SAT, where it is installed.

Benchmark only: nothing of the project needs it.
"""

from __future__ import annotations

import importlib
import random
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from typing import Any

from orchestrator.clock import SystemClock
from orchestrator.formulas.currents import capacitive_current_a
from orchestrator.model.demands import Demands
from orchestrator.model.words import StepKind
from orchestrator.planning.limits import TesterLimits
from orchestrator.planning.planner import plan
from tests.bench.figures import Figure
from tests.bench.plan_families import unequal
from tests.planning.products import amps_total, demand, each, grouping, product

AC = StepKind.WITHSTAND_AC
Pair = tuple[int, int]
CLOCK = SystemClock()


@dataclass(frozen=True)
class Case:
    """A product in whole nanofarads, so that both solvers judge the same numbers."""

    nets: int
    demands: Demands
    tester: TesterLimits
    edges: tuple[Pair, ...]
    nano: dict[Pair, int]
    reach: int


def random_case(nets: int, rng: random.Random) -> Case:
    """Six tenths of the pairs demanded, capacitances of 0, 1, 2 or 4 nF, 2 or 3 nF a net."""
    pairs = list(combinations(range(nets), 2))
    nano = {pair: rng.choice([0, 1, 2, 4]) for pair in pairs}
    edges = [pair for pair in pairs if rng.random() < 0.6] or pairs[:1]
    return _case(nets, edges, nano, rng.choice([2 * nets, 3 * nets]))


def class_case(nets: int) -> Case:
    """Unequal classes with 1 nF between nets of two of them, and two fifths of a half's pairs."""
    of_net = {net: place for place, nets_ in enumerate(unequal(nets)) for net in nets_}
    edges = [(a, b) for a, b in combinations(range(nets), 2) if of_net[a] != of_net[b]]
    return _case(nets, edges, dict.fromkeys(edges, 1), nets * nets // 10)


def _case(nets: int, edges: list[Pair], nano: dict[Pair, int], reach: int) -> Case:
    wanted = [
        demand(grouping([a], [b]), 500, AC, amps_total("0.5"), name=f"{a}-{b}") for a, b in edges
    ]
    strays = [each(value * 1e-9, [a], [b]) for (a, b), value in nano.items() if value]
    reach_a = capacitive_current_a(reach * 1e-9, 500, 50)
    tester = TesterLimits(total_current_a=Decimal(repr(reach_a)))
    return Case(nets, product(nets, wanted, capacitances=strays), tester, tuple(edges), nano, reach)


def has_plan(case: Case, tests: int, seconds: float) -> bool | None:
    """Whether CP-SAT finds so many tests; None: not known after so long."""
    model_of = importlib.import_module("ortools.sat.python.cp_model")
    model = model_of.CpModel()
    asked = [pair for pair, value in case.nano.items() if value]
    asked += [pair for pair in case.edges if not case.nano.get(pair)]
    parted: dict[tuple[int, Pair], Any] = {}
    for test in range(tests):
        sides = [model.NewBoolVar(f"s{test},{net}") for net in range(case.nets)]
        model.Add(sides[0] == 0)
        for pair in asked:
            parted[test, pair] = model.NewBoolVar(f"x{test},{pair}")
            model.AddBoolXOr([sides[pair[0]], sides[pair[1]], parted[test, pair], True])
        model.Add(sum(case.nano.get(p, 0) * parted[test, p] for p in asked) <= case.reach)
    for pair in case.edges:
        model.AddBoolOr([parted[test, pair] for test in range(tests)])
    solver = model_of.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    status = solver.Solve(model)
    if status in (model_of.OPTIMAL, model_of.FEASIBLE):
        return True
    return False if status == model_of.INFEASIBLE else None


def small_figures(*, cases: int = 12, seconds: float = 60.0) -> list[Figure]:
    """Small random products: our tests against the optimum."""
    return [_small(nets, cases, seconds) for nets in (6, 8, 10)]


def _small(nets: int, cases: int, seconds: float) -> Figure:
    rng, worse, solved, loose = random.Random(5 + nets), 0, 0, 0
    for _ in range(cases):
        case = random_case(nets, rng)
        made = plan(case.demands, case.tester, keep_gaps=True)
        if made.gaps:
            if has_plan(case, nets + 3, seconds) is not False:
                raise ValueError(f"refused, and CP-SAT doesn't say that it can't be: {case.edges}")
            continue
        (count,) = made.counts
        best = count.tests
        while best > 1 and has_plan(case, best - 1, seconds):
            best -= 1
        if best > 1 and has_plan(case, best - 1, seconds) is None:
            raise ValueError(f"CP-SAT didn't finish in {seconds:g} s: {nets} nets, {best} tests")
        if count.least > best:
            raise ValueError(f"a bound of {count.least} is above the optimum {best}: {case.edges}")
        solved, worse, loose = solved + 1, worse + count.tests - best, loose + best - count.least
    return Figure(
        f"gap to CP-SAT, {nets} nets, budgets",
        f"{worse} tests in {solved}",
        "0",
        worse == 0,
        f"{cases} random products of {nets} nets with capacitances and a tester's reach; {solved} "
        f"can be planned; the sum of tests above the optimum; bounds lie {loose} below it in all.",
    )


def larger_figures(
    *, sizes: tuple[int, ...] = (12, 16, 20, 24, 30), cases: int = 3, seconds: float = 60.0
) -> list[Figure]:
    """Larger products: what CP-SAT finds in a minute from our number downwards."""
    found = []
    for nets in sizes:
        rng = random.Random(nets)
        made = [random_case(nets, rng) for _ in range(cases)]
        found += [_larger(f"random {n}", case, seconds) for n, case in enumerate(made, start=1)]
        found.append(_larger("unequal classes", class_case(nets), seconds))
    return [figure for figure in found if figure is not None]


def _larger(name: str, case: Case, seconds: float) -> Figure | None:
    begin_s = CLOCK.monotonic()
    made = plan(case.demands, case.tester, keep_gaps=True)
    took_s = CLOCK.monotonic() - begin_s
    if made.gaps:
        return None
    (count,) = made.counts
    begin_s, best, told = CLOCK.monotonic(), count.tests, ""
    while best > 1:
        left_s = seconds - (CLOCK.monotonic() - begin_s)
        answer = has_plan(case, best - 1, left_s) if left_s > 0 else None
        if answer is not True:
            told = f"{best - 1} impossible" if answer is False else f"{best - 1} not found"
            break
        best -= 1
    if best < count.least:
        raise ValueError(f"a bound of {count.least} is above the {best} tests that CP-SAT found")
    return Figure(
        f"plan against CP-SAT, {case.nets} nets, {name}",
        f"{count.tests} tests, CP-SAT {best}",
        "≤ 1.1 ×",
        count.tests <= 1.1 * best,
        f"{name}, {case.nets} nets: planned in {took_s:.2f} s; bound {count.least} "
        f"({count.proof}); from our number downwards in {seconds:g} s: {told}.",
    )
