"""What the demo tells: headings, steps with their points, verdicts marked as simulated."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from orchestrator.binding.levels import at_level
from orchestrator.cli.feed import Stamped
from orchestrator.cli.progress import judged_readings
from orchestrator.cli.screen import verdict
from orchestrator.model.record import RunResult, StepResult
from orchestrator.model.schedule import BoundStep, Schedule
from orchestrator.model.words import Outcome

SIMULATED = "SIMULATED"
WIDTH = 96
INDENT = " " * 10


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

    def note(self, text: str) -> None:
        """A remark below a line, wrapped."""
        self.say(*textwrap.wrap(text, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT))

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

    def table(self, columns: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
        """A table without lines, never cut off."""
        widths = [max(map(len, cells)) for cells in zip(columns, *rows, strict=True)]
        for index, row in enumerate((columns, *rows)):
            cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
            text = "  ".join(cells).rstrip()
            self.console.print(Text(text, style="quiet" if index else "strong"))


class StepLines:
    """Shows one run, a line for each step as it ends; points and level too where asked for."""

    def __init__(self, teller: Teller, schedule: Schedule, *, in_full: bool) -> None:
        self._teller = teller
        self._steps = {step.index: step for step in schedule.steps}
        self._in_full = in_full

    def take(self, item: Stamped) -> None:
        """Show one notice of the run."""
        if item.notice.kind == "step_ended":
            if item.notice.data["result"].search_of is None:
                self._ended(item.notice.data["result"])
        elif item.notice.kind == "told":
            self._teller.alert(f"   >> {item.notice.data['text']}")

    def _ended(self, result: StepResult) -> None:
        step = self._steps[result.index]
        if result.outcome is Outcome.NOT_RUN and not self._in_full:
            tail = ""
        else:
            tail = f": {judged_readings(result.values, step.order.limits)}".removesuffix(": ")
        number = f"{result.index + 1:>3} of {len(self._steps)}  "
        line = Text.assemble(number, verdict(result.outcome, sys.stdout), f"  {result.name}{tail}")
        self._teller.console.print(line)
        if self._in_full or result.outcome is Outcome.NO_VERDICT:
            self._teller.note(f"{at_level(step.order)}, {sides(step)}")
        if result.outcome is Outcome.FAIL and result.reason:
            self._teller.note(result.reason)


def sides(step: BoundStep) -> str:
    """The points of a step by name."""
    against = ", ".join((*step.against, *step.others))
    return f"{', '.join(step.apply_to)} against {against}"
