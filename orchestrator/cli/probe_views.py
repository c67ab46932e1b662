"""How a probe shows itself: a line or more for each finding, as it is made."""

from __future__ import annotations

from collections.abc import Iterable
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.probing_findings import (
    Answer,
    Candidate,
    InputFound,
    Note,
    OutputFound,
    OutputOn,
    ProbeReport,
    RelaysFound,
    SearchBegins,
    SearchFound,
    SearchStep,
    Told,
)
from orchestrator.cli.failures import one_line
from orchestrator.cli.screen import can_show, make_console
from orchestrator.cli.switch_drawing import drawing
from orchestrator.model.record import Identity
from orchestrator.model.schedule import Contact

SHAPES = {"found": "■", "silent": "□", "other": "◣"}
PLAIN_SHAPES = {"found": "+", "silent": "?", "other": "!"}
WORDS = {"found": "found", "silent": "silent", "other": "other than declared"}
MOST_DRAWN = 3
"""Candidates that are drawn; the others are named."""


class Silent:
    """Shows nothing but an output that is on: that can't wait for the end."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def take(self, told: Told) -> None:
        """Take one item."""
        if isinstance(told, OutputOn):
            make_console(errors=True).print(output_on(told))

    def end(self, report: ProbeReport) -> None:
        """Nothing to add."""


class ProbeScreen:
    """Shows a probe on the screen; use as a context manager."""

    def __init__(self, plan: StationPlan) -> None:
        self._console = make_console()
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        kind = "simulated" if plan.simulated else "real instruments"
        self._print(f"probing station {plan.station.name} ({kind}); nothing is energised")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    def take(self, told: Told) -> None:
        """Show one item."""
        if isinstance(told, SearchStep):
            self._step(told)
        elif isinstance(told, OutputOn):
            self._console.print(output_on(told))
        else:
            self._close()
            for line in lines_of(told, self._console):
                self._console.print(line)

    def end(self, report: ProbeReport) -> None:
        """What it comes to."""
        answers = [item for item in report.items if isinstance(item, Answer)]
        missing = [answer for answer in answers if not answer.ok]
        live = [item for item in report.items if isinstance(item, OutputFound) and not item.ok]
        found = f"{len(answers) - len(missing)} of {len(answers)} answer as declared"
        if live:
            names = ", ".join(item.tester for item in live)
            self._console.print(Text(f"OUTPUT: look at tester {names} above", style="alert"))
        self._print(f"{found}; nothing was energised, no relay moved")

    def _print(self, text: str) -> None:
        self._console.print(Text(one_line(text)))

    def _step(self, step: SearchStep) -> None:
        if not self._console.is_terminal:
            return
        if not self._live.is_started:
            self._live.start()
        text = (
            f"  searching chain {step.chain}: address {step.address} ({step.asked} of "
            f"{step.addresses}), about {step.left_s:.0f} s left, {step.found} found"
        )
        self._live.update(Text(text), refresh=True)

    def _close(self) -> None:
        if self._live.is_started:
            self._live.stop()


def output_on(told: OutputOn) -> Text:
    """The line that can't be overlooked."""
    text = f"OUTPUT ON: tester {told.tester} is {told.state}. Keep away. Its stop goes out now."
    return Text(text, style="alert")


def lines_of(told: Told, console: Console) -> list[Text]:
    """One item in words."""
    if isinstance(told, Answer):
        return _answer(told, console)
    if isinstance(told, OutputFound):
        return _output(told)
    if isinstance(told, InputFound):
        word = {True: "closed", False: "open", None: "not known"}[told.closed]
        more = told.problem or told.detail
        if told.closed is None and more:
            word = more
        elif more:
            word = f"{word} ({more})"
        text = f"  input {told.name} ({told.source}): {word}"
        return [_line(text, alert=not told.ok)]
    if isinstance(told, RelaysFound):
        return _relays(told)
    if isinstance(told, SearchBegins):
        units = ", ".join(told.units)
        return [
            _line(
                f"searching chain {told.chain} for {units}: about {told.takes_s:.0f} s for "
                f"{told.addresses} address{'' if told.addresses == 1 else 'es'}, the likeliest "
                "first; Ctrl-C ends it"
            )
        ]
    if isinstance(told, SearchFound):
        return _search(told, console)
    return [_line(f"note: {told.text}")] if isinstance(told, Note) else []


def _line(text: str, *, alert: bool = False) -> Text:
    return Text(one_line(text), style="alert" if alert else "quiet")


