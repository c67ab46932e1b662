"""An invented run, written through the builders, for all tests of the records."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from orchestrator.clock import VirtualClock
from orchestrator.model import entries
from orchestrator.model.entries import Stamp
from orchestrator.model.record import Entry, Identity, Reading, RunResult, StepResult
from orchestrator.model.schedule import (
    Batch,
    BoundStep,
    Contact,
    LimitOrder,
    Route,
    Schedule,
    StepOrder,
)
from orchestrator.model.words import (
    DischargeGrade,
    Edge,
    Measured,
    Outcome,
    Role,
    StepKind,
    Waveform,
)
from orchestrator.records.store import SqliteStore

SOURCE = Contact("rack", "u1", "upper", 3, Role.SOURCE)
RETURN = Contact("rack", "u1", "upper", 7, Role.RETURN)


def order() -> StepOrder:
    return StepOrder(
        kind=StepKind.WITHSTAND_AC,
        level=Decimal(1500),
        waveform=Waveform.AC,
        dwell=Decimal("2.0"),
        rise=Decimal("0.5"),
        frequency=Decimal(50),
        limits=(
            LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal("0.005")),
            LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_LEAST, Decimal("1E-5")),
        ),
    )


def bound_step(index: int = 0) -> BoundStep:
    return BoundStep(
        index=index,
        name=f"winding to frame {index}",
        kind=StepKind.WITHSTAND_AC,
        tester="ht",
        asked=order(),
        order=order(),
        route=Route(frozenset({SOURCE, RETURN})),
        apply_to=("W1", "W2"),
        against=("PE",),
        others=(),
        hazardous=True,
        on_failure="stop",
        leans_on=("earth bond",),
        unproved_contact=None,
        predicted_s=2.5,
        deadline_s=6.0,
    )


def schedule(steps: int = 1) -> Schedule:
    bound = tuple(bound_step(index) for index in range(steps))
    return Schedule(
        program="pump motor",
        revision="C",
        fixture="nest 4",
        station="bay 2",
        batches=(Batch("ht", bound, bound[0].route, 8.0),),
        simulated=True,
        safe_ac_v=Decimal(25),
        safe_dc_v=Decimal(60),
        relay_settle_s=0.02,
        hashes={"program_sha256": "ab" * 32},
        exemptions={("freshness", "ht"): "the old instrument keeps no counter"},
    )


def step_result(index: int = 0, outcome: Outcome = Outcome.PASS) -> StepResult:
    return StepResult(
        index=index,
        name=f"winding to frame {index}",
        outcome=outcome,
        values={
            Measured.TOTAL_CURRENT: Reading(Decimal("0.00123")),
            Measured.VOLTAGE: Reading(Decimal(1502)),
        },
        tester_verdict="pass",
        evidence=("cleared",),
        discharge=DischargeGrade.VOLTAGE,
        residual_v=Decimal("3.5"),
        duration_s=2.6,
    )


def start_entry(run_id: str, clock: VirtualClock, serial: str = "A-17") -> Entry:
    return entries.run_started(
        run_id,
        Stamp.now(clock),
        schedule(),
        serial=serial,
        operator="R. Vane",
        attempt=1,
        instruments=[
            entries.InstrumentLine("ht", Identity("T-9", "0012", "2.1", "Invented"), True, "tall")
        ],
        software_version="0.1.0",
        relay_state=[SOURCE],
    )


def whole_run(
    run_id: str, clock: VirtualClock, serial: str = "A-17", outcome: Outcome = Outcome.PASS
) -> list[Entry]:
    at = Stamp.now(clock)
    result = RunResult(run_id, serial, outcome, (step_result(0, outcome),), simulated=True)
    return [
        start_entry(run_id, clock, serial),
        entries.event(run_id, at, "take_over", {"closed": frozenset({SOURCE})}),
        entries.step_started(run_id, at, bound_step()),
        entries.step_ended(run_id, at, step_result(0, outcome)),
        entries.traffic(run_id, at, "ht", [(1.5, "sent", b"GO\n"), (1.6, "received", b"\xff1")]),
        entries.relay_counts(run_id, at, {SOURCE: 2, RETURN: 1}),
        entries.run_ended(run_id, at, result),
    ]


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "records.sqlite"


@pytest.fixture
def filled(path: Path, clock: VirtualClock) -> Path:
    """Two whole runs of seven entries each: run-a is 1 to 7, run-b is 8 to 14."""
    with SqliteStore(path) as store:
        for run_id, serial in (("run-a", "A-17"), ("run-b", "A-18")):
            for entry in whole_run(run_id, clock, serial):
                store.append(entry)
            clock.advance(10.0)
    return path


@pytest.fixture
def tamper() -> Callable[..., None]:
    """Run SQL on the records as somebody would who takes the guards off and puts them back."""

    def run(path: Path, *statements: str | tuple[str, tuple[object, ...]]) -> None:
        connection = sqlite3.connect(path, isolation_level=None)
        try:
            guards = connection.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall()
            for name, _ in guards:
                connection.execute(f"DROP TRIGGER {name}")
            for statement in statements:
                sql, values = (statement, ()) if isinstance(statement, str) else statement
                connection.execute(sql, values)
            for _, sql in guards:
                connection.execute(sql)
        finally:
            connection.close()

    return run


@pytest.fixture
def make_run() -> Callable[..., list[Entry]]:
    return whole_run


@pytest.fixture
def make_start() -> Callable[..., Entry]:
    return start_entry
