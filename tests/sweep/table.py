"""The sweep's table: exchanges by fault, how the runs ended, what was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from rich.table import Table

from tests.sweep.cases import Seen
from tests.sweep.courses import COURSES, Baseline
from tests.sweep.line_faults import FAULTS
from tests.sweep.sites import SITES

ENDINGS = ("pass", "fail", "no_verdict", "kept", "unproved", "refused")
LEGEND = (
    "A run may still pass where the bench itself saw every step's level held on its points. "
    "kept: discharge not confirmed, relays stay, a person is needed; unproved: discharged, but the "
    "relays' state wasn't read; both are no_verdict. refused: first contact failed, nothing ran."
)


def exchanges(lines: Iterable[Baseline]) -> Table:
    """How many exchanges there are to be failed."""
    table = Table(title="Exchanges failed one by one", title_justify="left")
    table.add_column("station")
    table.add_column("instruments")
    for course in COURSES:
        table.add_column(course, justify="right")
    counts = {(line.letter, line.course): len(line.messages) for line in lines}
    for letter, made in SITES.items():
        numbers = [str(counts.get((letter, course), 0)) for course in COURSES]
        table.add_row(letter, f"{made.tester}, {made.chain}", *numbers)
    return table


def outcomes(seen: Sequence[Seen]) -> Table:
    """Each fault at all those exchanges."""
    table = Table(title="How the runs ended", title_justify="left")
    table.add_column("fault", no_wrap=True)
    for heading in ("runs", *ENDINGS, "violations"):
        table.add_column(heading, justify="right", no_wrap=True)
    for course in COURSES:
        table.add_section()
        table.add_row(course)
        for fault in FAULTS:
            here = [one for one in seen if (one.case.course, one.case.fault) == (course, fault)]
            if here:
                table.add_row(f"  {fault}", *_cells(here))
    table.add_section()
    table.add_row("all", *_cells(seen))
    return table


def _cells(seen: Sequence[Seen]) -> list[str]:
    counts = Counter(one.ending for one in seen)
    found = sum(1 for one in seen if one.findings)
    return [str(n) for n in (len(seen), *(counts[ending] for ending in ENDINGS), found)]
