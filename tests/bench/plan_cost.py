"""What planning takes, and how many tests it finds against the proved bound.

``python -m tests.bench.plan_cost [--cp-sat]``: with OR-tools installed (benchmark only, not a
dependency) small budgeted products are compared with its optimum.
"""

from __future__ import annotations

import importlib
import random
import sys
import tracemalloc
from collections.abc import Iterator
from decimal import Decimal
from itertools import combinations

import networkx as nx

from orchestrator.clock import SystemClock
from orchestrator.formulas.currents import capacitive_current_a
from orchestrator.model.demands import Ceiling, Demands
from orchestrator.model.words import StepKind
from orchestrator.planning.limits import TesterLimits
from orchestrator.planning.plan import Plan
from orchestrator.planning.planner import plan
from tests.bench.figures import Figure
from tests.planning.products import (
    all_pairs,
    amps_total,
    demand,
    each,
    grouping,
    of_edges,
    origin,
    product,
)

SIZES = (10, 100, 1000, 5000)
GOALS_S = {1000: 1.0, 5000: 15.0}
GOAL_MB = 500
AC = StepKind.WITHSTAND_AC
CLOCK = SystemClock()


def plan_figures(*, sizes: tuple[int, ...] = SIZES, random_nets: int = 200) -> list[Figure]:
    """Time, memory and tests of each family and size; random graphs with their gap."""
    found = [
        _figure(name, nets, demands, exact=exact)
        for nets in sizes
        for name, demands, exact in _families(nets)
    ]
    found += [_figure(name, len(d.nets), d, exact=exact) for name, d, exact in _graphs(random_nets)]
    return found


