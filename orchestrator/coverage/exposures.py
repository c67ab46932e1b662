"""How often one run of a program puts each pair on opposite sides of a voltage.

Nets that the product joins to driven ones count with them. Searches come on top (`searching`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from orchestrator.coverage.classes import classes_of
from orchestrator.coverage.report import Exposures, NetPair
from orchestrator.coverage.searching import INSULATION, WITHSTAND, allowed_of, most_exposures
from orchestrator.coverage.steps import VoltageStep
from orchestrator.coverage.tally import Opposed, blocks, signature
from orchestrator.model.demands import Demands
from orchestrator.model.words import StepKind

_SORTS = (
    (INSULATION, frozenset({StepKind.INSULATION})),
    (WITHSTAND, frozenset({StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC})),
)


def exposures(demands: Demands, steps: Sequence[VoltageStep]) -> Iterator[Exposures]:
    """For insulation and for withstand, if the program has such steps or searches."""
    for word, kinds in _SORTS:
        chosen = [step for step in steps if step.kind in kinds]
        most = most_exposures(demands, steps, word)
        if chosen or most:
            found = _counted(demands, word, chosen)
            yield replace(found, by_search=most, search_allowed=allowed_of(demands, word))


def _counted(demands: Demands, word: str, steps: Sequence[VoltageStep]) -> Exposures:
    count = len(demands.nets)
    classes = classes_of(np.arange(count), [signature(steps, count, carried=True)])
    opposed = Opposed(steps, classes.first, carried=True)
    totals = np.zeros(len(steps) + 1)
    most: tuple[int, NetPair] | None = None
    weights = classes.counts.astype(np.float64)
    for start, end in blocks(len(classes.first)):
        times = opposed.block(start, end)
        # Two nets of one class are never opposed; what lies left of the diagonal was counted.
        keep = np.arange(times.shape[1])[None, :] > np.arange(end - start)[:, None]
        pairs = (weights[start:end, None] * weights[None, start:])[keep]
        totals += np.bincount(times[keep].astype(np.int64), pairs, len(totals))
        highest = int(np.where(keep, times, 0).max(initial=0))
        if highest and (most is None or highest > most[0]):
            row, column = np.argwhere(keep & (times == highest))[0]
            nets = classes.first[start + int(row)], classes.first[start + int(column)]
            one, other = (demands.nets[int(net)].name for net in nets)
            most = (highest, (one, other))
    totals[0] += sum(int(size) * (int(size) - 1) // 2 for size in classes.counts)
    histogram = {times: round(float(pairs)) for times, pairs in enumerate(totals) if pairs}
    return Exposures(word, histogram, None if most is None else most[1])
