"""All cases of the sweep, and what comes of one."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from drivers.simulators.violations import What
from tests.sweep.checks import NOT_PROVED, Allowed, findings
from tests.sweep.courses import COURSES, Baseline, baseline
from tests.sweep.line_faults import FAULTS
from tests.sweep.sites import SITES, Made, Site
from tests.sweep.trial import Message, Trial


@dataclass(frozen=True, slots=True)
class Case:
    """One fault at one message of one course."""

    letter: str
    course: str
    fault: str
    message: Message

    def __str__(self) -> str:
        m = self.message
        where = f"message {m.number} to {m.instrument} ({m.data!r})"
        return f"station {self.letter}, {self.course}, {self.fault} at {where}"


@dataclass(frozen=True, slots=True)
class Seen:
    """How a case ended: an outcome, or what says more: kept, unproved, refused."""

    case: Case
    ending: str
    findings: tuple[str, ...]


@cache
def _site(letter: str, unit: str, folder: Path) -> Site:
    return Site(letter, folder / f"site {letter} {unit}", unit)


def baselines(folder: Path) -> tuple[Baseline, ...]:
    """Every course at every site, undisturbed."""
    return tuple(
        baseline(letter, course, folder / f"{letter} {course}")
        for letter in SITES
        for course in COURSES
    )


def all_cases(lines: Iterable[Baseline]) -> tuple[Case, ...]:
    """Every fault at every message."""
    return tuple(
        Case(line.letter, line.course, fault, message)
        for line in lines
        for message in line.messages
        for fault in FAULTS
    )


def sampled(cases: Sequence[Case], count: int, seed: int) -> tuple[Case, ...]:
    """So many cases, drawn by the seed evenly over sites, courses and faults."""
    groups: dict[tuple[str, str, str], list[Case]] = {}
    for case in cases:
        groups.setdefault((case.letter, case.course, case.fault), []).append(case)
    draw, drawn = random.Random(seed), []
    for members in groups.values():
        drawn += draw.sample(members, min(len(members), max(1, count // len(groups))))
    return tuple(drawn)


def try_case(case: Case, folder: Path) -> Seen:
    """Run one case in a folder of its own (emptied first)."""
    course, fault = COURSES[case.course], FAULTS[case.fault]
    trial = Trial(_site(case.letter, course.unit, folder), folder / "case")
    try:
        course.disturb(trial)
        fault.strike(trial.bench.instruments[case.message.instrument], case.message.number)
        trial.run()
        found = findings(trial, _allowed(case, trial.site.made))
    finally:
        trial.close()
    if case.message not in trial.messages:
        found += ("that message never came: the course isn't the same as without the fault",)
    return Seen(case, _ending(trial), found)


def _allowed(case: Case, made: Made) -> Allowed:
    course, fault = COURSES[case.course], FAULTS[case.fault]
    of_tester = case.message.instrument == made.tester
    # A carried unit has no link: what drops is its plug, and nobody puts it in again.
    unplugged = made.carried and not of_tester and case.fault == "link drop"
    moves = fault.without_power and (made.carried or not of_tester)
    return Allowed(
        course.may,
        no_stop=fault.gone and of_tester,
        left_closed=fault.mute or unplugged,
        violations=frozenset({What.RELAY_MOVED_HOT}) if moves else frozenset(),
    )


def _ending(trial: Trial) -> str:
    if trial.result is None:
        return "refused"
    if not trial.result.relays_kept:
        return str(trial.result.outcome)
    return "unproved" if NOT_PROVED in trial.result.reason else "kept"
