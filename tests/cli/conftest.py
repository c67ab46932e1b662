"""A run without instruments for the tests of the command line: invented steps, scripted ends."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.assembly.gate import Confirm, pass_gate
from orchestrator.cli.main import main
from orchestrator.model.record import Reading, RunResult, StepResult
from orchestrator.model.schedule import Batch, BoundStep, LimitOrder, Route, Schedule, StepOrder
from orchestrator.model.words import Edge, Measured, Outcome, StepKind, Waveform
from orchestrator.running.rack import Notice

CURRENT = {Measured.TOTAL_CURRENT: Reading(Decimal("0.00207345"))}


def bound_step(index: int, name: str) -> BoundStep:
    order = StepOrder(
        kind=StepKind.WITHSTAND_AC,
        level=Decimal(1500),
        waveform=Waveform.AC,
        dwell=Decimal(2),
        rise=Decimal("0.5"),
        frequency=Decimal(50),
        limits=(LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal("0.005")),),
    )
    return BoundStep(
        index=index,
        name=name,
        kind=StepKind.WITHSTAND_AC,
        tester="t1",
        asked=order,
        order=order,
        route=Route(),
        apply_to=("line", "neutral"),
        against=("earth",),
        others=("door",),
        hazardous=True,
        on_failure="stop",
        leans_on=(),
        unproved_contact=None,
        predicted_s=2.5,
        deadline_s=6.0,
    )


def make_schedule(*, simulated: bool = True) -> Schedule:
    steps = tuple(bound_step(i, name) for i, name in enumerate(("first", "second")))
    return Schedule(
        program="invented program",
        revision="1",
        fixture="invented fixture",
        station="invented station",
        batches=tuple(Batch("t1", (step,), Route(), 6.0) for step in steps),
        simulated=simulated,
        safe_ac_v=Decimal(25),
        safe_dc_v=Decimal(60),
        relay_settle_s=0.05,
    )


def result_of(schedule: Schedule, outcome: Outcome, **more: Any) -> RunResult:
    steps = tuple(
        StepResult(step.index, step.name, outcome, values=CURRENT) for step in schedule.steps
    )
    return RunResult("run-1", "X1", outcome, steps, schedule.simulated, **more)


@dataclass
class PaperStation:
    """Stands for a live station; `script` is what happens during a run."""

    records: Path
    schedule: Schedule = field(default_factory=make_schedule)
    outcome: Outcome = Outcome.PASS
    script: Callable[[PaperStation], None] = field(default=lambda _: None)
    opening: Exception | None = None
    cancelled: list[str] = field(default_factory=list)
    ran: list[dict[str, Any]] = field(default_factory=list)
    closed: bool = False
    traffic_file: None = None
    show: Callable[[Notice], None] = field(default=lambda _: None)

    def cancel(self, reason: str) -> None:
        self.cancelled.append(reason)

    def run(self, schedule: Schedule, *, confirm: Confirm | None, **more: Any) -> RunResult:
        pass_gate(schedule, confirm)
        self.ran.append(more)
        self.show(Notice("phase", {"phase": "take_over"}))
        result = result_of(schedule, self.outcome)
        for step, ended in zip(schedule.steps, result.steps, strict=True):
            self.show(Notice("step_started", {"step": step}))
            live = {"state": "dwelling", "slot": 0, "elapsed_s": 1.0, "values": CURRENT}
            self.show(Notice("live", live))
            self.script(self)
            self.show(Notice("step_ended", {"result": ended}))
        if self.cancelled:
            result = result_of(schedule, Outcome.NO_VERDICT, reason=self.cancelled[0])
        self.show(Notice("run_ended", {"result": result}))
        return result


@pytest.fixture
def paper(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> PaperStation:
    """`ohmward run` on a station of paper."""
    from orchestrator.cli import running

    station = PaperStation(tmp_path / "records.sqlite")

    @contextmanager
    def open_station(*_: Any, show: Callable[[Notice], None], **__: Any) -> Iterator[PaperStation]:
        if station.opening is not None:
            raise station.opening
        station.show = show
        yield station
        station.closed = True

    def read_files(*_: Any) -> Any:
        plan = SimpleNamespace(records=station.records)
        return SimpleNamespace(plan=plan, fixture=None, bind=lambda: station.schedule)

    monkeypatch.setattr(running, "open_station", open_station)
    monkeypatch.setattr(running, "read_files", read_files)
    return station


RUN = ["run", "station.yaml", "program.yaml", "--serial", "X1"]


def run_paper(*more: str) -> int:
    """`ohmward run` without a question."""
    return main([*RUN, "--yes", *more])


def lines_of(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]
