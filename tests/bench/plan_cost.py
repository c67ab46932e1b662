"""What planning takes, and how many tests it finds against the proved bound.

``python -m tests.bench.plan_cost [--cp-sat]``: with OR-tools installed (benchmark only, not a
dependency) budgeted products are compared with what its CP-SAT finds.
"""

from __future__ import annotations

import sys
import tracemalloc

from orchestrator.clock import SystemClock
from orchestrator.planning.planner import plan
from tests.bench.figures import Figure
from tests.bench.plan_families import Family, families, graphs

SIZES = (10, 100, 1000, 5000)
GOALS_S = {1000: 1.0, 5000: 15.0}
GOAL_MB = 500
TIGHT = 1.3
"""With budgets: most tests over the proved bound."""
CLOCK = SystemClock()


def plan_figures(*, sizes: tuple[int, ...] = SIZES, random_nets: int = 200) -> list[Figure]:
    """Time, memory and tests of each family and size; random graphs with their gap."""
    found = [_figure(family, nets) for nets in sizes for family in families(nets)]
    found += [_figure(family, len(family.demands.nets)) for family in graphs(random_nets)]
    return found


def _figure(family: Family, nets: int) -> Figure:
    begin_s = CLOCK.monotonic()
    made = plan(family.demands, family.tester)
    took_s = CLOCK.monotonic() - begin_s
    (count,) = made.counts
    goal_s = GOALS_S.get(nets)
    # Tracing memory takes several times as long: where there is a goal.
    peak_mb = None if goal_s is None else _peak_mb(family)
    met = None if goal_s is None else took_s < goal_s and (peak_mb or 0.0) < GOAL_MB
    ratio = count.tests / max(count.least, 1)
    if (family.exact and count.gap) or (met is not None and ratio > TIGHT):
        met = False
    goal = "-" if goal_s is None else f"< {goal_s:g} s"
    memory = "" if peak_mb is None else f", {peak_mb:.0f} MB"
    split = "" if count.unsplit is None else f"; {count.unsplit} without budgets"
    return Figure(
        f"plan, {nets} nets, {family.name}",
        f"{took_s:.2f} s, {count.tests} tests, bound {count.least}{memory}",
        goal,
        met,
        f"{family.name}, {nets} nets: bound {count.least} (gap {count.gap}, {ratio:.2f} times): "
        f"{count.proof}; one against the rest {count.one_by_one}{split}.",
    )


def _peak_mb(family: Family) -> float:
    tracemalloc.start()
    try:
        plan(family.demands, family.tester)
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


if __name__ == "__main__":
    from rich.console import Console

    from tests.bench.figures import show
    from tests.bench.plan_solver import larger_figures, small_figures

    rows = plan_figures()
    if "--cp-sat" in sys.argv[1:]:
        rows += small_figures() + larger_figures()
    show(rows, Console(width=140))
