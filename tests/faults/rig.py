"""A live simulated station, ways to make things go wrong at a chosen moment, and the invariants.

`Rig.check` asserts the same after every case: output off and drained, relays open (or kept where
the case says that discharge is unconfirmed), nothing in the bench's violation log, the record whole
and readable, a reason and a remedy, no pass unless the case says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal

from drivers.simulators.base import Instrument
from drivers.simulators.bench import Bench
from drivers.simulators.output import Output
from drivers.simulators.output_models import Phase
from drivers.simulators.violations import What
from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import VirtualClock
from orchestrator.contract import SafetyTester
from orchestrator.documents import Document, read_document
from orchestrator.errors import OhmwardError
from orchestrator.model.program import Program
from orchestrator.model.record import RunResult
from orchestrator.model.words import Outcome
from orchestrator.records.reader import show_run
from orchestrator.records.verify import verify
from orchestrator.running.rack import Notice
from tests.faults.stations import GOOD, MAKES, PROGRAM, SHORT_PROGRAM, write_station

SAFE_AC_V, SAFE_DC_V = 25.0, 60.0
"""EN 50191:2010 clause 1.2, as in /drivers/simulators/violations.py."""

STOPS = {"orrin": b"TASK:HALT", "pell": b"ST", "stave": b"QUIT"}

Action = Callable[[], None]


class Rig:
    """One station folder, opened in virtual time."""

    def __init__(
        self,
        folder: Path,
        station: str,
        *,
        unit: str = GOOD,
        inputs: str | None = None,
        extra: str = "",
    ) -> None:
        self.folder, self.station = folder, station
        self.path = write_station(folder, station, unit=unit, inputs=inputs, extra=extra)
        self.make = MAKES[station]
        self.notices: list[Notice] = []
        self._at_notice: list[tuple[Callable[[Notice], bool], Action]] = []
        self._when: list[tuple[Callable[[], bool], Action]] = []
        self.open()

    def open(self) -> None:
        """Open the station, as a new process would, on a new bench."""
        self.clock = VirtualClock()
        self.live: LiveStation = open_station(self.path, clock=self.clock, show=self._show)
        self.bench: Bench = self.live.bench
        self.clock.on_advance(self._advanced)
        self._seen_before = 0

    def close(self) -> None:
        self.live.close()

    # ---- what stands on the bench

    @property
    def tester(self) -> Any:
        return self.bench.instruments[self.make.tester]

    @property
    def chain(self) -> Any:
        """The instrument that hears the relay commands."""
        return self.bench.instruments[self.make.chain]

    @property
    def output(self) -> Output:
        return self.bench.outputs[self.make.tester]

    @property
    def relays(self) -> Any:
        return self.bench.wiring.units[0]

    @property
    def adapter(self) -> SafetyTester:
        return self.live.plan.testers[self.make.tester].adapter

    def instrument(self, which: str) -> Instrument:
        found: Instrument = self.tester if which == "tester" else self.chain
        return found

    def open_guard(self) -> None:
        self.bench.guard_closed = False

    # ---- moments

    def at_phase(self, phase: str, action: Action, *, skip: int = 0) -> None:
        """When the run enters a phase for the (skip + 1)-th time from now."""
        left = [skip]

        def matches(notice: Notice) -> bool:
            if notice.kind != "phase" or notice.data["phase"] != phase:
                return False
            left[0] -= 1
            return left[0] < 0

        self._at_notice.append((matches, action))

    def at_step(self, name: str, action: Action) -> None:
        """When a step has been queued for the journal, just before its start."""
        self._at_notice.append(
            (lambda n: n.kind == "step_started" and n.data["step"].name == name, action)
        )

    def after_step(self, name: str, action: Action) -> None:
        """When a step's result is known."""
        self._at_notice.append(
            (lambda n: n.kind == "step_ended" and n.data["result"].name == name, action)
        )

    def when(self, condition: Callable[[], bool], action: Action) -> None:
        """As soon as the bench is found so (looked at whenever time passes)."""
        self._when.append((condition, action))

    def during(self, phase: Phase, action: Action, *, step: str | None = None) -> None:
        """As soon as the output is in a phase, of one step or of any at high voltage."""

        def there() -> bool:
            order = self.output.order
            if self.output.phase is not phase or order is None:
                return False
            return self.running == step if step else order.kind.high_voltage

        self.when(there, action)

    @property
    def running(self) -> str:
        """The step begun last."""
        begun = [n.data["step"].name for n in self.notices if n.kind == "step_started"]
        return begun[-1] if begun else ""

    def _show(self, notice: Notice) -> None:
        self.notices.append(notice)
        due = [pair for pair in self._at_notice if pair[0](notice)]
        self._at_notice = [pair for pair in self._at_notice if pair not in due]
        for _, action in due:
            action()

    def _advanced(self, now_s: float) -> None:
        del now_s
        due = [pair for pair in self._when if pair[0]()]
        self._when = [pair for pair in self._when if pair not in due]
        for _, action in due:
            action()

    # ---- running

    def program(self, text: str = SHORT_PROGRAM) -> Document[Program]:
        name = {PROGRAM: "program.yaml", SHORT_PROGRAM: "short.yaml"}.get(text)
        path = self.folder / (name or "other.yaml")
        if name is None:
            path.write_text(text, encoding="utf-8")
        return read_document(path, Program)

    def run(self, text: str = SHORT_PROGRAM, **request: Any) -> RunResult:
        """Run a program on one unit."""
        self._seen_before = len(self.tester.faults.seen)
        return self.live.run(self.program(text), **{"serial": "K1", **request})

    def run_or_error(self, text: str = SHORT_PROGRAM) -> RunResult | Exception:
        """A run, or what the take-over before it raised."""
        try:
            return self.run(text)
        except Exception as error:
            return error

    def stop_was_sent(self) -> bool:
        """Whether the stop came through since the last run began."""
        seen = list(self.tester.faults.seen)[self._seen_before :]
        return any(line.startswith(STOPS[self.station]) for line in seen)

    # ---- invariants

    def check_bench(
        self,
        *,
        relays: Literal["open", "kept"] = "open",
        welded: Sequence[str] = (),
        violations: frozenset[What] = frozenset(),
        residual: bool = False,
    ) -> None:
        """Output off; drained, unless relays are kept; relays open, unless kept; no violation.

        ``welded``: places ('bank/channel') that can't open. ``residual``: the case keeps a charge.
        """
        self.bench.state()  # brings the bench up to now
        state = self.bench.state()
        assert not state.any_on, state.outputs
        if not residual:
            for name, output in state.outputs.items():
                assert output.ac_v <= SAFE_AC_V, (name, output)
                assert output.dc_v <= SAFE_DC_V, (name, output)
        if relays == "open":
            left = {place for place, _ in state.closed}
            expected = {f"{self.make.chain}/{self.make.unit}/{place}" for place in welded}
            assert left == expected, left
        found = {violation.what for violation in self.bench.violations}
        assert found <= violations, self.bench.violations

    def check(
        self,
        result: RunResult,
        outcome: Outcome | Sequence[Outcome] = Outcome.NO_VERDICT,
        *,
        before: Sequence[str] = (),
        relays: Literal["open", "kept"] = "open",
        delivered: bool = True,
        **bench: Any,
    ) -> None:
        """All invariants after a run.

        ``before``: steps that had passed before the fault. ``delivered``: False where the case cuts
        the way of the stop.
        """
        allowed = (outcome,) if isinstance(outcome, Outcome) else tuple(outcome)
        assert result.outcome in allowed, (result.outcome, result.reason, result.steps)
        self.check_bench(relays=relays, **bench)
        assert result.relays_kept == (relays == "kept"), result.reason
        if delivered:
            assert self.stop_was_sent()
        passed = [step.name for step in result.steps if step.outcome is Outcome.PASS]
        assert set(before) <= set(passed), (before, result.steps)
        if result.outcome is Outcome.NO_VERDICT:
            assert result.reason.strip(), result
            assert result.remedy.strip(), result
        for step in result.steps:
            assert (step.outcome is Outcome.PASS) or step.reason, step
        self.check_record(result)

    def check_record(self, result: RunResult) -> None:
        """The record is whole and says what the caller was told."""
        self.live.close()
        records = self.folder / "records.sqlite"
        report = verify(records)
        assert report.ok, report.damages
        view = show_run(records, result.run_id)
        assert view.summary.outcome == str(result.outcome)
        assert view.summary.simulated
        assert [(s.name, s.outcome) for s in view.steps] == [
            (s.name, str(s.outcome)) for s in result.steps
        ]
        if result.reason and result.outcome is Outcome.NO_VERDICT:
            assert view.summary.reason == result.reason
            assert view.end["remedy"] == result.remedy

    def check_refused_before_start(self, error: object, *, starts: int = 0, **bench: Any) -> None:
        """A take-over that failed: told with a remedy, nothing energised, no run on record."""
        assert isinstance(error, OhmwardError) or hasattr(error, "remedy"), error
        assert getattr(error, "remedy", "").strip()
        assert self.output.starts == starts
        self.check_bench(**bench)
        self.live.close()
        assert verify(self.folder / "records.sqlite").ok
