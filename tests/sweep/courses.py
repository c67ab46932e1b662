"""The runs whose exchanges are failed one by one, and the exchanges that count in each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from drivers.simulators.output_models import Kind, Phase
from orchestrator.model.words import Outcome
from tests.sweep.sites import Site
from tests.sweep.trial import Message, Trial

MOST_HARMLESS = frozenset({Outcome.PASS, Outcome.NO_VERDICT})
NEVER_PASS = frozenset({Outcome.FAIL, Outcome.NO_VERDICT})


def nothing(_: Trial) -> None:
    """Leave the run alone."""


def open_guard_at_high_voltage(trial: Trial) -> None:
    """Somebody opens the guard in the dwell of the AC withstand step."""

    def there() -> bool:
        order = trial.output.order
        standing = trial.output.phase is Phase.HOLD
        return standing and order is not None and order.kind is Kind.STAND_AC

    def open_it() -> None:
        trial.bench.guard_closed = False
        trial.struck_at = len(trial.messages)

    trial.when(there, open_it)


def note_last_step(trial: Trial) -> None:
    """Only what is said from the failing step on differs from a good unit's run."""
    names = [step.name for step in trial.site.program.model.steps]

    def there() -> bool:
        return trial.running == names[-3]

    trial.when(there, lambda: setattr(trial, "struck_at", len(trial.messages)))


@dataclass(frozen=True)
class Course:
    """A run. ``disturb``: what else happens in it; ``may``: the outcomes it may have."""

    unit: str
    undisturbed: Outcome
    may: frozenset[Outcome]
    disturb: Callable[[Trial], None] = nothing


COURSES: Mapping[str, Course] = {
    "good unit": Course("good", Outcome.PASS, MOST_HARMLESS),
    "leaky unit": Course("leaky", Outcome.FAIL, NEVER_PASS, note_last_step),
    "guard opened": Course(
        "good", Outcome.NO_VERDICT, frozenset({Outcome.NO_VERDICT}), open_guard_at_high_voltage
    ),
}


@dataclass(frozen=True)
class Baseline:
    """A course at a site without any fault: which messages there are to be failed."""

    letter: str
    course: str
    messages: tuple[Message, ...]
    total: int


def baseline(letter: str, course: str, folder: Path) -> Baseline:
    """Run a course undisturbed.

    Raises:
        ValueError: it doesn't end as it must without a fault.
    """
    plan = COURSES[course]
    trial = Trial(Site(letter, folder / "site", plan.unit), folder / "baseline")
    plan.disturb(trial)
    trial.run()
    trial.close()
    if trial.result is None or trial.result.outcome is not plan.undisturbed:
        raise ValueError(f"station {letter}, {course}: ended as {trial.result or trial.error!r}")
    return Baseline(letter, course, tuple(trial.messages[trial.struck_at :]), len(trial.messages))
