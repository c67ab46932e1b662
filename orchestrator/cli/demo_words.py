"""What the demo tells: headings, steps with their points, verdicts marked as simulated."""

from __future__ import annotations

import sys
from collections.abc import Iterable

from rich.console import Console
from rich.table import Table
from rich.text import Text

from orchestrator.binding.levels import at_level
from orchestrator.cli.feed import Stamped
from orchestrator.cli.progress import judged_readings
from orchestrator.cli.screen import verdict
from orchestrator.model.record import RunResult, StepResult
from orchestrator.model.schedule import BoundStep, Schedule
from orchestrator.model.words import Outcome

SIMULATED = "SIMULATED"


class Teller:
    """Prints on a console; plain where it is no terminal."""

    def __init__(self, console: Console) -> None:
        self.console = console

    def heading(self, text: str) -> None:
        """A part of the demo begins."""
        self.console.print()
        self.console.print(Text(text, style="name"))

    def say(self, *lines: str) -> None:
        """Lines of text."""
        for line in lines:
            self.console.print(Text(line))

    def alert(self, text: str) -> None:
        """Something to look at."""
        self.console.print(Text(text, style="alert"))

    def run_ended(self, result: RunResult) -> None:
        """The verdict, why, and what to do."""
        self.console.print(
            Text.assemble(
                "verdict  ",
                verdict(result.outcome, sys.stdout),
                f"  {SIMULATED}, not a test result   serial {result.serial}",
            )
        )
        for word, text in (("why", result.reason), ("what to do", result.remedy)):
            if text:
                self.say(f"  {word}: {text}")

    def table(self, title: str, columns: Iterable[str], rows: Iterable[Iterable[str]]) -> None:
        """A table that is readable without its lines, too."""
        table = Table(
            title=title, title_justify="left", title_style="name", box=None, pad_edge=False
        )
        for column in columns:
            table.add_column(column, no_wrap=True, header_style="strong")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        self.console.print(table)


class StepLines:
    """Shows one run, a line for each step as it ends; points and level too where asked for."""

    def __init__(self, teller: Teller, schedule: Schedule, *, in_full: bool) -> None:
        self._teller = teller
        self._steps = {step.index: step for step in schedule.steps}
        self._in_full = in_full

    def take(self, item: Stamped) -> None:
        """Show one notice of the run."""
        if item.notice.kind == "step_ended":
            self._ended(item.notice.data["result"])
        elif item.notice.kind == "told":
            self._teller.alert(f"   >> {item.notice.data['text']}")

    def _ended(self, result: StepResult) -> None:
        step = self._steps[result.index]
        if result.outcome is Outcome.NOT_RUN and not self._in_full:
            tail = ""
        else:
            tail = f": {judged_readings(result.values, step.order.limits)}".removesuffix(": ")
        number = f"{result.index + 1:>4} of {len(self._steps)}  "
        line = Text.assemble(number, verdict(result.outcome, sys.stdout), f"  {result.name}{tail}")
        self._teller.console.print(line)
        odd = result.outcome in (Outcome.FAIL, Outcome.NO_VERDICT)
        if self._in_full or odd:
            self._teller.say(f"{'':<12}{at_level(step.order)}, {sides(step)}")
        if odd and result.reason:
            self._teller.say(f"{'':<12}because {result.reason}")


def sides(step: BoundStep) -> str:
    """The points of a step by name."""
    against = ", ".join((*step.against, *step.others))
    return f"{', '.join(step.apply_to)} against {against}"
