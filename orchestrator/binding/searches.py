"""Steps with ``on_failure: locate``: whether the station can run what a search would ask for.

Each search step is bound again when it is made; here the one with all points of the failed step is
bound, so that a search that could never run is refused with the program.
"""

from __future__ import annotations

from orchestrator.binding.contact import Proved
from orchestrator.binding.context import Context, Task
from orchestrator.binding.steps import Outcome, bind_step
from orchestrator.model.program import Locate, Step
from orchestrator.model.search import search_step


def search_outcomes(context: Context) -> tuple[Outcome, ...]:
    """The widest search step of every step that may be searched, bound or refused."""
    return tuple(
        bind_step(_widest(Task(context, index, step), step.locate))
        for index, step in enumerate(context.program.model.steps)
        if isinstance(step, Proved) and step.locate is not None
    )


def _widest(task: Task, locate: Locate) -> Task:
    step: Step = task.step
    asked = search_step(
        locate,
        name=f"search of step {task.index + 1}",
        searched=f"step {task.index + 1}",
        apply_to=step.apply_to,
        against=(*step.against, *task.others),
        decision_rule=step.decision_rule,
    )
    return Task(task.context, task.index, asked, ("locate",))
