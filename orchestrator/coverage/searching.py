"""What a search after a failed step may do to the product, in its worst case.

A search (`on_failure: locate`) puts the step's points on two sides in ways of its own, at its own
DC level. Judged as a step of its own:

- it may oppose any two nets that the failed step opposes, up to its ceiling (3 % above its level
  where none is written). Two nets on one side of that step it opposes only where another step of
  the program, or the search after one, puts them under as much DC: that is judged there;
- what the failed step leaves open stays open; with ``floating`` written it may leave open any net;
- a pair may be exposed as often as ``exposures_at_most`` says. That counts against the product's
  `extra_insulation` where the level is an insulation level: no more than the highest of the
  insulation demands, or than `search_level`. Above it counts against `extra_withstand`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

from orchestrator.coverage.classes import Flags
from orchestrator.coverage.reach import open_nets
from orchestrator.coverage.report import Overspent
from orchestrator.coverage.steps import SearchSeen, VoltageStep
from orchestrator.model.demands import Demands
from orchestrator.model.words import StepKind, Waveform

INSULATION, WITHSTAND = "insulation", "withstand"


def as_search(step: VoltageStep, search: SearchSeen) -> VoltageStep:
    """The step with the search's level on its two sides."""
    return replace(
        step,
        kind=StepKind.INSULATION,
        waveform=Waveform.DC,
        least=search.level_v,
        most=search.most_v,
        frequency_hz=None,
    )


def said_by(step: VoltageStep, search: SearchSeen) -> bool:
    """Whether what a search does to some pairs is told of a step that does it, too."""
    return step.waveform is Waveform.DC and step.most >= search.most_v


def loose_nets(step: VoltageStep, search: SearchSeen) -> Flags:
    """By net: whether a search may leave it open."""
    if not search.floating:
        return open_nets(step)
    found: Flags = open_nets(step) | (step.carried != 0)
    return found


def kinds_of(demands: Demands, search: SearchSeen) -> str:
    """Against which allowance the search's exposures count."""
    levels = [d.level_v for d in demands.pair_demands if d.kind is StepKind.INSULATION]
    highest = max([*levels, demands.allowed.search_level_v or Decimal(0)])
    return INSULATION if search.level_v <= highest else WITHSTAND


def allowed_of(demands: Demands, kinds: str) -> int:
    """How often locating may expose a pair, over all runs of one serial number."""
    allowed = demands.allowed
    return allowed.extra_insulation if kinds == INSULATION else allowed.extra_withstand


def overspent(demands: Demands, steps: Sequence[VoltageStep]) -> Iterator[Overspent]:
    """Steps whose search may expose a pair more often than is allowed."""
    for step in steps:
        if (search := step.search) is None:
            continue
        kinds = kinds_of(demands, search)
        if search.exposures > allowed_of(demands, kinds):
            yield Overspent(
                step.number, step.name, step.at, kinds, search.level_v, search.exposures,
                allowed_of(demands, kinds),
            )  # fmt: skip


def most_exposures(demands: Demands, steps: Sequence[VoltageStep], kinds: str) -> int:
    """How often searches may expose a pair: earlier ones count for all of them, so the most that
    any one step allows."""
    found = [s.search.exposures for s in steps if s.search and kinds_of(demands, s.search) == kinds]
    return max(found, default=0)
