"""Fewest tests whose smaller sides hold so much, counted by the ones of code words.

A unit's word has a one for each test in which it stands on the smaller side. Units that are
demanded against each other have different words; of words with few ones there are few; and all
tests together hold only so many ones (G. O. H. Katona, On separating systems of a finite set, J.
Combin. Theory 1 (1966) 174-194, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.planning.sums import Floats

ROUNDING = 1e-9
"""Relative: by so much a bound is made weaker, so that rounding of floats doesn't make it wrong."""

MANY_PORTIONS = 1_000_000


@dataclass(frozen=True)
class Alike:
    """Units that may have one word: their number and the weight of each."""

    count: int
    each: float

    @property
    def weight(self) -> float:
        """Of all of them."""
        return self.count * self.each


def least_for_classes(classes: Sequence[Alike], most: float) -> int:
    """Fewest tests that give any two classes different words, if the units on the smaller side of a
    test weigh at most ``most``: a proved bound.

    The smaller side is that of less weight. A word with a one is held by at most ``most`` of one
    class; the word without ones by any number of one class. The lightest words go to the heaviest
    portions, which makes the fewest ones that there can be.
    """
    fitting = [one for one in classes if one.each <= most * (1 + ROUNDING)]
    if len(fitting) < 2:
        return 0
    return min(
        _least_with(fitting, place, most)
        for place in {(one.count, one.each): i for i, one in enumerate(fitting)}.values()
    )


def least_words(units: int, widest: int, least: int) -> int:
    """Fewest tests in which each unit has a word of its own and no test has more than ``widest``
    units on its smaller side; ``least`` or more.

    Raises:
        ValueError: no unit fits.
    """
    if widest < 1:
        raise ValueError("at least one unit must fit")
    bits = (units - 1).bit_length()
    return max(least, bits, least_for_classes([Alike(1, 1.0)] * units, float(widest)))


def _least_with(classes: Sequence[Alike], without: int, most: float) -> int:
    """The same, where this class has the word without ones."""
    portions = _portions([one for i, one in enumerate(classes) if i != without], most)
    reach = np.concatenate([[0.0], np.cumsum(portions)])
    total = float(reach[-1])
    tests = 1
    while not _holds(reach, total, tests, most):
        tests += 1
    return tests


def _portions(classes: Sequence[Alike], most: float) -> Floats:
    """What the words of each class hold, the heaviest first."""
    found: list[float] = []
    for one in classes:
        units = min(one.count, math.floor(most / one.each * (1 + ROUNDING)))
        full, rest = divmod(one.count, units)
        found += [units * one.each] * full
        if rest:
            found.append(rest * one.each)
    return np.sort(np.array(found, dtype=np.float64))[::-1]


def _holds(reach: Floats, total: float, tests: int, most: float) -> bool:
    """Whether so many tests have room for the ones of these portions."""
    ones, words, of_weight = 0.0, 0, 1
    for weight in range(tests + 1):
        left = total - float(reach[min(words, len(reach) - 1)])
        ones += left
        if left <= ROUNDING * total:
            return ones <= tests * most * (1 + ROUNDING)
        of_weight = of_weight * (tests - weight) // (weight + 1)
        words += of_weight
    return False


def least_for_units(total: float, apart: float, most: float) -> int:
    """The same for any demands: units of one word are never demanded against each other, so a word
    is held by at most ``apart``; the word without ones too."""
    portion = min(apart, most)
    left = total - apart
    if left <= ROUNDING * total or portion * MANY_PORTIONS < left:
        return 0
    reach = np.minimum(np.arange(math.ceil(left / portion) + 1) * portion, left)
    tests = 1
    while not _holds(reach, left, tests, most):
        tests += 1
    return tests
