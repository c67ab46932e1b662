"""Time of a whole step on a link that costs nothing, and of the journal's commits apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
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
from orchestrator.running.rack import Notice, Rack
from tests.bench.doubles import NullStore, Passed, PlaybackLink, RecordingLink
from tests.bench.figures import Figure, median, micro, milli, quantile
from tests.bench.station import write_station

GOAL_S = 1e-3
LOOK_S = 50e-6
WATCH = SystemClock()
Tapes = Mapping[str, tuple[Passed, ...]]


@dataclass(frozen=True, slots=True)
class _Step:
    """What one step took, and how many messages were sent in it."""

    name: str
    seconds: float
    sent: int


def step_figures(folder: Path, *, runs: int, commits: int) -> list[Figure]:
    """The step without commits, then the commits."""
    station = write_station(folder)
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
    return [_step_figure(steps, schedule), _commit_figure(folder, store.kept, commits)]


def _step_figure(steps: list[_Step], schedule: Schedule) -> Figure:
    each = {
        step.name: (
            median([s.seconds for s in steps if s.name == step.name]),
            next(s.sent for s in steps if s.name == step.name),
        )
        for step in schedule.steps
    }
    slowest_s = max(seconds for seconds, _ in each.values())
    typical_s = median([s.seconds for s in steps])
    listed = ", ".join(f"{n}: {milli(s)} with {sent} messages" for n, (s, sent) in each.items())
    return Figure(
        "a step without commits",
        milli(typical_s),
        f"< {milli(GOAL_S)}",
        typical_s < GOAL_S,
        "everything from the end of the step before to its own end (routing and proof, set-up "
        "with every setting read back, start, looks, confirming off, judging; the first step with "
        "the start of the run), on a dialogue recorded from the simulators and played back from "
        "memory in virtual time, journal in memory; the playing back is counted. Shortest dwell, "
        f"looked at every 10 ms. Median of {len(steps)} steps; by step {listed}; the slowest "
        f"kind's median is {milli(slowest_s)}.",
    )


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
    mark = {"s": 0.0, "sent": 0}

    def show(notice: Notice) -> None:
        if notice.kind == "step_ended":
            now_s, sent = WATCH.monotonic(), sum(link.sent for link in links.values())
            name = notice.data["result"].name
            steps.append(_Step(name, now_s - mark["s"], int(sent - mark["sent"])))
            mark["s"], mark["sent"] = now_s, sent

    controller = Controller(replayed, version="bench", show=show)
    controller.take_over()
    store.kept.clear()
    mark["s"], mark["sent"] = WATCH.monotonic(), sum(link.sent for link in links.values())
    _require_pass(controller.run(schedule, Request("REPLAYED")).outcome)
    return steps


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
