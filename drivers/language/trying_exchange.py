"""One exchange tried: sent, received, parsed, compared, read back, and told as an item.

An exchange that fails doesn't end the trial: the wire is drained before the next one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.adapters.comparison import unwanted
from drivers.adapters.conversation import Answer, Conversation
from drivers.language.exchanges import CompiledExchange, CompiledReadBack, Place
from drivers.language.framing import WireFraming
from drivers.language.templates import UNKNOWN, Template
from drivers.language.trying_diagnosis import (
    Speech,
    changed_over,
    explain,
    mismatches,
    sent_texts,
    stray_end,
)
from drivers.language.trying_items import Item, Outcome, Tell, TrialEnded, Wire
from drivers.language.trying_manual import ManualNotes
from drivers.language.trying_matching import Dimensions, best_of, shown
from orchestrator.contract import CannotCarry, Talk
from orchestrator.documents import Document
from orchestrator.errors import (
    InstrumentFault,
    InstrumentRefused,
    LinkError,
    LinkLost,
    OhmwardError,
    TimedOut,
)

MOST_SILENT = 6
"""Exchanges without a byte in a row, after which nobody is there any more."""


@dataclass
class Course:
    """What an item has come to so far. ``answered``: something came back that proves something."""

    outcome: Outcome = "proved"
    told: list[str] = field(default_factory=list)
    parsed: list[tuple[str, str]] = field(default_factory=list)
    answered: bool = False
    refused: bool = False
    unread: bool = False
    error: OhmwardError | None = None

    def fail(self, *told: str) -> None:
        """Note why it failed."""
        self.outcome = "failed"
        self.told += told

    def doubt(self, told: str) -> None:
        """Note why it isn't proved; a failure stays one."""
        if self.outcome != "failed":
            self.outcome = "not proved"
        self.told.append(told)


