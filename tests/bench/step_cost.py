"""Time of a whole step on a link that costs nothing, and of the journal's commits apart."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock
from uuid import uuid4

from orchestrator.assembly.live import open_station
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.documents import read_document
from orchestrator.model import entries
from orchestrator.model.program import Program
from orchestrator.model.record import Entry
from orchestrator.model.schedule import Schedule
from orchestrator.model.words import Outcome
from orchestrator.records.store import SqliteStore
from orchestrator.running.controller import Controller, Request
from orchestrator.running.interlock import Interlock
from orchestrator.running.ports import Port
from orchestrator.running.pump import Pump
from orchestrator.running.rack import Notice, Rack
from tests.bench.doubles import NullStore, Passed, PlaybackLink, RecordingLink
from tests.bench.figures import Figure, median, micro, milli, quantile
from tests.bench.station import write_station

GOAL_S = 1e-3
FEW_LOOKS = "200 ms"
LOOK_S = 50e-6
WATCH = SystemClock()
Tapes = Mapping[str, tuple[Passed, ...]]


@dataclass(frozen=True, slots=True)
class _Step:
    """What one step took, and how many messages were sent in it."""

    name: str
    seconds: float
    beside_s: float
    """Of these, outside of conversations."""
    sent: int


def step_figures(folder: Path, *, runs: int, commits: int) -> list[Figure]:
    """The step with few looks, then with many, then the commits."""
    (folder / "few").mkdir()
    (folder / "many").mkdir()
    few, _ = _steps(folder / "few", FEW_LOOKS, runs)
    many, kept = _steps(folder / "many", "10 ms", runs)
    return [
        _beside_figure(few),
        _few_figure(few),
        _many_figure(many),
        _commit_figure(folder, kept, commits),
    ]


def _steps(folder: Path, look: str, runs: int) -> tuple[list[_Step], list[Entry]]:
    """The steps of many runs on a dialogue recorded once, and the last run's journal."""
    station = write_station(folder, look=look)
    with open_station(station, clock=VirtualClock()) as live:
        schedule = live.bind(read_document(folder / "program.yaml", Program))
        rack = live.controller.rack
        recordings = {}
        for name, port in rack.ports.items():
            port.link = recordings[name] = RecordingLink(port.link, live.clock)
        live.take_over()
        _require_pass(live.run(schedule, serial="RECORDED").outcome)
        tapes = {name: tuple(recording.tape) for name, recording in recordings.items()}
        store = NullStore(keep=True)
        steps: list[_Step] = []
        for _ in range(runs):
            steps += _play(rack, schedule, tapes, store)
    return steps, store.kept


def _beside_figure(steps: list[_Step]) -> Figure:
    beside_s = median([step.beside_s for step in steps])
    return Figure(
        "added per step beside its exchanges, without commits",
        milli(beside_s),
        f"< {milli(GOAL_S)}",
        beside_s < GOAL_S,
        "of the step below: what is left when the time within conversations is taken off (those "
        "are counted per exchange in the first rows): sequence, phases, waiting, journal entries, "
        f"judging. Median of {len(steps)} steps.",
    )


def _few_figure(steps: list[_Step]) -> Figure:
    all_s = [step.seconds for step in steps]
    typical_s, quiet_s = median(all_s), quantile(all_s, 0.1)
    return Figure(
        "a whole step without commits",
        milli(typical_s),
        f"< {milli(GOAL_S)}",
        typical_s < GOAL_S,
        "everything from the end of the step before to its own end: routing and its proof, set-up "
        "with every setting read back, start, looks, confirming off, judging; the first step with "
        "the start of the run. On a dialogue recorded from the simulators and played back from "
        "memory in virtual time (the playing back is counted), journal in memory, shortest dwell, "
        f"a look every {FEW_LOOKS}, so that what depends on the dwell stays small. Median of "
        f"{len(steps)} steps, a tenth of them within {milli(quiet_s)}. By step: {_listed(steps)}.",
    )


def _many_figure(steps: list[_Step]) -> Figure:
    return Figure(
        "the same, looked at every 10 ms",
        milli(median([s.seconds for s in steps])),
        "listed",
        None,
        "the step before with the looks of its 0.5 s; each look is two or three exchanges, and "
        f"those are the first rows' business. By step: {_listed(steps)}.",
    )


