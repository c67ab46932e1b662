"""Time that templates, conversations, pump and engine add to an exchange."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path

from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import SystemClock
from orchestrator.contract import Link, SafetyTester
from orchestrator.documents import read_document
from orchestrator.model.program import Program
from orchestrator.model.words import StepKind
from orchestrator.running.commands import Converse, Sequence, Wait
from orchestrator.running.engine import Engine
from orchestrator.running.interlock import Interlock
from orchestrator.running.ports import Port
from tests.bench.doubles import NullStore, RecordingLink, ScriptedLink
from tests.bench.figures import Figure, median, micro, quantile
from tests.bench.station import CHAIN, TESTER, make_bench, write_station

GOAL_S = 20e-6
LOOKS = 3
REPLY_S = 0.2
WATCH = SystemClock()


@dataclass(frozen=True, slots=True)
class _Pair:
    """Times of one round each, with the framework and without."""

    framework_s: list[float]
    bare_s: list[float]
    exchanges: int

    @property
    def added_s(self) -> float:
        return (median(self.framework_s) - median(self.bare_s)) / self.exchanges

    def note(self, link: str) -> str:
        ten, bare = median(self.framework_s) * 1e3, median(self.bare_s) * 1e3
        spread = (quantile(self.framework_s, 0.9) - quantile(self.bare_s, 0.9)) / self.exchanges
        return (
            f"{link}: {self.exchanges} exchanges as while a step runs (status, live readings, "
            f"interlock), medians of {len(self.bare_s)} rounds, alternately {ten:.3f} ms through "
            f"engine, pump, conversations and templates and {bare:.3f} ms in a loop that sends "
            "the same bytes, waits for the line's end and splits the reply at its commas; the "
            f"difference, by exchange. Between the 90th percentiles it is {micro(spread)}."
        )


def exchange_figures(folder: Path, *, rounds: int) -> list[Figure]:
    """Figures for an instant link in memory and for the simulator in the same process."""
    station = write_station(folder)
    with open_station(station, bench=make_bench(station, latency_s=0.0)) as live:
        recording = _bring_into_dwell(live, folder)
        engine, adapter = live.controller.engine, live.controller.rack.testers[TESTER].adapter
        tape = recording.tape
        tape.clear()
        engine.drive(_looks(adapter))
        lines = tuple(p.data for p in tape if p.way == "sent")
        answers = _answers(recording)
        live.controller.rack.ports[TESTER].link = recording.link
        simulator = _measure(engine, adapter, recording.link, lines, rounds)
        scripted, instant = _scripted(live, answers)
        memory = _measure(scripted, adapter, instant, lines, rounds)
    return [
        _figure("added per exchange, link in memory", memory, "an instant link in memory"),
        _figure(
            "added per exchange, simulator in the same process",
            simulator,
            "the simulator in the same process, set to answer at once (its code pushes the "
            "framework's out of the processor's caches: the same engine on the link in memory is "
            "faster)",
        ),
    ]


def _figure(what: str, pair: _Pair, link: str) -> Figure:
    added_s = pair.added_s
    return Figure(what, micro(added_s), f"< {micro(GOAL_S)}", added_s < GOAL_S, pair.note(link))


def _bring_into_dwell(live: LiveStation, folder: Path) -> RecordingLink:
    """A withstand step that stays in its dwell for the whole measurement."""
    live.take_over()
    schedule = live.bind(read_document(folder / "program.yaml", Program))
    step = next(s for s in schedule.steps if s.kind is StepKind.WITHSTAND_AC)
    rack = live.controller.rack
    port = rack.ports[TESTER]
    recording = RecordingLink(port.link, live.clock)
    port.link = recording
    adapter, matrix = rack.testers[TESTER].adapter, rack.chains[CHAIN].adapter
    if matrix is None:
        raise ValueError("the station of this bench has a chain with an adapter")
    long = replace(step.order, dwell=Decimal("999.9"))

    def sequence() -> Sequence:
        yield Converse(CHAIN, matrix.apply(step.route.of_chain(CHAIN)))
        yield Wait(0.1)
        yield Converse(TESTER, adapter.prepare((long,)))
        yield Converse(TESTER, adapter.start())
        yield Wait(0.5)

    live.controller.engine.drive(sequence())
    return recording


def _looks(adapter: SafetyTester) -> Sequence:
    for _ in range(LOOKS):
        yield Converse(TESTER, adapter.poll())
        yield Converse(TESTER, adapter.interlock())
    yield Converse(TESTER, adapter.interlock())


def _answers(recording: RecordingLink) -> dict[bytes, bytes]:
    answers: dict[bytes, bytes] = {}
    line = b""
    for passed in recording.tape:
        if passed.way == "sent":
            line, answers[passed.data] = passed.data, b""
        else:
            answers[line] += passed.data
    return answers


def _scripted(live: LiveStation, answers: dict[bytes, bytes]) -> tuple[Engine, ScriptedLink]:
    rack, clock = live.controller.rack, SystemClock()
    link = ScriptedLink(TESTER, answers)
    seat = rack.testers[TESTER]
    alone = replace(
        rack,
        ports={TESTER: Port(link, clock)},
        owners={TESTER: seat.adapter},
        testers={TESTER: seat},
        chains={},
        interlock=Interlock({}),
        clock=clock,
        store=NullStore(),
    )
    return Engine(alone), link


def _measure(
    engine: Engine, adapter: SafetyTester, link: Link, lines: tuple[bytes, ...], rounds: int
) -> _Pair:
    def bare() -> None:
        for line in lines:
            link.send(line)
            reply = b""
            while not reply.endswith(b"\n"):
                reply += link.receive(REPLY_S)
            reply.rstrip().split(b",")

    framework_s: list[float] = []
    bare_s: list[float] = []
    for _ in range(rounds):
        framework_s.append(_timed(lambda: engine.drive(_looks(adapter))))
        bare_s.append(_timed(bare))
    return _Pair(framework_s, bare_s, len(lines))


def _timed(work: Callable[[], object]) -> float:
    start_s = WATCH.monotonic()
    work()
    return WATCH.monotonic() - start_s
