"""Exchange number N of the demo fails, in each of the ways, at each of three stations.

Here a sample by seed; ``make sweep`` (``python -m tests.sweep``) fails every exchange.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.simulators.output_models import Kind, Order, Verdict
from orchestrator.model.words import Outcome
from tests.sweep.cases import Case, all_cases, sampled, try_case
from tests.sweep.checks import Allowed, findings
from tests.sweep.courses import COURSES, MOST_HARMLESS, baseline
from tests.sweep.line_faults import FAULTS
from tests.sweep.sites import SITES, Site
from tests.sweep.trial import Trial
from tests.sweep.workers import in_memory

SEED, EACH = 20, 1
"""So many exchanges for each fault, course and station."""
RESULT_QUERIES = (b"RESULT?", b"QR")
"""How the three testers are asked for a result, by their manuals."""
STEPS_OF_DEMO = range(8)


@pytest.fixture(scope="module")
def root() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="ohmward-sweep-", dir=in_memory()) as folder:
        yield Path(folder)


IN_SOAK = ("B", "C")
"""Two of the three stations are left to soak, as ``make sweep`` takes all of it anyway."""


def some(sites: Iterable[str]) -> list[Any]:
    return [pytest.param(s, marks=pytest.mark.soak) if s in IN_SOAK else s for s in sites]


@pytest.fixture(scope="module", params=some(SITES))
def cases(request: pytest.FixtureRequest, root: Path) -> tuple[Case, ...]:
    """The sample of one station."""
    letter = request.param
    lines = [baseline(letter, course, root / f"{letter} {course}") for course in COURSES]
    everything = all_cases(lines)
    return sampled(everything, EACH * len(COURSES) * len(FAULTS), SEED)


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_whichever_exchange_fails_the_run_ends_safe_and_on_record(
    cases: tuple[Case, ...], root: Path, fault: str
) -> None:
    """Stopped, off, drained, relays open or the reason told, one end, no pass without proof."""
    mine = [case for case in cases if case.fault == fault]
    assert len(mine) == EACH * len(COURSES)
    found = {str(case): seen for case in mine if (seen := try_case(case, root).findings)}
    assert not found


@pytest.mark.slow
@pytest.mark.parametrize("letter", SITES)
def test_the_result_of_an_earlier_step_given_once_more_passes_no_step(
    root: Path, letter: str
) -> None:
    """Found by the sweep: without a counter in it, a result says nothing of its start."""
    line = baseline(letter, "good unit", root / f"{letter} results")
    results = [m for m in line.messages if any(word in m.data for word in RESULT_QUERIES)]
    assert len(results) >= len(STEPS_OF_DEMO)
    old = [Case(letter, "good unit", "old reply: same query", m) for m in results]
    found = {str(case): seen for case in old if (seen := try_case(case, root).findings)}
    assert not found


# ---- the checks themselves: each planted defect is found

ANY = Allowed(MOST_HARMLESS)


@pytest.fixture(params=SITES)
def trial(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Trial]:
    made = Trial(Site(request.param, tmp_path / "site"), tmp_path / "case")
    yield made
    made.close()


def told(trial: Trial) -> str:
    return "; ".join(findings(trial, ANY))


def test_an_undisturbed_run_passes_with_nothing_found(trial: Trial) -> None:
    """Else the sweep would prove nothing."""
    trial.run()
    assert trial.result is not None
    assert trial.result.outcome is Outcome.PASS
    assert told(trial) == ""


def test_an_output_left_on_is_found(trial: Trial) -> None:
    """Whoever switched it on."""
    trial.run()
    trial.output.start(Order(Kind.STAND_DC, 1000.0, rise_s=0.1, dwell_s=0.0, fall_s=0.0))
    trial.clock.advance(0.5)
    assert "output on" in (found := told(trial))
    assert "no stop was sent" in found


def test_a_charge_and_a_contact_left_behind_are_found(trial: Trial) -> None:
    """The relays are moved and the charge is held by hand."""
    trial.run()
    unit = trial.bench.wiring.units[0]
    unit.put(next(iter(unit.banks)), {1: "source"})
    trial.output.faults.stuck_discharge = True
    trial.output.start(Order(Kind.STAND_DC, 1000.0, rise_s=0.1, dwell_s=0.2, fall_s=0.0))
    trial.clock.advance(1.0)
    assert "not drained" in (found := told(trial))
    assert "relays closed, nobody told" in found
    assert "violation log" in found


LIES: dict[str, Callable[[Trial], None]] = {
    "a dwell cut short": lambda t: setattr(t.output.faults, "dwell_factor", 0.5),
    "a level not reached": lambda t: setattr(t.output.faults, "level_factor", 0.9),
}


@pytest.mark.parametrize("lie", LIES)
def test_a_step_that_the_bench_never_held_is_no_tested_step(trial: Trial, lie: str) -> None:
    """The account goes by what happened on the bench, not by what anybody was told."""
    LIES[lie](trial)
    trial.output.faults.blind_to_level = True
    trial.output.faults.verdict_override = Verdict.PASS
    trial.run()
    points = frozenset(trial.site.fixture.model.points)
    steps = trial.site.program.model.steps
    assert trial.account.held
    assert not any(trial.account.tested(step, points) for step in steps)


def test_another_contact_than_the_programs_is_no_tested_step(trial: Trial) -> None:
    """One more point on the bus: the step was made on other points than asked."""
    unit, (bank, *_) = trial.bench.wiring.units[0], trial.bench.wiring.units[0].banks
    unit.weld(bank, 4, "return")
    trial.run()
    points = frozenset(trial.site.fixture.model.points)
    wrong = [held for held in trial.account.held if held.back - held.source]
    assert all("steel base" in held.back for held in wrong)
    assert not trial.account.tested(trial.site.program.model.steps[2], points)


def test_a_second_end_of_a_run_and_a_missing_run_are_found(trial: Trial) -> None:
    """The journal is counted apart from the reader that shows it."""
    trial.run()
    trial.result, trial.error = None, None
    assert "expected 0 run" in (found := told(trial))
    assert "energised, but no result" in found
