"""What every rule is given: the documents, the instruments and the wiring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from orchestrator.binding.instruments import Instruments
from orchestrator.binding.wiring import Channel, Wiring
from orchestrator.documents import Document
from orchestrator.errors import Position
from orchestrator.model.abilities import Abilities, KindAbility
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import ContinuityStep, Program, Step
from orchestrator.model.station import Station
from orchestrator.model.words import StepKind


@dataclass(frozen=True, slots=True)
class Context:
    """One binding. ``wear``: how often the contacts of a channel have closed so far; a channel
    that is absent never did."""

    program: Document[Program]
    fixture: Document[Fixture]
    station: Document[Station]
    instruments: Instruments
    wiring: Wiring
    wear: Mapping[Channel, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Task:
    """One step of the program, with its place in the file.

    ``within``: where the values stand of a step that is made from another's settings.
    """

    context: Context
    index: int
    step: Step
    within: tuple[str, ...] = ()

    def at(self, *loc: str | int) -> Position:
        """Where a value of this step stands."""
        return self.context.program.locate("steps", self.index, *self.within, *loc)

    @property
    def what(self) -> str:
        """The step as messages name it."""
        return f"step {self.step.name!r}"

    @property
    def others(self) -> tuple[str, ...]:
        """Points of the fixture that the step doesn't name, where they go to the return side."""
        if self.step.others == "open":
            return ()
        return self.unnamed

    @property
    def unnamed(self) -> tuple[str, ...]:
        """Points of the fixture that the step doesn't name."""
        named = {*self.step.apply_to, *self.step.against}
        return tuple(point for point in self.context.fixture.model.points if point not in named)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A step on one tester that has this kind of step.

    ``ability`` is that of the function that does it: continuity through the bonding route is a
    bonding measurement where the tester's continuity terminals are others.
    """

    task: Task
    tester: str
    abilities: Abilities
    ability: KindAbility


def candidate(task: Task, tester: str) -> Candidate | None:
    """The step on this tester, or ``None`` if the tester doesn't have this kind of step."""
    abilities = task.context.instruments.testers[tester].abilities
    ability = abilities.kinds.get(task.step.kind)
    if isinstance(task.step, ContinuityStep) and task.step.route == "bonding":
        bonding = abilities.kinds.get(StepKind.BONDING)
        if ability is None or bonding is None or ability.terminals != bonding.terminals:
            ability = bonding
    return None if ability is None else Candidate(task, tester, abilities, ability)
