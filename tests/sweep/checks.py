"""What must hold after every run of the sweep; each finding is one sentence."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass

from drivers.simulators.violations import What
from orchestrator.errors import OhmwardError
from orchestrator.model.record import RunResult
from orchestrator.model.words import Outcome
from orchestrator.records.reader import show_run
from orchestrator.records.verify import verify
from orchestrator.running.interlock import Trip
from tests.sweep.account import same_reading
from tests.sweep.trial import Trial

SAFE_AC_V, SAFE_DC_V = 25.0, 60.0
"""EN 50191:2010 clause 1.2: at or below these a voltage counts as harmless."""


NOT_PROVED = "relays not proved open"
"""Off and discharged is confirmed, but not what the contacts do."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a course and its fault explain.

    Attributes:
        outcomes: those that the course may have.
        no_stop: the tester can't be told anything any more.
        left_closed: the relays, or the tester that must be proved off, are out of reach.
        violations: what the fault itself does on the bench.
    """

    outcomes: frozenset[Outcome]
    no_stop: bool = False
    left_closed: bool = False
    violations: frozenset[What] = frozenset()


def findings(trial: Trial, allowed: Allowed) -> tuple[str, ...]:
    """All that is wrong. Closes the station."""
    found = list(_bench(trial, allowed))
    result = trial.result
    if result is None:
        found += _refused(trial)
    else:
        found += _result(trial, result, allowed.outcomes)
    trial.close()
    found += _record(trial, result)
    return tuple(found)


def _bench(trial: Trial, allowed: Allowed) -> Iterator[str]:
    state = trial.bench.state()
    if state.any_on:
        yield f"output on: {state.outputs}"
    for name, output in state.outputs.items():
        if output.ac_v > SAFE_AC_V or output.dc_v > SAFE_DC_V:
            yield f"{name} not drained: {output}"
    kept = trial.result is not None and trial.result.relays_kept
    if state.closed and not kept:
        yield f"relays closed, nobody told: {sorted(state.closed)}"
    elif state.closed and not allowed.left_closed:
        reason = trial.result.reason if trial.result else ""
        yield f"relays left closed though every instrument is in reach: {reason}"
    if not trial.stop_followed and not allowed.no_stop:
        yield "no stop was sent after the last start"
    for violation in trial.bench.violations:
        if violation.what not in allowed.violations:
            yield f"violation log: {violation}"


def _refused(trial: Trial) -> Iterator[str]:
    """First contact failed: told with a remedy, nothing energised."""
    if not isinstance(trial.error, OhmwardError | Trip):
        yield f"raised {trial.error!r}"
    if not str(getattr(trial.error, "remedy", "")).strip():
        yield f"no remedy with {trial.error!r}"
    if trial.output.starts:
        yield f"energised, but no result: {trial.error!r}"


def _result(trial: Trial, result: RunResult, may: frozenset[Outcome]) -> Iterator[str]:
    if result.outcome not in may:
        yield f"outcome {result.outcome}: {result.reason or [s.reason for s in result.steps]}"
    if result.outcome is Outcome.NO_VERDICT and not (
        result.reason.strip() and result.remedy.strip()
    ):
        yield f"no verdict without reason or remedy: {result.reason!r} {result.remedy!r}"
    if result.relays_kept and not ("keep away" in result.remedy or NOT_PROVED in result.reason):
        yield f"relays kept, but neither is discharge unconfirmed nor their state: {result.reason}"
    program = trial.site.program.model
    points = frozenset(trial.site.fixture.model.points)
    asked = {step.name: step for step in program.steps}
    passed = [step for step in result.steps if step.outcome is Outcome.PASS]
    if result.outcome is Outcome.PASS and [step.name for step in passed] != list(asked):
        yield f"pass with {[step.name for step in passed]}"
    for step in passed:
        held = trial.account.tested(asked[step.name], points)
        if not held:
            yield f"step {step.name!r} passed, but the bench held no such level on its points"
        elif not any(same_reading(one, step.values) for one in held):
            yield f"step {step.name!r} passed with {step.values}, the bench had {held}"
    for step in result.steps:
        if step.outcome is not Outcome.PASS and not step.reason:
            yield f"step {step.name!r}: {step.outcome} without a reason"


def _record(trial: Trial, result: RunResult | None) -> Iterator[str]:
    report = verify(trial.records)
    if not report.ok:
        yield f"record damaged: {report.damages}"
        return
    query = "SELECT kind, count(*) FROM journal WHERE kind LIKE 'run_%' GROUP BY kind"
    with closing(sqlite3.connect(trial.records)) as connection:
        counts = dict(connection.execute(query).fetchall())
    runs = 0 if result is None else 1
    if (counts.get("run_started", 0), counts.get("run_ended", 0)) != (runs, runs):
        yield f"journal holds {counts}, expected {runs} run with one end"
        return
    if result is not None:
        view = show_run(trial.records, result.run_id)
        told = [(s.name, str(s.outcome)) for s in result.steps]
        if view.summary.outcome != str(result.outcome) or not view.summary.simulated:
            yield f"record says {view.summary}, the caller was told {result.outcome}"
        if [(s.name, s.outcome) for s in view.steps] != told:
            yield f"record's steps {view.steps} aren't those told: {told}"
