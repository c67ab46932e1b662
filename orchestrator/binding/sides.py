"""Rules on the two sides of a step that no tester changes: points known, sides apart, not empty."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

from orchestrator.binding.context import Task
from orchestrator.errors import Fault
from orchestrator.model.words import Side


def named_points(task: Task) -> Iterator[tuple[Side, int, str]]:
    """Side, index and name of every point that the step names."""
    for index, point in enumerate(task.step.apply_to):
        yield Side.SOURCE, index, point
    for index, point in enumerate(task.step.against):
        yield Side.RETURN, index, point


def key_of(side: Side) -> str:
    """The program's key for a side."""
    return "apply_to" if side is Side.SOURCE else "against"


def check_points(task: Task) -> Iterator[Fault]:
    """Every point named exists in the fixture, once, on one side."""
    known = task.context.fixture.model.points
    seen: dict[str, Side] = {}
    for side, index, point in named_points(task):
        position = task.at(key_of(side), index)
        if point not in known:
            near = get_close_matches(point, known, n=1)
            remedy = f"did you mean {near[0]!r}?" if near else "correct it or add it to the fixture"
            expected = f"a point of fixture {task.context.fixture.model.name!r}"
            yield Fault(f"{task.what}, point", repr(point), expected, remedy, position)
        elif point in seen and seen[point] is not side:
            found = f"{point!r} in apply_to and in against"
            expected = "source and return on different points"
            yield Fault(task.what, found, expected, "take it out of one of them", position)
        elif point in seen:
            found, expected = f"{point!r} twice in {key_of(side)}", "each point once"
            yield Fault(task.what, found, expected, "remove one of them", position)
        seen.setdefault(point, side)


def sides_sound(task: Task) -> bool:
    """Whether every point named is known and stands on one side, so that a route can be sought."""
    known, step = task.context.fixture.model.points, task.step
    named = (*step.apply_to, *step.against)
    return all(point in known for point in named) and len(set(named)) == len(named)


def check_not_empty(task: Task) -> Iterator[Fault]:
    """A step needs a return side: `against`, or `others: against` with another point there."""
    if task.step.against or task.others:
        return
    if task.step.others == "against":
        found, remedy = "no other point in the fixture", "add the points to the fixture"
    else:
        found, remedy = "nothing", "add against: [...] or others: against"
    yield Fault(f"{task.what}, return side", found, "at least one point", remedy, task.at())


def side_size(task: Task, side: Side) -> int:
    """How many points stand on a side, those of `others: against` included."""
    if side is Side.SOURCE:
        return len(task.step.apply_to)
    return len(task.step.against) + len(task.others)
