"""A whole program: batches in order, with the rules for what may follow a failure."""

from __future__ import annotations

from collections.abc import Generator, Iterable
from typing import Any, Protocol

from orchestrator.model.record import StepResult
from orchestrator.model.schedule import Batch, BoundStep, Schedule
from orchestrator.model.words import Outcome, StepKind
from orchestrator.running.batch import finish, run_batch
from orchestrator.running.commands import Command, Enable, Wait
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import RunState
from orchestrator.running.take_over import inputs_problem


class Searching(Protocol):
    """What finds the pair behind a failed step, by steps of its own."""

    def after(
        self, run: RunState, schedule: Schedule, step: BoundStep, result: StepResult
    ) -> Generator[Command, Any, None]:
        """Search after this step has failed. Raises what a batch raises."""
        ...


def run_schedule(
    run: RunState, schedule: Schedule, searching: Searching | None = None
) -> Generator[Command, Any, None]:
    """Run all batches that may run; the rest end as ``not_run``. Raises what a batch raises.

    Raises:
        ValueError: a step asks for a search, and there is nothing to search with.
    """
    if searching is None and any(step.locate is not None for step in schedule.steps):
        raise ValueError("a step with on_failure: locate needs something to search with")
    yield from _enable(run)
    outcomes: dict[str, Outcome] = {}
    for batch in schedule.batches:
        reason = blocked(schedule, batch, outcomes)
        if reason:
            skip(run, batch.steps, reason)
        else:
            yield from run_batch(run, batch, exempt(schedule, batch))
            yield from _search(run, schedule, batch.steps[-1], searching)
        outcomes.update((result.name, result.outcome) for result in run.results)


def _search(
    run: RunState, schedule: Schedule, step: BoundStep, searching: Searching | None
) -> Generator[Command, Any, None]:
    """Only the last step of a batch can ask for it: after such a one a batch ends."""
    if searching is None or step.locate is None:
        return
    result = next(result for result in run.results if result.index == step.index)
    if result.outcome is Outcome.FAIL:
        yield from searching.after(run, schedule, step, result)


def _enable(run: RunState) -> Generator[Command, Any, None]:
    """Switch the enable on, the inputs closed; safe-off takes it away again. Raises Trip."""
    if run.rack.enable is None:
        return
    problem = yield from inputs_problem(run)
    if problem:
        raise Trip(problem)
    yield Enable(True)
    yield Wait(run.rack.enable_settle_s)


def blocked(schedule: Schedule, batch: Batch, outcomes: dict[str, Outcome]) -> str:
    """Why a batch may not run after what came before, '' if it may.

    A failed protection stops the hazard behind it, whatever the program says about continuing.
    """
    for step in schedule.steps:
        outcome = outcomes.get(step.name)
        if outcome is None or outcome is Outcome.PASS:
            continue
        if step.on_failure != "continue":
            return f"step {step.name!r} ended as {outcome}"
        if step.kind is StepKind.BONDING and any(s.hazardous for s in batch.steps):
            return f"bonding step {step.name!r} ended as {outcome}: nothing hazardous after it"
        if any(step.name in s.leans_on for s in batch.steps):
            return f"contact step {step.name!r} ended as {outcome}"
    return ""


def skip(run: RunState, steps: Iterable[BoundStep], reason: str) -> None:
    """Record steps as not run."""
    for step in steps:
        finish(run, StepResult(step.index, step.name, Outcome.NOT_RUN, reason))


def exempt(schedule: Schedule, batch: Batch) -> frozenset[str]:
    """Rules that the station excuses for this batch's tester or chains."""
    routes = (batch.route, *(step.route for step in batch.steps))
    used = {batch.tester, *(contact.chain for route in routes for contact in route.contacts)}
    return frozenset(rule for rule, instrument in schedule.exemptions if instrument in used)


def outcome_of(results: Iterable[StepResult], *, whole: bool) -> Outcome:
    """The run's outcome. ``whole``: it ran to its end without a trip or fault."""
    outcomes = [result.outcome for result in results]
    if Outcome.FAIL in outcomes:
        return Outcome.FAIL
    if whole and outcomes and all(o is Outcome.PASS for o in outcomes):
        return Outcome.PASS
    return Outcome.NO_VERDICT