def _families(nets: int) -> Iterator[tuple[str, Demands, bool]]:
    """Name, product, and whether the bound is exact in this family."""
    yield "all pairs", all_pairs(nets), True
    classes = [range(place * nets // 5, (place + 1) * nets // 5) for place in range(5)]
    yield "5 classes", product(nets, [demand(grouping(*classes))]), True
    zero = Decimal(0)
    never = [Ceiling(grouping(classes[0], classes[1]), zero, zero, origin("never_above"))]
    rest = classes[2:]
    wanted = [demand(grouping(classes[0], *rest), name="a"), demand(grouping(classes[1], *rest))]
    yield "5 classes, 2 never opposed", product(nets, wanted, ceilings=never), True
    singles = [[net] for net in range(nets)]
    # So that about a seventh of the nets may stand against the rest.
    farad = 4.27e-8 / (1.2 * nets * nets * 6 / 49)
    stray = [each(float(f"{farad:.3g}"), *singles, tolerance=0.2)]
    drawn = amps_total("0.005")
    tight = demand(grouping(*singles), 500, AC, drawn)
    yield "all pairs, budgets", product(nets, [tight], capacitances=stray), False
    tight = demand(grouping(*classes), 500, AC, drawn)
    yield "5 classes, budgets", product(nets, [tight], capacitances=stray), False


def _graphs(nets: int) -> Iterator[tuple[str, Demands, bool]]:
    for share in (0.1, 0.5):
        graph = nx.gnp_random_graph(nets, share, seed=1)
        yield f"random graph, {share:.0%} of pairs", of_edges(nets, graph.edges), False
    for name, graph in (("myciel6", nx.mycielski_graph(7)), ("petersen", nx.petersen_graph())):
        yield name, of_edges(len(graph), graph.edges), True


def _figure(name: str, nets: int, demands: Demands, *, exact: bool) -> Figure:
    begin_s = CLOCK.monotonic()
    made = plan(demands)
    took_s = CLOCK.monotonic() - begin_s
    tracemalloc.start()
    try:
        plan(demands)
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    (count,) = made.counts
    goal_s = GOALS_S.get(nets)
    met = None if goal_s is None else took_s < goal_s and peak_mb < GOAL_MB
    if exact and count.gap:
        met = False
    ratio = count.tests / max(count.least, 1)
    goal = "-" if goal_s is None else f"< {goal_s:g} s"
    return Figure(
        f"plan, {nets} nets, {name}",
        f"{took_s:.2f} s, {count.tests} tests",
        goal,
        met,
        f"{name}, {nets} nets: bound {count.least} (gap {count.gap}, {ratio:.2f} times; "
        f"{count.proof}), one against the rest {count.one_by_one}; {peak_mb:.0f} MB at most.",
    )


# ---- against an independent solver --------------------------------------------------------------


def cp_sat_figures(*, cases: int = 12, seconds: float = 20.0) -> list[Figure]:
    """Small budgeted products: our tests against the optimum of OR-tools CP-SAT."""
    rng, figures = random.Random(5), []
    for nets in (6, 8, 10):
        worse, solved = 0, 0
        for _ in range(cases):
            demands, tester, edges, farad, reach_f = _budgeted(nets, rng)
            made = plan(demands, tester, keep_gaps=True)
            best = _cp_sat(nets, edges, farad, reach_f, seconds)
            if made.gaps or best is None:
                if bool(made.gaps) != (best is None):
                    raise ValueError(f"feasible by one, not by the other: {edges} {farad}")
                continue
            solved += 1
            worse += _tests(made) - best
        figures.append(
            Figure(
                f"gap to CP-SAT, {nets} nets, budgets",
                f"{worse} tests in {solved}",
                "0",
                worse == 0,
                f"{cases} random products of {nets} nets with capacitances and a tester's reach; "
                f"{solved} can be planned; the sum of tests above the optimum.",
            )
        )
    return figures


def _tests(made: Plan) -> int:
    return made.counts[0].tests


Pair = tuple[int, int]


def _budgeted(
    nets: int, rng: random.Random
) -> tuple[Demands, TesterLimits, list[Pair], dict[Pair, int], int]:
    """A product in whole nanofarads, so that both solvers judge the same numbers."""
    pairs = list(combinations(range(nets), 2))
    farad = {pair: rng.choice([0, 1, 2, 4]) for pair in pairs}
    edges = [pair for pair in pairs if rng.random() < 0.6] or pairs[:1]
    reach = rng.choice([2 * nets, 3 * nets])
    wanted = [
        demand(grouping([a], [b]), 500, AC, amps_total("0.5"), name=f"{a}-{b}") for a, b in edges
    ]
    strays = [each(value * 1e-9, [a], [b]) for (a, b), value in farad.items() if value]
    demands = product(nets, wanted, capacitances=strays)
    reach_a = capacitive_current_a(reach * 1e-9, 500, 50)
    return demands, TesterLimits(total_current_a=Decimal(repr(reach_a))), edges, farad, reach


def _cp_sat(
    nets: int, edges: list[Pair], farad: dict[Pair, int], reach: int, seconds: float
) -> int | None:
    """Fewest tests by CP-SAT, or None where no number does.

    Raises:
        ValueError: the solver didn't finish.
    """
    model_of = importlib.import_module("ortools.sat.python.cp_model")
    for tests in range(1, nets + 4):
        model = model_of.CpModel()
        sides = [[model.NewBoolVar(f"s{t},{n}") for n in range(nets)] for t in range(tests)]
        cross = {
            (t, pair): model.NewBoolVar(f"x{t},{pair}") for t in range(tests) for pair in farad
        }
        for (t, (a, b)), crossing in cross.items():
            model.AddBoolXOr([sides[t][a], sides[t][b], crossing, True])
        for t in range(tests):
            model.Add(sum(farad[pair] * cross[t, pair] for pair in farad) <= reach)
        for pair in edges:
            model.AddBoolOr([cross[t, pair] for t in range(tests)])
        solver = model_of.CpSolver()
        solver.parameters.max_time_in_seconds = seconds
        solver.parameters.num_workers = 1
        status = solver.Solve(model)
        if status in (model_of.OPTIMAL, model_of.FEASIBLE):
            return tests
        if status != model_of.INFEASIBLE:
            raise ValueError(f"CP-SAT didn't finish in {seconds:g} s: {nets} nets, {tests} tests")
    return None


if __name__ == "__main__":
    from rich.console import Console

    from tests.bench.figures import show

    rows = plan_figures()
    if "--cp-sat" in sys.argv[1:]:
        rows += cp_sat_figures()
    show(rows, Console(width=140))
