"""The judgement of a whole program."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.coverage.classes import Ids
from orchestrator.coverage.contacts import part_covers, too_much
from orchestrator.coverage.exposures import exposures
from orchestrator.coverage.fitting import why_unfit
from orchestrator.coverage.leads import judge_leads
from orchestrator.coverage.masking import Loose, Masking
from orchestrator.coverage.report import Coverage, Masked, PairCover, StepSeen
from orchestrator.coverage.steps import Seen, VoltageStep, see
from orchestrator.coverage.strain import strain_of
from orchestrator.coverage.tally import Fit, Tally, tally
from orchestrator.documents import Document
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.program import Program
from orchestrator.model.schedule import Schedule


def cover(
    demands: Demands,
    program: Document[Program],
    wire: Schedule | None = None,
    *,
    name: int = 20,
) -> Coverage:
    """Judge a program, whoever wrote it, against what a product demands and allows.

    Args:
        demands: the product, resolved (`orchestrator.model.resolve`).
        program: the program.
        wire: the program bound to a station: then levels, limits and sides count as the wire
            carries them. Without it a level may reach its ceiling, or 3 % more than is asked.
        name: how many pairs of each finding are named; all are counted.

    Raises:
        Refused: a point of the program is in no net of the product.
        ValueError: the schedule is of another program.

    Takes time and memory by classes of nets that no step and no demand tells apart; never a list
    of pairs.
    """
    seen = see(demands, program, wire)
    masking = Masking(demands)
    covers = []
    for demand in demands.pair_demands:
        fit, near = fit_of(demands, demand, seen, masking)
        found = tally(demands, demand, fit, name=name)
        covers.append(_pair_cover(demands, demand, fit, found, near))
    strain = strain_of(demands, seen, name=name)
    return Coverage(
        product=demands.product,
        product_revision=demands.revision,
        product_file=demands.file,
        program=program.model.name,
        program_revision=program.model.revision,
        program_file=program.file,
        station=None if wire is None else wire.station,
        fixture=None if wire is None else wire.fixture,
        nets=len(demands.nets),
        points=len(demands.net_of_point),
        runs_per_serial=demands.allowed.runs_per_serial,
        steps=tuple(_step_seen(step) for step in seen.voltage),
        pairs=tuple(covers),
        parts=tuple(part_covers(demands, seen.contact)),
        shorts=strain.shorts,
        stresses=strain.stresses,
        too_much=tuple(too_much(demands, seen.contact)),
        afloat=strain.afloat,
        reached=strain.reached,
        overspent=strain.overspent,
        stored=strain.stored,
        crowded=strain.crowded,
        leads=judge_leads(demands, seen),
        exposures=tuple(exposures(demands, seen.voltage)),
        notices=tuple(dict.fromkeys((*demands.notices, *(wire.notices if wire else ())))),
    )


def fit_of(
    demands: Demands, demand: PairDemand, seen: Seen, masking: Masking
) -> tuple[Fit, tuple[str, ...]]:
    """The steps that may cover pairs of a demand, and why others of its kind can't."""
    sure: list[VoltageStep] = []
    mixed: list[tuple[VoltageStep, tuple[Loose, ...]]] = []
    blind: list[tuple[VoltageStep, tuple[Loose, ...]]] = []
    near = []
    for step in seen.sound:
        if step.kind is not demand.kind:
            continue
        if why := why_unfit(demand, step, demands.decision_rule):
            near.append(f"{step.told}: {'; '.join(why)}")
            continue
        loose = masking.looseness(demand, step)
        if any(each.decided is False for each in loose):
            blind.append((step, loose))
        elif any(each.decided is None for each in loose):
            mixed.append((step, loose))
        else:
            sure.append(step)
    return Fit(tuple(sure), tuple(mixed), tuple(blind)), tuple(near)


def pair_tallies(
    demands: Demands, program: Document[Program], wire: Schedule | None, groups: Ids
) -> Iterator[tuple[PairDemand, Fit, Tally]]:
    """For the picture: every demand's pairs by group against group."""
    seen = see(demands, program, wire)
    masking = Masking(demands)
    for demand in demands.pair_demands:
        fit, _ = fit_of(demands, demand, seen, masking)
        yield demand, fit, tally(demands, demand, fit, name=0, groups=groups)


def _pair_cover(
    demands: Demands, demand: PairDemand, fit: Fit, found: Tally, near: tuple[str, ...]
) -> PairCover:
    nets = demands.nets
    hiding = (*fit.mixed, *fit.blind)
    return PairCover(
        name=demand.name,
        kind=demand.kind,
        level_v=demand.level_v,
        origin=demand.origin,
        pairs=found.pairs,
        covered=found.covered,
        masked=found.masked,
        open_pairs=tuple((nets[one].name, nets[other].name) for one, other in found.open_pairs),
        masked_pairs=tuple(_masked(demands, pair, hiding) for pair in found.masked_pairs),
        steps=tuple(_covering(demand, fit)),
        near=near,
    )


def _covering(demand: PairDemand, fit: Fit) -> Iterator[int]:
    """Steps that oppose pairs of the demand and show them, or some of them."""
    members = demand.pairs.group_of
    for step in sorted((*fit.sure, *(s for s, _ in fit.mixed)), key=lambda s: s.number):
        up = {members[net] for net in members if step.driven[net] > 0}
        down = {members[net] for net in members if step.driven[net] < 0}
        if up and down and (len(up | down) > 1):
            yield step.number


def _masked(
    demands: Demands,
    pair: tuple[int, int],
    hiding: Sequence[tuple[VoltageStep, tuple[Loose, ...]]],
) -> Masked:
    """The first step that opposes the pair and doesn't show it, with the figures."""
    one, other = pair
    names = demands.nets[one].name, demands.nets[other].name
    for step, loose in hiding:
        if step.driven[one] * step.driven[other] < 0:
            blind = next((each for each in loose if each.decided is not True), loose[0])
            return Masked(names, step.number, blind.why(one, other))
    raise ValueError(f"no step opposes {names[0]} and {names[1]}")


def _step_seen(step: VoltageStep) -> StepSeen:
    return StepSeen(
        step.number,
        step.name,
        step.kind,
        step.least,
        step.most,
        int((step.driven > 0).sum()),
        int((step.driven < 0).sum()),
        int((step.driven == 0).sum()),
    )
