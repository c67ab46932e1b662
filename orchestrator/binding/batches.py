"""Cutting a bound program into batches: what one start runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from orchestrator.binding.context import Context
from orchestrator.model.schedule import Batch, BoundStep
from orchestrator.model.words import CONTACT_KINDS, ReadBackProof


def cut(context: Context, steps: Sequence[BoundStep]) -> tuple[Batch, ...]:
    """Batches in the order of the program, as long as the rules allow."""
    groups: list[list[BoundStep]] = []
    for step in steps:
        if groups and may_join(context, groups[-1], step):
            groups[-1].append(step)
        else:
            groups.append([step])
    return tuple(_batch(context, group) for group in groups)


def may_join(context: Context, group: Sequence[BoundStep], step: BoundStep) -> bool:
    """Whether one start may run this step behind those of a group.

    Not if: another tester; no free slot; another route that the tester doesn't switch itself; a
    failure before it must stop the run, which is decided between batches; it leans on a step of
    the group; it is hazardous and a bonding or continuity step, which must have passed before
    anything hazardous runs, stands in the group (rule 8).
    """
    abilities = context.instruments.testers[step.tester].abilities
    if group[-1].tester != step.tester or len(group) >= abilities.slots:
        return False
    if any(earlier.on_failure != "continue" for earlier in group):
        return False
    if any(earlier.name in step.leans_on for earlier in group):
        return False
    if step.hazardous and any(earlier.kind in CONTACT_KINDS for earlier in group):
        return False
    if group[-1].route == step.route:
        return True
    return abilities.routes_itself and _all_built_in(context, step.tester, (*group, step))


def _all_built_in(context: Context, tester: str, steps: Sequence[BoundStep]) -> bool:
    chains = context.station.model.chains
    return all(
        chains[contact.chain].built_in == tester
        for step in steps
        for contact in step.route.contacts
    )


def _batch(context: Context, group: Sequence[BoundStep]) -> Batch:
    steps = tuple(
        replace(step, asked=step.asked.in_slot(slot), order=step.order.in_slot(slot))
        for slot, step in enumerate(group)
    )
    deadline_s = sum(step.deadline_s for step in steps)
    return Batch(steps[0].tester, steps, steps[0].route, deadline_s, _delegated(context, steps))


def _delegated(context: Context, steps: Sequence[BoundStep]) -> bool:
    """Switching between the steps of one start that nothing reads back from the contacts."""
    if len({step.route for step in steps}) < 2:
        return False
    matrices: Mapping[str, ReadBackProof | None] = {
        name: matrix.read_back for name, matrix in context.instruments.matrices.items()
    }
    chains = {contact.chain for step in steps for contact in step.route.contacts}
    return any(matrices[chain] is not ReadBackProof.CONTACT for chain in chains)
