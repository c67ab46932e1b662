"""Nets that nothing tells apart, as classes, so that 5,000 of them take a handful of rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ids = NDArray[np.int64]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]
Pair = tuple[int, int]

_ONLY_SOURCE, _ONLY_RETURN, _LONE = -2, -3, -4


@dataclass(frozen=True, eq=False)
class Classes:
    """Nets that nothing tells apart. ``first``: the lowest net of each; in that order."""

    first: Ids
    counts: Ids
    of_net: Ids
    nets: Ids

    def members(self, index: int) -> Ids:
        """The nets of one class."""
        found: Ids = self.nets[self.of_net == index]
        return found


def classes_of(nets: Ids, columns: Sequence[NDArray[np.generic]]) -> Classes:
    """Classes of nets that agree in every column (each given by net of the product)."""
    rows = np.concatenate(
        [np.ascontiguousarray(c[nets]).reshape(len(nets), -1).view(np.uint8) for c in columns],
        axis=1,
    )
    rows = np.ascontiguousarray(rows)
    keys = rows.view(np.dtype((np.void, rows.shape[1]))).ravel()
    _, first, inverse, counts = np.unique(
        keys, return_index=True, return_inverse=True, return_counts=True
    )
    order = np.argsort(first, kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    return Classes(nets[first[order]], counts[order], place[inverse.ravel()], nets)


def merged(ids: Ids, up: Ids, down: Ids) -> Ids:
    """Groups found on one side only are alike there: each is another one than all of the other
    side. So a side of 2,500 nets, each a group of its own, is one class."""
    on_up, on_down = np.zeros((2, int(ids.max(initial=0)) + 2), dtype=np.bool_)
    on_up[ids[up]] = True
    on_down[ids[down]] = True  # -1, in no group, comes last
    found = ids.copy()
    found[up[(ids[up] != -1) & ~on_down[ids[up]]]] = _ONLY_SOURCE
    found[down[(ids[down] != -1) & ~on_up[ids[down]]]] = _ONLY_RETURN
    return found


def lone(ids: Ids, nets: Ids) -> Ids:
    """Groups that have one of these nets are alike: each is another one than every other.

    `apart` knows them, also between two nets of one class.
    """
    within = ids[nets]
    sizes = np.bincount(within[within >= 0], minlength=1)
    alone = nets[(within >= 0) & (sizes[np.maximum(within, 0)] == 1)]
    found = ids.copy()
    found[alone] = _LONE
    return found


def apart(groupings: Iterable[Ids], rows: Ids, columns: Ids) -> Flags:
    """Whether some grouping has two nets in groups apart, every row against every column."""
    found = np.zeros((len(rows), len(columns)), dtype=np.bool_)
    for ids in groupings:
        one, other = ids[rows][:, None], ids[columns][None, :]
        found |= (one != -1) & (other != -1) & ((one != other) | (one == _LONE))
    return found
