"""The cut of least weight between two units: if even that breaks a budget, no test parts them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from orchestrator.planning.sorts import Bools

Weights = npt.NDArray[np.float64]


def least_cut(weights: Weights, source: int, sink: int) -> tuple[float, Bools]:
    """Weight of a least cut, and the units on the source's side.

    By augmenting shortest paths (J. Edmonds and R. M. Karp, J. ACM 19 (1972) 248-264).
    ``weights``: symmetric, not negative; the diagonal is not looked at.

    Raises:
        ValueError: source and sink are one.
    """
    if source == sink:
        raise ValueError("two units are needed")
    left = weights.astype(np.float64).copy()
    left[np.diag_indices(len(left))] = 0.0
    tiny = 1e-12 * float(left.max(initial=0.0))
    total = 0.0
    while True:
        before = _reach(left, source, sink, tiny)
        if before[sink] < 0:
            return total, before >= 0
        path = [sink]
        while path[-1] != source:
            path.append(int(before[path[-1]]))
        heads, tails = path[:-1], path[1:]
        through = float(left[tails, heads].min())
        left[tails, heads] -= through
        left[heads, tails] += through
        total += through


def _reach(left: Weights, source: int, sink: int, tiny: float) -> npt.NDArray[np.int64]:
    """Unit → the one before it on a shortest path; -1: not reached."""
    before = np.full(len(left), -1, dtype=np.int64)
    before[source] = source
    layer = np.array([source], dtype=np.int64)
    while len(layer) and before[sink] < 0:
        open_ = before < 0
        ways = (left[layer] > tiny) & open_[None, :]
        fresh = np.flatnonzero(ways.any(axis=0))
        before[fresh] = layer[ways[:, fresh].argmax(axis=0)]
        layer = fresh
    return before
