"""The display of a run: step k of n, time left, reading, points by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Context
from typing import TYPE_CHECKING, Any

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from orchestrator.cli.feed import TOLD, Stamped
from orchestrator.cli.located_words import located_lines
from orchestrator.cli.screen import can_show, verdict
from orchestrator.fault_words import counted
from orchestrator.model.amounts import level_of, measured
from orchestrator.model.record import Located, Reading, RunResult, StepResult
from orchestrator.model.schedule import BoundStep, LimitOrder, Schedule
from orchestrator.model.words import Edge, Measured, Outcome

if TYPE_CHECKING:
    from pathlib import Path

REDRAW_S = 0.1
BAR = 24
_DIGITS = Context(prec=5)
_EDGES = {Edge.AT_LEAST: "at least", Edge.AT_MOST: "at most"}
_NAMED = {Outcome.FAIL: "failing step", Outcome.NO_VERDICT: "step without verdict"}
_PHASES = {
    "ready": "station taken over: off, discharged, relays open",
    "safe_off": "ending: stop, confirm off and discharged, open relays",
    "kept": "NOT proved off and discharged: relays stay as they are",
}


class RunScreen:
    """Shows one run on a console: in place on a terminal, line by line elsewhere."""

    def __init__(self, console: Console, schedule: Schedule) -> None:
        self._console = console
        self._schedule = schedule
        self._step: BoundStep | None = None
        self._state = ""
        self._elapsed_s = 0.0
        self._values: Mapping[Measured, Reading] = {}
        self._drawn_s = float("-inf")
        self._live: Live | None = None
        if console.is_terminal:
            # Drawn on notices only: no thread of its own beside the feed's.
            self._live = Live(console=console, auto_refresh=False, transient=True)
            self._live.vertical_overflow = "crop"

    def begin(self) -> None:
        """Say what is going to be run."""
        plan = self._schedule
        steps, seconds = len(plan.steps), plan.estimated_s
        self._console.print(
            f"program {plan.program}, revision {plan.revision}, with fixture {plan.fixture} on "
            f"station {plan.station}: {counted(steps, 'step')}, about {seconds:.0f} s"
        )
        for notice in plan.notices:
            self._console.print(Text(f"note: {notice}"))

    def take(self, item: Stamped) -> None:
        """Show one notice."""
        kind, data = item.notice.kind, item.notice.data
        if kind == "step_started":
            self._started(data["step"])
        elif kind == "live":
            self._state, self._elapsed_s = str(data["state"]), float(data["elapsed_s"])
            self._values = data["values"]
            self._draw(item.monotonic_s)
        elif kind == "step_ended":
            self._ended(data["result"])
        elif kind == "located":
            self._located(data["located"])
        elif kind == "phase" and data["phase"] in _PHASES:
            style = "alert" if data["phase"] == "kept" else "quiet"
            self._console.print(Text(_PHASES[data["phase"]], style=style))
        elif kind == "alarm":
            alarm = data["alarm"]
            text = f"alarm {alarm.value}, {alarm.title}: latched until 'ohmward reset'"
            self._console.print(Text(text, style="alert"))
        elif kind == TOLD:
            self._console.print(Text(str(data["text"]), style="alert"))
        elif kind == "run_ended":
            self.close()

    def close(self) -> None:
        """Take the live part away."""
        if self._live is not None and self._live.is_started:
            self._live.stop()

    def _started(self, step: BoundStep) -> None:
        self._step, self._state, self._elapsed_s, self._values = step, "", 0.0, {}
        if self._live is None:
            self._console.print(_heading(step, len(self._schedule.steps)))
            return
        if not self._live.is_started:
            self._live.start()
        self._draw(float("inf"))
        self._drawn_s = float("-inf")

    def _draw(self, now_s: float) -> None:
        if self._live is None or not self._live.is_started or now_s - self._drawn_s < REDRAW_S:
            return
        self._drawn_s = now_s
        if self._step is not None:
            self._live.update(self._picture(self._step), refresh=True)

    def _picture(self, step: BoundStep) -> Group:
        total_s = step.predicted_s
        left_s = max(total_s - self._elapsed_s, 0.0)
        rest_s = sum(s.predicted_s for s in self._schedule.steps if s.index > step.index)
        done = 1.0 if total_s <= 0 else min(self._elapsed_s / total_s, 1.0)
        full, empty = ("━", "─") if can_show("━─", self._console.file) else ("#", "-")
        bar = full * round(done * BAR) + empty * (BAR - round(done * BAR))
        reading = readings(self._values) or "none yet"
        return Group(
            _heading(step, len(self._schedule.steps)),
            Text.assemble(
                f"  {self._state or 'starting':<12} ",
                (bar, "place"),
                f" {left_s:.1f} s left, then {rest_s:.0f} s in later steps",
            ),
            Text.assemble(
                "  apply to     ",
                (", ".join(step.apply_to), "name"),
                f" ({level_of(step.kind, step.order.level)} {step.order.waveform})",
            ),
            Text.assemble("  against      ", (", ".join((*step.against, *step.others)), "strong")),
            Text(f"  reading      {reading}"),
        )

    def _ended(self, result: StepResult) -> None:
        known = (*self._schedule.steps, *((self._step,) if self._step else ()))
        step = next((s for s in known if s.index == result.index), None)
        limits = () if step is None else step.order.limits
        number = f"{result.index + 1:>3} of {len(self._schedule.steps)}"
        line = Text.assemble(
            f"{number}  " if result.search_of is None else " " * (len(number) + 2),
            verdict(result.outcome, self._console.file),
            f"  {result.name}",
        )
        judged = judged_readings(result.values, limits)
        if judged:
            line.append(f": {judged}")
        self._console.print(line)
        if result.reason:
            self._console.print(Text(f"          {result.reason}"))

    def _located(self, located: Located) -> None:
        for line in _located_lines(located):
            self._console.print(Text(f"          {line}"))


def _heading(step: BoundStep, count: int) -> Text:
    by = f" ({step.kind.value} on {step.tester})"
    if step.search_of is not None:
        sides = f": {', '.join(step.apply_to)} against {', '.join(step.against)}"
        return Text.assemble((step.name, "strong"), sides, by)
    return Text.assemble((f"step {step.index + 1} of {count}", "strong"), f": {step.name}{by}")


def _located_lines(located: Located) -> Iterator[str]:
    return located_lines(located.ending, located.reason, located.pairs, located.candidates)


def reading_text(quantity: Measured, reading: Reading) -> str:
    """'1.2346 mA', 'above 10 Gohm', 'no value'; five digits, for the eye only."""
    if reading.value is None or reading.bound == "none":
        return "no value" if reading.bound in {"exact", "none"} else f"{reading.bound} the range"
    text = measured(quantity, _DIGITS.plus(reading.value))
    return text if reading.bound == "exact" else f"{reading.bound} {text}"


def readings(values: Mapping[Measured, Reading]) -> str:
    """All that have a value, by name."""
    return ", ".join(
        f"{quantity.value.replace('_', ' ')} {reading_text(quantity, reading)}"
        for quantity, reading in values.items()
        if reading.bound != "none"
    )


def judged_readings(values: Mapping[Measured, Reading], limits: tuple[LimitOrder, ...]) -> str:
    """The readings that were judged, each with its limits."""
    told = []
    for quantity, reading in values.items():
        bounds = [
            f"{_EDGES[limit.edge]} {measured(quantity, limit.value)}"
            for limit in limits
            if limit.quantity is quantity
        ]
        if bounds:
            name = quantity.value.replace("_", " ")
            told.append(f"{name} {reading_text(quantity, reading)} ({', '.join(bounds)})")
    return ", ".join(told)


def show_result(console: Console, result: RunResult, records: Path) -> None:
    """The verdict, why, what to do, and where the record lies."""
    tail = "   (simulated: not a test result)" if result.simulated else ""
    text = verdict(result.outcome, console.file)
    console.print(Text.assemble(text, f"   serial {result.serial}{tail}"))
    for step in result.steps:
        if step.outcome in _NAMED:
            console.print(Text(f"{_NAMED[step.outcome]}: {step.name}"))
            for line in _search_of(result, step):
                console.print(Text(f"  {line}"))
    lines: list[tuple[str, Any]] = [("why", result.reason), ("what to do", result.remedy)]
    for word, value in lines:
        if value:
            console.print(Text(f"{word}: {value}"))
    if result.relays_kept:
        warning = "relays stay closed: keep away until the station has been proved discharged"
        console.print(Text(warning, style="alert"))
    console.print(Text(f"record: run {result.run_id} in {records}"))


def _search_of(result: RunResult, step: StepResult) -> Iterator[str]:
    for located in result.located:
        if located.step == step.index:
            yield from _located_lines(located)


def failing(result: RunResult) -> list[str]:
    """Names of the steps that failed."""
    return [step.name for step in result.steps if step.outcome is Outcome.FAIL]
