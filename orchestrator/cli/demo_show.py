"""One station of the demo while it is open, and the ledger of what was expected and what came."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.cli.demo_stage import Files, Served, read_station
from orchestrator.cli.demo_words import SIMULATED, StepLines, Teller
from orchestrator.cli.feed import Feed
from orchestrator.cli.screen import WORDS
from orchestrator.clock import Clock
from orchestrator.model.record import RunResult
from orchestrator.model.schedule import Schedule
from orchestrator.model.words import Outcome
from orchestrator.running.rack import Notice

Meddle = Callable[[Notice], str | None]
"""Called with each notice at once, in the scan thread; what it returns is shown."""


@dataclass
class Ledger:
    """What was expected and what came.

    Attributes:
        rows: of the summary, one for each run.
        ran: station → (run id, outcome) of its runs, newest last.
    """

    teller: Teller
    wrong: list[str] = field(default_factory=list)
    checked: int = 0
    rows: list[tuple[str, ...]] = field(default_factory=list)
    ran: dict[str, list[tuple[str, str]]] = field(default_factory=dict)

    def expect(self, what: str, *, held: bool) -> None:
        """Take note of an expectation and whether it held."""
        self.checked += 1
        if not held:
            self.wrong.append(what)
            self.teller.alert(f"NOT AS EXPECTED: {what}")

    def enter(self, letter: str, unit: str, result: RunResult, took_s: float) -> None:
        """Enter a run into the summary."""
        word = WORDS.get(result.outcome, str(result.outcome))
        odd = [s.name for s in result.steps if s.outcome in (Outcome.FAIL, Outcome.NO_VERDICT)]
        told = (letter, unit, result.serial, f"{word} ({SIMULATED})", ", ".join(odd) or "-")
        self.rows.append((*told, f"{took_s:.1f} s"))
        self.ran.setdefault(letter, []).append((result.run_id, str(result.outcome)))


@dataclass
class _Switch:
    """Hands a station's notices to the run that is shown, and to nobody between runs."""

    to: Callable[[Notice], None] | None = None

    def __call__(self, notice: Notice) -> None:
        if self.to is not None:
            self.to(notice)


@dataclass
class Show:
    """An open station of the demo; made by `opened`."""

    letter: str
    served: Served
    live: LiveStation
    schedule: Schedule
    ledger: Ledger
    clock: Clock
    switch: _Switch

    def run(
        self, unit: str, serial: str, *, in_full: bool = False, meddle: Meddle | None = None
    ) -> RunResult:
        """Test one unit, told step by step; ``in_full`` with points and level of each."""
        teller = self.ledger.teller
        lines = StepLines(teller, self.schedule, in_full=in_full)
        feed = Feed(self.clock, [lines.take])

        def show(notice: Notice) -> None:
            told = None if meddle is None else meddle(notice)
            feed.show(notice)
            if told:
                feed.tell(told)

        began_s = self.clock.monotonic()
        self.switch.to = show
        try:
            result = self.live.run(
                self.schedule, serial=serial, operator="demo", confirm=self._confirm
            )
        finally:
            self.switch.to = None
            feed.close()
        if feed.failures:
            raise feed.failures[0]
        teller.run_ended(result)
        self.ledger.enter(self.letter, unit, result, self.clock.monotonic() - began_s)
        self.ledger.expect(f"the record of {serial} says simulated", held=result.simulated)
        return result

    def _confirm(self, cautions: str, real: bool) -> bool:
        """Cautions before the first run; the demo says yes to simulated stations only."""
        if not self.ledger.ran:
            self.ledger.teller.alert(cautions)
            self.ledger.teller.say(
                "(Asked before each run; as all instruments are simulated, the demo says yes.)"
            )
        return not real


@contextmanager
def opened(
    files: Files, letter: str, served: Served, ledger: Ledger, clock: Clock
) -> Iterator[Show]:
    """Open a station and bind the program to it.

    Raises:
        Refused, StationBusy, LinkError, RecordDamaged.
    """
    switch = _Switch()
    plan = read_station(files, letter)
    with open_station(
        plan, fixture=files.fixture, clock=clock, show=switch, bench=served.bench
    ) as live:
        schedule = live.bind(files.program)
        yield Show(letter, served, live, schedule, ledger, clock, switch)