class Trying:
    """Tries exchanges of one instrument over one wire.

    Attributes:
        items: so far. sent: field → its text on the wire, of the set-up under way.
        read_fields: fields of the set-up that some answer told again.
        refused_fields: fields that the instrument didn't take; their old values stand.
    """

    def __init__(self, document: Document[Any], wire: Wire, tell: Tell, notes: ManualNotes) -> None:
        self.document = document
        self.wire = wire
        self.items: list[Item] = []
        self.ever_answered = False
        self.sent: dict[str, str] = {}
        self.read_fields: set[str] = set()
        self.refused_fields: set[str] = set()
        self._tell = tell
        self._notes = notes
        self._silent = 0

    # ---- to be told by the kind of instrument

    talk: Conversation
    speech: Speech
    framing: WireFraming

    def ask_errors(self) -> Talk[tuple[str, ...]] | None:
        """The error report, where there is one that answers for a command."""
        return None

    # ---- items

    def note(
        self,
        what: str,
        place: Place,
        course: Course,
    ) -> Item:
        """Close an item and show it."""
        position = self.document.locate(*place) if place else None
        manual = "" if position is None else self._notes.at(position.line)
        if isinstance(course.error, LinkError) and not isinstance(course.error, LinkLost):
            self.wire.settle()
        item = Item(
            what,
            course.outcome,
            position,
            manual,
            tuple(dict.fromkeys(course.told)),
            tuple(dict.fromkeys(course.parsed)),
            self.wire.cut(),
        )
        self.items.append(item)
        self._tell(item)
        self._count_silence(course)
        return item

    def _count_silence(self, course: Course) -> None:
        if isinstance(course.error, LinkLost):
            raise TrialEnded(f"the link is lost: {course.error}")
        silent = isinstance(course.error, TimedOut) and not course.error.received
        if course.answered or (course.error is not None and not silent):
            self._silent, self.ever_answered = 0, True
        elif silent:
            self._silent += 1
        if self._silent >= MOST_SILENT:
            raise TrialEnded(f"nothing came back {MOST_SILENT} times in a row")

    def skip(self, what: str, place: Place, why: str) -> None:
        """Something that isn't tried, with the reason."""
        course = Course()
        course.doubt(why)
        self.note(what, place, course)

    def one(
        self,
        what: str,
        place: Place,
        exchange: CompiledExchange,
        values: Mapping[str, Any],
        dimensions: Dimensions,
        *,
        may_refuse: str = "",
    ) -> Answer | None:
        """Try one exchange as an item of its own.

        Args:
            may_refuse: why a refusal is no fault ('no result stands'); '' if it is one.
        """
        course = Course()
        answer = self.hold(course, exchange, values, dimensions, may_refuse=may_refuse)
        self.note(what, place, course)
        return answer

    # ---- the exchange

    def hold(
        self,
        course: Course,
        exchange: CompiledExchange,
        values: Mapping[str, Any],
        dimensions: Dimensions,
        *,
        may_refuse: str = "",
    ) -> Answer | None:
        """Hold an exchange once, read it back, ask for errors; ``course`` takes what is found."""
        bare = exchange
        if exchange.read_back is not None:
            bare = replace(exchange, read_back=None, want={})
        try:
            self.sent |= sent_texts(exchange, values)
            answer: Answer = self.wire.ask(self.talk.hold(bare, values, repeat=False))
        except CannotCarry as error:
            course.doubt(f"not sent: {error}")
            return None
        except (LinkError, InstrumentFault) as error:
            fields = frozenset(() if exchange.send is None else exchange.send.fields)
            self._failed(course, error, exchange.replies, dimensions, may_refuse, fields)
            return None
        lines = self.speech.lines
        course.answered |= bool(exchange.replies or lines.acknowledge)
        course.answered |= self.framing.frame.prompt is not None
        self.judge(course, answer, exchange.replies, values, dimensions)
        if exchange.read_back is not None:
            self._back(course, exchange, exchange.read_back, values, dimensions)
        if exchange.retry == "sets":
            self._errors(course, exchange)
        if not course.answered and not course.told:
            course.doubt("nothing answers this command, and nothing was read back")
        return answer

    def _back(
        self,
        course: Course,
        exchange: CompiledExchange,
        back: CompiledReadBack,
        values: Mapping[str, Any],
        dimensions: Dimensions,
    ) -> None:
        try:
            answer = self.wire.ask(self.talk.ask_back(back, values))
        except (LinkError, InstrumentFault) as error:
            self._failed(course, error, back.replies, dimensions, "")
            return
        course.answered = True
        self.judge(course, answer, back.replies, values, dimensions)
        wrong = unwanted(exchange.want, answer.fields)
        if wrong is not None:
            course.fail(f"read back: {wrong}")

    def _errors(self, course: Course, exchange: CompiledExchange) -> None:
        ask = self.ask_errors()
        if ask is None or isinstance(course.error, LinkError):
            return
        try:
            entries = self.wire.ask(ask)
        except (LinkError, InstrumentFault) as error:
            course.error = error
            course.fail(f"the error report can't be read: {error}")
            return
        course.answered = True
        if entries:
            course.refused = True
            self.refused_fields |= set(() if exchange.send is None else exchange.send.fields)
            course.fail(f"refused, the error report says: {'; '.join(entries)}")

    def _failed(  # noqa: PLR0917 - what is known of the exchange
        self,
        course: Course,
        error: OhmwardError,
        replies: tuple[Template, ...],
        dimensions: Dimensions,
        may_refuse: str,
        refused: frozenset[str] = frozenset(),
    ) -> None:
        course.error = error
        if isinstance(error, InstrumentRefused):
            course.refused = course.answered = True
            self.refused_fields |= refused
            if may_refuse:
                course.doubt(f"refused ({may_refuse}): {error.answer}")
            else:
                course.fail(f"refused: {error}")
            return
        course.unread = True
        course.fail(*explain(error, self.speech, replies, dimensions))

    # ---- what an answer says

    def judge(
        self,
        course: Course,
        answer: Answer,
        replies: tuple[Template, ...],
        values: Mapping[str, Any],
        dimensions: Dimensions,
    ) -> None:
        """Show every field; name unknown words, stray terminators and values that differ."""
        course.parsed += [(n, shown(n, v, dimensions)) for n, v in answer.fields.items()]
        if not answer.fields:
            return
        stray = stray_end(answer.raw, self.speech.receive_end)
        if stray is not None:
            course.fail(stray[1])
        body = self._body(answer.raw)
        best = best_of(replies, body, dimensions)
        cuts: dict[str, str] = {} if best is None else dict(best[1].cuts)
        for name, value in answer.fields.items():
            if value is UNKNOWN:
                stop = "" if best is None else best[1].stop
                known = sorted(self.talk_words(name))
                course.fail(f"unknown word of {name}: {stop or body}; known are {known}")
        taken = {name: v for name, v in values.items() if name not in self.refused_fields}
        wrong = mismatches(replies, answer.fields, taken, dimensions)
        for name, told in wrong.items():
            read, sent = cuts.get(name), self.sent.get(name)
            wire = f" (on the wire {sent!r} went, {read!r} came)" if sent and read else ""
            course.fail(told + wire)
        for one, other in changed_over(wrong, cuts, self.sent):
            course.fail(f"wrong field order: {one} and {other} are changed over in the reply")
        self.read_fields |= set(answer.fields) - set(wrong)

    def talk_words(self, name: str) -> tuple[str, ...]:
        """The wire's words of a field, as the profile lists them."""
        listed = self.document.model.words.get(name, {})
        return tuple(wire for wires in listed.values() for wire in wires)

    def _body(self, raw: bytes) -> str:
        unwrapped = self.framing.unwrap(raw)
        return "" if unwrapped is None else unwrapped.body.decode("latin-1")


__all__ = ["MOST_SILENT", "Course", "Trying"]
