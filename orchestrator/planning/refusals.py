"""What can't be planned, and why: pairs that nothing opposes, budgets that nothing keeps."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from orchestrator.errors import Fault
from orchestrator.model.amounts import volts
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.planning.levels import Trapped
from orchestrator.planning.limits import Budgets
from orchestrator.planning.plan import PlannedStep
from orchestrator.planning.within import Test
from orchestrator.planning.words import kind_word


def trapped_fault(demands: Demands, one: Trapped) -> Fault:
    """A demanded pair that no test opposes, with what keeps the two together."""
    first, last = (demands.nets[net].name for net in one.pair)
    kind = kind_word(one.demand.kind)
    if len(one.chain) > 2:
        parts = [
            f"{demands.nets[a].name!r} and {demands.nets[b].name!r} ({_why(demands, a, b)})"
            for a, b in pairwise(one.chain)
        ]
        reason = "these mustn't be parted: " + ", ".join(parts)
    else:
        reason = _why(demands, *one.pair)
    level = volts(one.demand.level_v)
    return Fault(
        one.demand.origin.what,
        f"{kind} at {level} between {first!r} and {last!r}, which must stand on one side: {reason}",
        "nets that a test of two sides can oppose",
        _way_out(demands, one),
        one.demand.origin.at,
    )


def _way_out(demands: Demands, one: Trapped) -> str:
    declared = any(demands.highest(a, b).why == "never_above" for a, b in pairwise(one.chain))
    ways = ["raise or part that never_above"] if declared else []
    ways.append("say what the pairs in between may see (never_above, allow: undeclared_pairs)")
    may = "allow: floating; a never_above of it must allow the level"
    ways.append(f"or let a net between them float ({may})")
    return "every net stands on one of two sides: " + ", ".join(ways)


def _why(demands: Demands, one: int, other: int) -> str:
    highest = demands.highest(one, other)
    places = ", ".join(f"{o.what} at {o.at}" for o in highest.origins)
    told = f"{volts(highest.ac_v)} AC, {volts(highest.dc_v)} DC at most: {highest.why}"
    return f"{told} ({places})" if places else told


def broken_budgets(demands: Demands, tests: Sequence[Test]) -> list[Fault]:
    """Budgets that tests break all the same: one with nets left open isn't split."""
    found = []
    for test in tests:
        sides = " against ".join(
            side_word(demands, np.flatnonzero(test.cut.sides == side).tolist()) for side in (1, 0)
        )
        origin = test.counting[0].origin
        remedy = (
            "raise the budget or the pair's limit, declare narrower tolerances, or let no net "
            "float, so that the test can be split"
        )
        for breach in test.settled.breaches:
            told = f"{breach.what} of {sides}: {breach.found}"
            found.append(Fault(origin.what, told, breach.expected, remedy, origin.at))
    return found


def unfitting(made: Sequence[PlannedStep], budgets: Budgets, demand: PairDemand) -> list[Fault]:
    """More nets than contacts that may be closed: no split helps, as every net has a side."""
    found = []
    for step in made:
        closed = len(step.apply_to) + len(step.against)
        if budgets.relays is not None and closed > budgets.relays:
            what = f"step {step.name!r}"
            expected = f"at most {budgets.relays} contacts closed"
            remedy = "raise relays_at_most, or let nets float (allow: floating)"
            told = f"{closed} contacts"
            found.append(Fault(what, told, expected, remedy, demand.origin.at))
            break
    return found


def side_word(demands: Demands, nets: Sequence[int]) -> str:
    """A word for one side: the circuits that it holds, else its nets."""
    words: list[str] = []
    for net in nets:
        circuit = demands.nets[net].circuit
        word = demands.nets[net].name if circuit is None else circuit
        if word not in words:
            words.append(word)
    return ", ".join(words[:3]) + (f" +{len(words) - 3}" if len(words) > 3 else "")
