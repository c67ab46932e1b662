"""The limit of a search step: one pair at its own limit must break it, a good group keep it."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Context, Decimal

from orchestrator.formulas.group_limits import revealing_sum
from orchestrator.model.plausible import LEAST_INSULATION
from orchestrator.model.program import Locate

_UP = Context(prec=7, rounding=ROUND_CEILING)


@dataclass(frozen=True, slots=True)
class SearchLimit:
    """``at_least_ohm``: what the group must have. ``good_ohm``: the least that a good one has;
    infinite where nothing is declared."""

    at_least_ohm: Decimal
    good_ohm: float

    @property
    def writable(self) -> bool:
        """Whether a step may have such a limit; see `orchestrator.model.plausible`."""
        return self.at_least_ohm >= LEAST_INSULATION.value


def search_limit(
    locate: Locate, apply_to: Collection[str], against: Collection[str]
) -> SearchLimit:
    """The limit for two sides.

    One pair may be at its own limit while all others have the least conductance that is declared:
    1/R = 1/R_pair + Σ 1/R_most (`orchestrator.formulas.group_limits.revealing_sum`). The pair's own
    share in the sum is taken out as the largest that any pair has. Where nothing is declared, or
    too little for a sum, the limit of one pair holds for the group.
    """
    own = locate.accept.resistance.at_least.value
    here, there = set(apply_to), set(against)
    least = most = widest = 0.0
    single: dict[str, float] = {}
    for entry in locate.insulation:
        groups = entry.groups or tuple((point,) for point in (*here, *there))
        opposed, all_of_it = _opposed(groups, here, there)
        if not opposed:
            continue
        count = opposed if entry.counts == "each_pair" else 1
        most += count / float(entry.least.value)
        share = 0.0 if entry.most is None else 1 / float(entry.most.value)
        if entry.counts == "each_pair" or all_of_it:
            least += count * share
            widest += share
            for group in groups:
                for point in group:
                    single[point] = single.get(point, 0.0) + share
    # Entries that share a pair add up in it; no pair has more than its poorer end has.
    one_pair = min(widest, sorted(single.values())[-2]) if len(single) > 1 else 0.0
    others = max(least - one_pair, 0.0)
    limit = own
    if others > 1e-9 / float(own):
        revealed_ohm = 1 / revealing_sum(1 / float(own), others)
        limit = min(own, _UP.create_decimal_from_float(revealed_ohm))
    return SearchLimit(limit, 1 / most if most else math.inf)


def _opposed(groups: Sequence[Sequence[str]], here: set[str], there: set[str]) -> tuple[int, bool]:
    """How many pairs of some groups stand on opposite sides, and whether all do."""
    counts = [(sum(p in here for p in g), sum(p in there for p in g)) for g in groups]
    ones, others = (sum(side) for side in zip(*counts, strict=True))
    opposed = ones * others - sum(one * other for one, other in counts)
    sizes = [len(group) for group in groups]
    pairs = (sum(sizes) ** 2 - sum(size**2 for size in sizes)) // 2
    return opposed, opposed == pairs
