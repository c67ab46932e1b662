"""Steps with ``on_failure: locate``: whether the station can run what a search would ask for.

Each search step is bound again when it is made; here the one with all points of the failed step is
bound, so that a search that could never run is refused with the program. Where a group's limit
differs from that of one pair, a test of one pair is bound as well.
"""

from __future__ import annotations

from orchestrator.binding.contact import Proved
from orchestrator.binding.context import Context, Task
from orchestrator.binding.steps import Outcome, bind_step
from orchestrator.model.program import Locate, Step
from orchestrator.model.search import search_step
from orchestrator.model.search_limits import search_limit


def search_outcomes(context: Context) -> tuple[Outcome, ...]:
    """The widest and narrowest search step of every step that may be searched, bound or refused."""
    return tuple(
        bind_step(task)
        for index, step in enumerate(context.program.model.steps)
        if isinstance(step, Proved) and step.locate is not None
        for task in _ends(Task(context, index, step), step.locate)
    )


def _ends(task: Task, locate: Locate) -> tuple[Task, ...]:
    step: Step = task.step
    here, there = step.apply_to, (*step.against, *task.others)
    limits = search_limit(locate, here, there), search_limit(locate, here[:1], there[:1])
    if not there or limits[0] == limits[1]:
        return (_search(task, locate, here, there),)
    ends = ((here, there), (here[:1], there[:1]))
    return tuple(
        _search(task, locate, *sides)
        for limit, sides in zip(limits, ends, strict=True)
        if limit.writable
    )


def _search(
    task: Task, locate: Locate, apply_to: tuple[str, ...], against: tuple[str, ...]
) -> Task:
    asked = search_step(
        locate,
        name=f"search of step {task.index + 1}",
        searched=f"step {task.index + 1}",
        apply_to=apply_to,
        against=against,
        decision_rule=task.step.decision_rule,
    )
    return Task(task.context, task.index, asked, ("locate",))
