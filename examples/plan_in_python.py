# ruff: noqa: INP001, T201
"""From a product to a program, and the proof that it is complete; nothing is connected.

The product is invented. Run it where the examples lie: ``python examples/plan_in_python.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path

from orchestrator import Program, cover, parse_document, plan, program_text, read_demands


def main(product: Path) -> int:
    """Plan a product, read the program back, and have it judged by what shares no code with it."""
    demands = read_demands(product)
    made = plan(demands)
    for count in made.counts:
        print(f"{count.kind}: {count.tests} tests, proved bound {count.least}")
    program = parse_document(program_text(made, demands), "planned.yaml", Program)
    judged = cover(demands, program)
    print("complete" if judged.complete else "not complete")
    return 0 if judged.complete else 1


if __name__ == "__main__":
    sys.exit(main(Path(__file__).parent / "products" / "larkfield.yaml"))
