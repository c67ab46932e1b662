"""How many suspects the next test of an adaptive search should take.

Hwang's generalised binary splitting (F. K. Hwang, JASA 67 (1972) 605-608; Du and Hwang; from
memory, the formula equals exhaustive simulation for n ≤ 18, d ≤ 4), and sizes where each suspect
may be exposed a few times only: a failing test costs every suspect in it an exposure, a passing one
costs nothing that matters, for what passed needs no more.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence


def information_bound(count: int, faults: int = 1) -> int:
    """Least tests that can tell apart all ways of having exactly so many faults: ⌈log2 C(n, d)⌉."""
    return max(0, math.comb(count, faults) - 1).bit_length()


def hwang_group(count: int, faults: int) -> int:
    """Size of the group to test among ``count`` items with at most ``faults`` faulty ones.

    1 if n ≤ 2d − 2; else 2^α with l = n − d + 1 and α = ⌊log2(l/d)⌋.

    Raises:
        ValueError: no item or no fault.
    """
    if count < 1 or faults < 1:
        raise ValueError("there must be an item and a fault to look for")
    if count <= 2 * faults - 2:
        return 1
    return 1 << ((count - faults + 1) // faults).bit_length() - 1


def hwang_worst(count: int, faults: int) -> int:
    """Most tests of Hwang's splitting: n if n ≤ 2d − 2, else (α + 2)d + p − 1, with
    p = ⌊(l − 2^α·d)/2^α⌋; 0 without faults."""
    if faults < 1 or count < 1:
        return 0
    if count <= 2 * faults - 2:
        return count
    size, room = hwang_group(count, faults), count - faults + 1
    return (size.bit_length() + 1) * faults + (room - size * faults) // size - 1


def find_faulty(
    count: int, faults: int, passes: Callable[[Sequence[int]], bool]
) -> tuple[tuple[int, ...], int]:
    """Hwang's splitting itself, for items of which any set can be tested.

    Args:
        count: items are 0 … count − 1.
        faults: at most so many are faulty.
        passes: whether a test of these items passes, that is, none of them is faulty.

    Returns:
        The faulty items and the number of tests.
    """
    left, found, tests = list(range(count)), list[int](), 0
    while left and len(found) < faults:
        group = left[: hwang_group(len(left), faults - len(found))]
        tests += 1
        if passes(group):
            left = left[len(group) :]
            continue
        good = 0
        while len(group) > 1:
            half = group[: len(group) // 2]
            tests += 1
            if passes(half):
                good += len(half)
                group = group[len(half) :]
            else:
                group = half
        found.append(group[0])
        left = left[good:]
        left.remove(group[0])
    return tuple(found), tests


def told_apart(tests: int, exposures: int, *, failing: bool) -> int:
    """How many suspects so many tests can tell apart if each may be exposed so often.

    ``failing``: one of them is known to be faulty (Σ C(t, i) for i from 0 to e); else all may be
    good, which is one more outcome (the sum from 1). With e ≥ t: 2^t, and 2^t − 1.
    """
    total = sum(math.comb(tests, i) for i in range(min(tests, exposures) + 1))
    return total if failing else total - 1


def split_sizes(count: int, exposures: int, *, failing: bool) -> tuple[int, int]:
    """Smallest and largest number of suspects to test so that the fewest tests are enough.

    ``failing`` as in `told_apart`; then at most all but one. For one fault.

    Raises:
        ValueError: nothing to split, or no exposure left.
    """
    if count < (2 if failing else 1) or exposures < 1:
        raise ValueError("there must be suspects to split and exposures left")
    tests = 1
    while told_apart(tests, exposures, failing=failing) < count:
        tests += 1
    least = count - told_apart(tests - 1, exposures, failing=failing)
    most = told_apart(tests - 1, exposures - 1, failing=True)
    end = count - 1 if failing else count
    return max(1, min(least, end)), max(1, min(most, end))
