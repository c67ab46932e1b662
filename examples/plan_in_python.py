# ruff: noqa: INP001, T201
"""From a product to a program, as in a notebook: plan, look at the figures, compare, draw, prove.

Products and stations are invented; nothing is connected. Run it where the examples lie:
``python examples/plan_in_python.py [picture.svg]``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from orchestrator import (
    Program,
    Refused,
    TesterLimits,
    cover,
    draw,
    parse_document,
    picture_of,
    plan,
    planning_limits,
    program_text,
    read_demands,
    read_plan,
)

HERE = Path(__file__).parent


def main(picture: Path | None) -> int:
    """Plan two products; judge the second by what shares no code with the planner."""
    # How many tests, and how many at least; what a tester is too weak for is refused with the pair.
    larkfield = read_demands(HERE / "products" / "larkfield.yaml")
    station = read_plan(HERE / "demo" / "station_a.yaml")
    for name, limits in (
        ("any tester", TesterLimits()),
        ("station A", planning_limits(station)),
        ("1.5 mA at most", TesterLimits(total_current_a=Decimal("0.0015"))),
    ):
        try:
            made = plan(larkfield, limits)
        except Refused as refused:
            print(f"{larkfield.product}, {name}: refused, {refused.faults[0].found}")
            continue
        counts = ", ".join(f"{c.kind} {c.tests} (at least {c.least})" for c in made.counts)
        print(f"{larkfield.product}, {name}: {counts}")

    # What a guard band leaves: limits accepted beside those specified, step by step.
    guarded = replace(larkfield, decision_rule="guarded")
    for step in plan(guarded, planning_limits(station)).steps:
        for reason in step.reasons:
            if "accepted" in reason:
                print(f"  {step.name}: {reason}")

    # A harness of 64 wires: the program, its proof, and the matrix of nets as a picture.
    tansy = read_demands(HERE / "products" / "tansy.yaml")
    program = parse_document(program_text(plan(tansy), tansy), "planned.yaml", Program)
    judged = cover(tansy, program)
    drawn = draw(picture_of(tansy, program, complete=judged.complete))  # IPython.display.SVG(drawn)
    if picture is not None:
        picture.write_text(drawn, encoding="utf-8")
    print(f"{tansy.product}: {len(program.model.steps)} steps")
    print("complete" if judged.complete else "not complete")
    return 0 if judged.complete else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else None))
