"""One run of the demo program on a fresh bench, watched from inside the bench."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from drivers.simulators.base import Instrument
from drivers.simulators.bench import Bench
from drivers.simulators.output_models import Phase
from orchestrator.assembly.live import open_station
from orchestrator.clock import VirtualClock
from orchestrator.model.record import RunResult
from orchestrator.running.rack import Notice
from tests.sweep.account import Account
from tests.sweep.sites import Site

AFTER_S = 10.0
"""Time given to a tester whose link is lost for good, to end by itself."""

Mark = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Message:
    """One message of a run: the how manieth that its instrument got (from 0)."""

    instrument: str
    number: int
    data: bytes


@dataclass
class Trial:
    """A station opened in virtual time, one run, and what was seen of it.

    Attributes:
        messages: what was sent on every line, in order, whether it arrived or not.
        running: the step begun last.
        started_at: how many messages had been sent at the last start of the output.
        struck_at: how many had been sent when the course's own disturbance came.
        result: of the run; None where what came before it raised ``error``.
    """

    site: Site
    folder: Path
    messages: list[Message] = field(default_factory=list)
    running: str = ""
    started_at: int | None = None
    struck_at: int = 0
    result: RunResult | None = None
    error: Exception | None = None

    def __post_init__(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir(parents=True)
        self.clock = VirtualClock()
        self._at: list[tuple[Callable[[], bool], Callable[[], None]]] = []
        plan = self.site.plan()
        self.records = self.folder / "records.sqlite"
        for file in self.site.folder.glob("*.yaml"):
            (self.folder / file.name).symlink_to(file)
        self.live = open_station(
            type(plan)(plan.document, self.folder, plan.testers, plan.chains),
            fixture=self.site.fixture,
            clock=self.clock,
            show=self._show,
        )
        self.bench: Bench = self.live.bench
        output = self.bench.outputs[self.site.made.tester]
        self.account = Account(self.bench, self.site.made.tester)
        told = output._phase_changed

        def changed() -> None:
            told()
            if output.phase is Phase.RISE:
                self.started_at = len(self.messages)

        output._phase_changed = changed
        self.output = output
        self.clock.on_advance(self._advanced)

    def _log_what_is_sent(self, name: str, instrument: Instrument) -> None:
        feed, sent = instrument.feed, [0]

        def logged(data: bytes) -> None:
            self.messages.append(Message(name, sent[0], data))
            sent[0] += 1
            feed(data)

        vars(instrument)["feed"] = logged

    # ---- moments

    def when(self, condition: Callable[[], bool], action: Callable[[], None]) -> None:
        """As soon as it is found so; looked at whenever time passes."""
        self._at.append((condition, action))

    def _advanced(self, _now_s: float) -> None:
        due = [pair for pair in self._at if pair[0]()]
        self._at = [pair for pair in self._at if pair not in due]
        for _, action in due:
            action()

    def _show(self, notice: Notice) -> None:
        if notice.kind == "step_started":
            self.running = notice.data["step"].name

    # ---- the run

    def run(self) -> None:
        """Run, then let time pass; whatever it raises is kept."""
        for name, instrument in self.bench.instruments.items():
            self._log_what_is_sent(name, instrument)  # outermost: what is lost was sent
        try:
            self.result = self.live.run(self.site.schedule, serial="S1")
        except Exception as error:
            self.error = error
        self.clock.advance(AFTER_S)

    def close(self) -> None:
        self.live.close()

    @property
    def stop_followed(self) -> bool:
        """Whether a stop was sent behind the last start."""
        if self.started_at is None:
            return True
        made = self.site.made
        sent = self.messages[self.started_at :]
        return any(m.instrument == made.tester and _is(m.data, made.stop) for m in sent)


def _is(data: bytes, stop: bytes) -> bool:
    body = data.strip()
    return body.startswith(stop) and not body[len(stop) : len(stop) + 1].isalnum()