def _listed(steps: list[_Step]) -> str:
    told = []
    for name in dict.fromkeys(step.name for step in steps):
        alike = [step for step in steps if step.name == name]
        middle_s = median([step.seconds for step in alike])
        told.append(f"{name} {milli(middle_s)} with {alike[0].sent} messages sent")
    return ", ".join(told)


def _play(rack: Rack, schedule: Schedule, tapes: Tapes, store: NullStore) -> list[_Step]:
    clock = VirtualClock()
    links = {name: PlaybackLink(name, tape, clock) for name, tape in tapes.items()}
    replayed = replace(
        rack,
        ports={name: Port(link, clock) for name, link in links.items()},
        interlock=Interlock(rack.interlock.stale_s),
        clock=clock,
        store=store,
    )
    steps: list[_Step] = []
    meter = _Meter()

    def show(notice: Notice) -> None:
        if notice.kind == "step_ended":
            sent = sum(link.sent for link in links.values())
            steps.append(meter.step(notice.data["result"].name, sent))

    controller = Controller(replayed, version="bench", show=show)
    with mock.patch.object(Pump, "converse", meter.wrapped(Pump.converse)):
        controller.take_over()
        store.kept.clear()
        meter.step("take-over", sum(link.sent for link in links.values()))
        _require_pass(controller.run(schedule, Request("REPLAYED")).outcome)
    return steps


class _Meter:
    """Tells how long a step took and how much of it was spent in conversations."""

    def __init__(self) -> None:
        self._since_s = WATCH.monotonic()
        self._talked_s = 0.0
        self._sent = 0

    def wrapped(self, converse: Callable[..., Any]) -> Callable[..., Any]:
        def measured(*args: Any) -> Any:
            start_s = WATCH.monotonic()
            try:
                return converse(*args)
            finally:
                self._talked_s += WATCH.monotonic() - start_s

        return measured

    def step(self, name: str, sent: int) -> _Step:
        now_s = WATCH.monotonic()
        took_s = now_s - self._since_s
        step = _Step(name, took_s, took_s - self._talked_s, sent - self._sent)
        self._since_s, self._talked_s, self._sent = WATCH.monotonic(), 0.0, sent
        return step


def _require_pass(outcome: Outcome) -> None:
    if outcome is not Outcome.PASS:
        raise ValueError(f"the timing program ended as {outcome}: nothing to measure")


def _commit_figure(folder: Path, run: list[Entry], count: int) -> Figure:
    """Append a step's start and wait for the disk, as a run does before it energises."""
    begin = next(entry for entry in run if entry.kind == entries.RUN_STARTED)
    start = next(entry for entry in run if entry.kind == entries.STEP_STARTED)
    took_s: list[float] = []
    queued_s: list[float] = []
    with SqliteStore(folder / "commits.sqlite") as store:
        run_id = str(uuid4())
        _until_stored(store, replace(begin, run_id=run_id))
        for _ in range(count):
            start_s = WATCH.monotonic()
            queued_s.append(_until_stored(store, replace(start, run_id=run_id)))
            took_s.append(WATCH.monotonic() - start_s)
    return Figure(
        "a commit, apart",
        f"{milli(median(took_s))} p50, {milli(quantile(took_s, 0.99))} p99",
        "listed",
        None,
        f"{count} times a step's start appended to the journal (SQLite, WAL, synchronous=FULL, "
        "hash chain, head file) in a folder for temporary files, until its ticket says durable, "
        f"looked at every {micro(LOOK_S)}; appending itself, all that the scan thread does, takes "
        f"{micro(median(queued_s))}. A run waits for one commit before each start, output off.",
    )


def _until_stored(store: SqliteStore, entry: Entry) -> float:
    """Append, wait; returns the seconds that appending took."""
    start_s = WATCH.monotonic()
    ticket = store.append(entry)
    queued_s = WATCH.monotonic() - start_s
    while not ticket.done():
        WATCH.sleep(LOOK_S)
    return queued_s
