"""Tests of fewer nets than there are, where not all contacts may be closed at once.

What is left open in a test must be allowed to float. Greedy: each test takes the units that part
most pairs that no test has parted yet, and as many as may be closed. Nets that are all demanded
against each other go in pieces; then they are parted within their pieces.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from orchestrator.model.demands import Demands
from orchestrator.model.words import Waveform
from orchestrator.planning.levels import LevelPlan
from orchestrator.planning.narrow import TOLD
from orchestrator.planning.opposing import Units
from orchestrator.planning.sorts import Bools, Ints
from orchestrator.planning.sums import Floats

REFUSALS = 32
"""A test is full after so many units that broke a budget."""
Judged = Callable[[Ints], bool]
"""Whether a test with these sides (1, 0, -1: open) is within its budgets."""


@dataclass(frozen=True)
class Crowd:
    """Units of which not all may be closed at once.

    Attributes:
        need: pairs of units to part. nets: unit → its nets. fixed: units that may not be left open.
        most: nets that may be closed.
    """

    need: Bools
    nets: Ints
    fixed: Bools
    most: int


def floating_nets(demands: Demands, level: LevelPlan) -> Bools:
    """Net → whether it may be left open in a test at a level, with all that it is joined to."""
    found = np.zeros(len(demands.nets), dtype=np.bool_)
    if not level.cuts:
        return found
    ac = level.demands[0].waveform is Waveform.AC
    for net, body in enumerate(demands.body_of):
        says = [demands.allowed.floating.get(member) for member in demands.bodies[body]]
        tops = [None if one is None else (one.ac_v if ac else one.dc_v) for one in says]
        wire_v = level.cuts[0].wire_v
        found[net] = None not in says and all(top is None or top >= wire_v for top in tops)
    return found


def least_closing(
    demands: Demands, level: LevelPlan, units: Units, most: int | None
) -> tuple[int, str]:
    """Fewest tests if so many nets at most are on the two sides: half against half part most."""
    pairs = units.sorts.any_of(d.pairs for d in level.demands)
    pairs &= ~units.trapped(pairs)
    if most is None or most < 2 or most >= len(demands.nets):
        return 0, ""
    sizes = units.sorts.sizes.astype(np.float64)
    table = np.outer(sizes, sizes)
    table[np.diag_indices(len(sizes))] = sizes * (sizes - 1)
    wanted, each = round(float((table * pairs).sum())) // 2, most // 2 * -(-most // 2)
    tests = -(-wanted // each)
    told = f"{most} contacts part at most {each} of {wanted} demanded pairs"
    return tests, f"{told}: at least {tests}"


def closing_few(crowd: Crowd, allows: Judged) -> tuple[tuple[Ints, ...], list[tuple[int, int]]]:
    """Tests (sides of units), and the pairs that none parts."""
    left, tests, uncovered = crowd.need.astype(np.float64), list[Ints](), list[tuple[int, int]]()
    while left.any():
        one, other = _first(left)
        sides = _start(crowd, one, other, allows)
        if sides is None:
            uncovered.append((one, other))
            left[one, other] = left[other, one] = 0.0
            if len(uncovered) < TOLD:
                continue
            uncovered += [(int(a), int(b)) for a, b in np.argwhere(np.triu(left))]
            break
        sides = _filled(crowd, left, sides, allows)
        tests.append(sides)
        mine, theirs = sides == 1, sides == 0
        left[np.ix_(mine, theirs)] = 0.0
        left[np.ix_(theirs, mine)] = 0.0
    return tuple(tests), uncovered


def _first(left: Floats) -> tuple[int, int]:
    """The pair of units that are in most pairs."""
    degree = left.sum(axis=1)
    one = int(degree.argmax())
    return one, int(np.where(left[one] > 0, degree, -1.0).argmax())


def _start(crowd: Crowd, one: int, other: int, allows: Judged) -> Ints | None:
    """One unit against the other; what may not be left open is on one side, either one."""
    for first, last in ((one, other), (other, one)):
        sides = np.where(crowd.fixed, 0, -1).astype(np.int64)
        sides[last], sides[first] = 0, 1
        if int(crowd.nets[sides >= 0].sum()) <= crowd.most and allows(sides):
            return sides
    return None


def _filled(crowd: Crowd, left: Floats, sides: Ints, allows: Judged) -> Ints:
    """Put further units on the side where they part most, as long as contacts and budgets last."""
    room = crowd.most - int(crowd.nets[sides >= 0].sum())
    gains = np.stack([left[:, sides == 1].sum(axis=1), left[:, sides == 0].sum(axis=1)])
    likely = left.sum(axis=1) / (1 + left.sum())
    blocked = np.zeros_like(gains, dtype=np.bool_)
    refused = 0
    while refused < REFUSALS:
        fits = (sides < 0) & (crowd.nets <= room)
        rank = np.where(fits[None, :] & ~blocked & (gains > 0), gains / crowd.nets + likely, 0.0)
        side, unit = divmod(int(rank.argmax()), len(sides))
        if rank[side, unit] <= 0:
            break
        sides[unit] = side
        if not allows(sides):
            sides[unit], blocked[side, unit], refused = -1, True, refused + 1
            continue
        room -= int(crowd.nets[unit])
        gains[1 - side] += left[:, unit]
    return sides


def inside_units(
    crowd: Crowd, unit_of: Ints, inner: Bools, allows: Judged
) -> tuple[tuple[Ints, ...], list[int]]:
    """Tests (sides of nets) that part the nets within units, and the units where that can't be.

    As many units together as may be closed; the nets of each have words in binary. ``inner``:
    units of which the nets are demanded against each other. ``allows``: by sides of nets.
    """
    rank = np.zeros(len(unit_of), dtype=np.int64)
    for unit in np.flatnonzero(inner):
        nets = np.flatnonzero(unit_of == unit)
        rank[nets] = np.arange(len(nets))
    fixed = np.isin(unit_of, np.flatnonzero(crowd.fixed))

    def coded(chosen: list[int]) -> list[Ints]:
        words = np.isin(unit_of, chosen)
        bits = (int(crowd.nets[chosen].max()) - 1).bit_length()
        other = np.where(fixed, 0, -1)
        return [np.where(words, rank >> bit & 1, other).astype(np.int64) for bit in range(bits)]

    def fits(chosen: list[int]) -> bool:
        on = crowd.fixed.copy()
        on[chosen] = True
        return int(crowd.nets[on].sum()) <= crowd.most and all(
            allows(sides) for sides in coded(chosen)
        )

    tests = list[Ints]()
    waiting: list[int] = np.flatnonzero(inner & (crowd.nets > 1)).tolist()
    while waiting:
        chosen = list[int]()
        for one in waiting:
            if fits([*chosen, one]):
                chosen.append(one)
        if not chosen:
            return tuple(tests), waiting
        tests += coded(chosen)
        waiting = [one for one in waiting if one not in chosen]
    return tuple(tests), []


def of_units(unit_of: Ints, nets: Bools, units: int) -> tuple[Ints, Bools]:
    """Unit → how many nets it has, and whether any of them may not be left open."""
    part = unit_of >= 0
    count = np.bincount(unit_of[part], minlength=units).astype(np.int64)
    fixed = np.zeros(units, dtype=np.bool_)
    fixed[unit_of[part & ~nets]] = True
    return count, fixed
