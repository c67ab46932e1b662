"""Contact proof of insulation and withstand steps."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from orchestrator.binding.asking import limits_of
from orchestrator.binding.context import Task
from orchestrator.binding.sides import side_size
from orchestrator.errors import Fault
from orchestrator.model.program import InsulationStep, Step, WithstandAcStep, WithstandDcStep
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, Side

_CURRENTS = (Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT)

Proved = InsulationStep | WithstandAcStep | WithstandDcStep


def check_contact(task: Task) -> Iterator[Fault]:
    """A step that needs proof of contact has it, by one way or another, or says why not."""
    step = task.step
    if not isinstance(step, Proved):
        return
    yield from _check_named(task, step)
    if step.unproved_contact is not None or limit_shows_open_lead(task):
        return
    if not step.prove_contact:
        yield _unproved(task)
        return
    missing = unproved_points(task, step)
    if missing:
        found = ", ".join(repr(point) for point in missing) + " touched by none of them"
        expected = "the steps of prove_contact to touch every point of the step"
        remedy = "name the continuity or bonding steps of these points too"
        at = task.at("prove_contact")
        yield Fault(f"{task.what}, prove_contact", found, expected, remedy, at)


def _unproved(task: Task) -> Fault:
    found = "none"
    if any(edge is Edge.AT_LEAST for _, edge in _edges(task)):
        found = "only a lower limit that one open lead wouldn't break"
    expected = (
        "prove_contact naming earlier continuity or bonding steps, or a lower limit on current "
        "with one point on each side"
    )
    remedy = "add prove_contact: [...], or unproved_contact: <reason>, which goes into the record"
    return Fault(f"{task.what}, contact proof", found, expected, remedy, task.at())


def _edges(task: Task) -> list[tuple[Measured, Edge]]:
    return [(limit.quantity, limit.edge) for limit in limits_of(task.step.accept)]


def _check_named(task: Task, step: Proved) -> Iterator[Fault]:
    """Each named step exists, comes earlier and can prove contact."""
    steps = task.context.program.model.steps
    by_name = {other.name: (index, other) for index, other in enumerate(steps)}
    for place, name in enumerate(step.prove_contact):
        at = task.at("prove_contact", place)
        what = f"{task.what}, prove_contact"
        remedy = "name a continuity or bonding step that stands before this one"
        if name not in by_name:
            yield Fault(what, f"no step named {name!r}", "the name of a step", remedy, at)
            continue
        index, other = by_name[name]
        if index >= task.index:
            found = f"{name!r}, which comes later" if index > task.index else "the step itself"
            yield Fault(what, found, "an earlier step", remedy, at)
        if other.kind not in CONTACT_KINDS:
            found = f"{name!r}, a step of kind {other.kind.value}"
            yield Fault(what, found, "a continuity or bonding step", remedy, at)


def proving_steps(task: Task, step: Proved) -> tuple[Step, ...]:
    """The named steps that count: earlier ones that can prove contact."""
    earlier = task.context.program.model.steps[: task.index]
    return tuple(
        other
        for other in earlier
        if other.name in step.prove_contact and other.kind in CONTACT_KINDS
    )


def unproved_points(task: Task, step: Proved) -> tuple[str, ...]:
    """Points of the step that no named step touches."""
    touched = {
        point for other in proving_steps(task, step) for point in (*other.apply_to, *other.against)
    }
    points = (*step.apply_to, *step.against, *task.others)
    return tuple(point for point in points if point not in touched)


def limit_shows_open_lead(task: Task) -> bool:
    """Whether a lower limit on current would be broken by an open lead at any single point.

    With several points on a side the others go on drawing current, so one open lead needn't
    show: then it proves nothing. A lower limit on resistance is passed by an open lead. A limit
    that the empty fixture's own current reaches doesn't show it either.
    """
    if side_size(task, Side.SOURCE) != 1 or side_size(task, Side.RETURN) != 1:
        return False
    own_a = _fixture_current_a(task)
    return any(
        limit.edge is Edge.AT_LEAST and limit.quantity in _CURRENTS and limit.value > own_a
        for limit in limits_of(task.step.accept)
    )


def _fixture_current_a(task: Task) -> Decimal:
    """What the empty fixture draws between the step's two points; 0 where it wasn't measured."""
    points = {*task.step.apply_to, *task.step.against, *task.others}
    currents = (
        offset.current.value
        for offset in task.context.fixture.model.offsets
        if offset.current is not None and set(offset.between) == points
    )
    return max(currents, default=Decimal(0))
