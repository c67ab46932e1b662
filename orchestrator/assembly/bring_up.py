"""Bring-up of one instrument: its profile tried live, with the output locked out.

The stop goes out first and last; nothing is started. What was tried comes out item by item and is
kept beside the profile.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.assembly.bring_up_line import TrialLine
from orchestrator.assembly.bring_up_links import make_trial_bench, open_trial_link, subject_of
from orchestrator.assembly.bring_up_proof import Proved, ProvedInstrument, ProvedItem
from orchestrator.assembly.plugins import plugin
from orchestrator.clock import Clock, SystemClock
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused

CHECKERS = "ohmward.checkers"
CAUTIONS = """\
CAUTION: this speaks to an instrument that can put out voltages and currents that kill.
 - Its profile isn't proved yet: a command may do something else than its author meant.
 - Lock the output out before: interlock open or output disabled at the instrument, leads off.
 - Stored settings and stored steps of the instrument are overwritten.
 - This program is not the safety function; licensed practice comes before what it says."""
LOCKED = "Is its output locked out, are all leads off, and may its settings be overwritten?"
SEEN_OFF = "This profile has no proof that the output is off. Is it seen off at the instrument?"

Question = Callable[[str], bool]


@dataclass(frozen=True)
class TryWish:
    """What is asked for.

    Attributes:
        link: in the short form. address: of the instrument or unit, if it has one.
        unasked: no question; only for what answers as simulated.
        relays: relays may be closed. wrong_command: that the manual says is refused.
    """

    document: Document[Any]
    link: str
    address: int | None = None
    unasked: bool = False
    relays: bool = False
    wrong_command: str = ""


@dataclass
class TryReport:
    """What came of it; ``items`` as the language made them."""

    proved: Proved
    items: list[Any] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """True if nothing failed and the trial went to its end."""
        return not self.proved.count("failed") and not self.proved.ended_early


def load_profile(file: Path) -> Document[Any]:
    """A profile from its file, or a shipped one by name. Raises Refused with its faults."""
    try:
        document: Document[Any] = plugin(CHECKERS, "load")(file)
    except (OSError, UnicodeDecodeError) as error:
        expected, remedy = "a profile as UTF-8 text", "check the path and save the file as UTF-8"
        raise Refused([Fault("the profile", str(error), expected, remedy)]) from error
    return document


def marks_of(document: Document[Any]) -> tuple[Fault, ...]:
    """Places of a scaffold that are still to be filled in."""
    found: tuple[Fault, ...] = plugin(CHECKERS, "scaffold").unfilled(document.file)
    return found


def require_sound(document: Document[Any]) -> None:
    """Only a whole profile is tried. Raises Refused: marks of a scaffold, faults of the check."""
    faults = (*marks_of(document), *plugin(CHECKERS, "check")(document).faults)
    if faults:
        raise Refused(faults)


def try_profile(
    wish: TryWish,
    *,
    ask: Question,
    tell: Callable[[Any], None] = lambda _: None,
    clock: Clock | None = None,
    bench: Any = None,
) -> TryReport:
    """Try a profile on the instrument behind a link.

    Args:
        ask: a question to the person; False ends the trial.
        tell: called with each item.
        bench: of a simulated instrument; built if left out.

    Raises:
        Refused: faults of profile or link, a real instrument without a question, a person's no.
        LinkError: the link can't be opened.
    """
    clock = clock or SystemClock()
    require_sound(wish.document)
    subject = subject_of(wish.document, wish.link, wish.address)
    if not wish.unasked and not ask(LOCKED):
        raise Refused([_declined(LOCKED)])
    off = getattr(wish.document.model, "off", None)
    if off is not None and off.proof == "none" and not wish.unasked and not ask(SEEN_OFF):
        raise Refused([_declined(SEEN_OFF)])
    if bench is None:
        bench = make_trial_bench(subject, clock)
    line = TrialLine(open_trial_link(subject, clock, bench), clock)
    try:
        trial = plugin(CHECKERS, "trial")(
            wish.document,
            line,
            tell,
            address=wish.address,
            relays=wish.relays,
            wrong_command=wish.wrong_command,
        )
        gate = _Gate(wish, ask, inside=subject.simulated)
        ended = plugin(CHECKERS, "run_trial")(trial, gate.go_on)
    finally:
        line.close()
    return TryReport(_proved(wish, trial, ended, clock), list(trial.items))


class _Gate:
    """Asked once the instrument has told who it is."""

    def __init__(self, wish: TryWish, ask: Question, *, inside: bool) -> None:
        self._wish, self._ask, self._inside = wish, ask, inside

    def go_on(self, identity: Any, as_told: bool) -> bool:
        """Whether anything more is sent. Raises Refused: --yes, and nobody says 'simulated'."""
        if self._wish.unasked:
            if identity is None and self._inside:
                return True  # a simulator in this process; why it can't be read is told
            if identity is None or not identity.simulated:
                who = "nobody that could be read" if identity is None else _who(identity)
                fault = Fault(
                    "--yes",
                    f"{who}, which doesn't answer as simulated",
                    "an instrument whose serial number marks a simulation",
                    "leave --yes out and answer the questions at the instrument",
                )
                raise Refused([fault])
            return True
        if as_told:
            return True
        who = "The identity can't be read" if identity is None else f"This is {_who(identity)}"
        return self._ask(f"{who}: not what the profile says. Is it the right one, go on?")


def _who(identity: Any) -> str:
    parts = (identity.maker, identity.model, identity.serial, identity.firmware)
    return " ".join(part for part in parts if part) or "an instrument without a name"


def _declined(question: str) -> Fault:
    return Fault(
        "the trial was not confirmed",
        "another answer than yes",
        f"yes to: {question}",
        "lock the output out, take the leads off, then start again",
    )


def _proved(wish: TryWish, trial: Any, ended: str, clock: Clock) -> Proved:
    document, who = wish.document, trial.identity
    instrument = ProvedInstrument()
    if who is not None:
        instrument = ProvedInstrument(
            maker=who.maker,
            model=who.model,
            serial=who.serial,
            firmware=who.firmware,
            simulated=who.simulated,
        )
    items = tuple(
        ProvedItem(
            what=item.what,
            outcome=item.outcome,
            line="" if item.position is None else str(item.position.line),
            told=item.told,
        )
        for item in trial.items
    )
    return Proved(
        proved="1",
        profile=Path(document.file).name,
        sha256=document.sha256,
        utc=clock.utc().isoformat(timespec="seconds"),
        link=wish.link,
        instrument=instrument,
        ended_early=ended,
        items=items,
    )