def _answer(told: Answer, console: Console) -> list[Text]:
    shapes = SHAPES if can_show("".join(SHAPES.values()), console.file) else PLAIN_SHAPES
    head = Text.assemble(
        (f"{shapes[told.status]} {WORDS[told.status]}", "name" if told.ok else "alert"),
        one_line(f"  {told.what}"),
    )
    if told.ok:
        who = "" if told.identity is None else f": {identity_words(told.identity)}"
        at = "" if told.address is None else f", address {told.address}"
        head.append(one_line(f"{at}{who or f': {told.found}'}"))
        return [head]
    rows = (("expected", told.expected), ("found", told.found), ("what to do", told.remedy))
    return [head, *(_line(f"    {word}: {text}") for word, text in rows if text)]


def identity_words(identity: Identity) -> str:
    """'Maker Model, serial SIM-4001, 2.0'."""
    parts = [f"{identity.maker} {identity.model}".strip()]
    if identity.serial:
        parts.append(f"serial {identity.serial}")
    if identity.firmware:
        parts.append(f"version {identity.firmware}")
    return ", ".join(parts)


def _output(told: OutputFound) -> list[Text]:
    state = "unknown" if told.proof is None else str(told.proof.state)
    sent = "; its stop was sent" if told.stopped else ""
    if told.problem:
        lines = [_line(f"  output of {told.tester}: {told.problem}{sent}", alert=True)]
        if told.remedy:
            lines.append(_line(f"    what to do: {told.remedy}", alert=True))
        return lines
    met = f", was {told.met} when met" if told.stopped and told.met is not None else ""
    grade = "" if told.proof is None else f" (by its {told.proof.grade})"
    text = f"  output of {told.tester}: off and discharged{grade}, state {state}{met}{sent}"
    return [_line(text, alert=told.was_on)]


def _relays(told: RelaysFound) -> list[Text]:
    if told.problem:
        return [_line(f"    {told.problem}", alert=True), _line(f"    what to do: {told.remedy}")]
    if told.closed is None:
        return [_line("    relays: this type can't tell")]
    if not told.closed:
        return [_line("    relays: all open")]
    return [_line(f"    relays closed, left as they are: {contacts_words(told.closed)}")]


def contacts_words(contacts: Iterable[Contact]) -> str:
    """'hv 3 to source, hc 1 to return'."""
    return ", ".join(f"{c.bank} {c.channel} to {c.role}" for c in contacts)


def _search(told: SearchFound, console: Console) -> list[Text]:
    asked = f"{told.asked} of {told.addresses} addresses asked"
    if told.broken_off:
        asked = f"{asked}, {told.broken_off}"
    head = f"unit {told.unit!r} of chain {told.chain!r} was expected at address {told.expected}"
    if not told.candidates:
        return [
            _line(f"{head}, nobody answers elsewhere ({asked})", alert=True),
            _line("    what to do: check its power, its plug and the cable of the chain"),
        ]
    first = told.candidates[0]
    lines = [_line(f"{head}, {_answers(first)}: {_why(first)}", alert=True)]
    lines += _drawn(first, console)
    for place, candidate in enumerate(told.candidates[1:], start=2):
        likely = "as" if candidate.rank == first.rank else "less"
        lines.append(_line(f"  or, {likely} likely, {_answers(candidate)}: {_why(candidate)}"))
        if place <= MOST_DRAWN:
            lines += _drawn(candidate, console)
    if len(told.candidates) > 1:
        lines.append(
            _line(
                "  ranked: a pinned serial number, one position wrong, set from the wrong end, "
                "every position the other way round, anything else"
            )
        )
    lines.append(_line(f"  {asked}"))
    return lines


def _answers(candidate: Candidate) -> str:
    if candidate.garbled:
        return f"garbled answers come from {candidate.address} (two units at one address?)"
    return f"one answers at {candidate.address}"


def _why(candidate: Candidate) -> str:
    why = candidate.why or "how its address is set is not described in the profile"
    who = "" if candidate.identity is None else f" ({identity_words(candidate.identity)})"
    better = f"; fits unit {candidate.better_for!r} better" if candidate.better_for else ""
    pinned = ", the serial number pinned for it" if candidate.pinned else ""
    return f"{why}{who}{pinned}{better}"


def _drawn(candidate: Candidate, console: Console) -> list[Text]:
    if not candidate.must:
        return []
    lines = drawing(candidate.must, console.file, wrong=candidate.stands)
    return [Text(f"    {line}") for line in lines if line]
