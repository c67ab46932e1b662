"""Holds one exchange: what is sent, what must come back, and what that means.

Whatever goes wrong, the exchange is read to its end first (acknowledge, prompt), so that the next
one doesn't get this one's leavings. Silence and bytes that fit nothing are link errors, a refusal
is the instrument's.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

from drivers.adapters.comparison import differences, unwanted
from drivers.adapters.events import EventRules
from drivers.language.compiled_tester import Lines
from drivers.language.exchanges import CompiledExchange, CompiledReadBack
from drivers.language.framing import WireFraming
from drivers.language.profile_common import CommonProfile
from drivers.language.templates import UNKNOWN, Template
from orchestrator.contract import Frame, Pause, Receive, Reply, Send, Talk
from orchestrator.errors import (
    InstrumentRefused,
    ProtocolFault,
    SetupMismatch,
    TimedOut,
    WrongInstrument,
)

MOST_FOREIGN = 200
"""Lines that belong to nothing asked, before an exchange is given up."""

MAY_BE_UNKNOWN = frozenset({"state", "cause", "interlock", "role", "moving"})
"""Fields whose unknown words are judged by whoever asked; elsewhere they are a fault."""

Steps = Generator[Send | Receive | Pause, Reply | None, Any]


class InstrumentBusy(InstrumentRefused):
    """Not now: nothing was carried out, the same may be asked again later."""

    default_remedy = "wait until the instrument is at rest, then run again"


class Mute(TimedOut):
    """Neither the query nor the error report was answered: asking again would only lose time."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: fields of the reply and its bytes."""

    fields: Mapping[str, Any] = field(default_factory=dict)
    raw: bytes = b""


@dataclass(slots=True)
class _Course:
    """What came of an exchange so far."""

    sent: bytes
    answer: Answer | None = None
    refusals: list[tuple[Mapping[str, Any], bytes]] = field(default_factory=list)
    busy: bytes | None = None
    wrong: str | None = None
    begun: bool = False


_PROMPT = object()


class Conversation:
    """Holds exchanges with one instrument (or one chain of units).

    Args:
        name: of the instrument, for messages.
        ask_errors: reads the error queue, where a refusal may be silence.
        in_step: proves the link in step before something is asked again.
        given: values that every message has, such as the station's address.
    """

    def __init__(
        self, name: str, profile: CommonProfile, framing: WireFraming, lines: Lines
    ) -> None:
        self.name = name
        self._profile = profile
        self._framing = framing
        self._lines = lines
        self.events = EventRules(framing)
        self.ask_errors: Callable[[], Talk[tuple[str, ...]]] | None = None
        self.given: Mapping[str, Any] = {}
        self.in_step: Callable[[], Talk[None]] | None = None
        self._owed_prompts = 0
        self._asking = False

    # ---- one exchange

    def hold(
        self, exchange: CompiledExchange, values: Mapping[str, Any], *, repeat: bool = True
    ) -> Talk[Answer]:
        """Hold an exchange; a reading one is repeated once if the link stumbled.

        Raises:
            TimedOut, ProtocolFault: no answer, or none that fits.
            InstrumentRefused, WrongInstrument, SetupMismatch: the answer is the trouble.
            CannotCarry: the values don't fit the wire (nothing was sent then).
        """
        try:
            return (yield from self._once(exchange, values))
        except (TimedOut, ProtocolFault) as error:
            if exchange.retry != "reads" or not repeat or isinstance(error, Mute):
                raise
        # An answer that is late by more than the quiet time would pass for that of the repetition.
        yield from self.quiet() if self.in_step is None else self.in_step()
        return (yield from self._once(exchange, values))

    def hold_all(
        self, exchanges: tuple[CompiledExchange, ...], values: Mapping[str, Any]
    ) -> Talk[None]:
        """Hold those that apply, in order."""
        for exchange in exchanges:
            if exchange.applies(values):
                yield from self.hold(exchange, values)

    def _once(self, exchange: CompiledExchange, values: Mapping[str, Any]) -> Talk[Answer]:
        values = {**values, **self.given}
        for chosen in exchange.select:
            if chosen.applies(values):
                yield from self._once(chosen, values)
        if exchange.raw is not None or exchange.send is None:
            yield Send(exchange.raw or b"")
            if exchange.pause_s:
                yield Pause(exchange.pause_s)
            return Answer()
        body = exchange.send.render(values)
        answer = yield from self._ask(
            body, values, exchange.replies, exchange.frame, exchange.within_s, exchange.model.same
        )
        if exchange.pause_s:
            yield Pause(exchange.pause_s)
        self._check_want(exchange, answer, body)
        if exchange.read_back is not None:
            yield from self._read_back(exchange.read_back, exchange, values)
        return answer

    def _ask(  # noqa: PLR0917 - the parts of an exchange and of its read-back
        self,
        body: bytes,
        values: Mapping[str, Any],
        replies: tuple[Template, ...],
        frame: Frame,
        within_s: float,
        same: tuple[str, ...],
    ) -> Talk[Answer]:
        data = self._framing.wrap(body, values)
        course = _Course(body)
        yield Send(data)
        if self._profile.framing.echo:
            yield from self._echo(data, frame, within_s)
        closed = bool(self._lines.acknowledge) or frame.prompt is not None
        while closed or (replies and course.answer is None):
            over = yield from self._line(course, values, replies, frame, within_s)
            if over or (not closed and course.answer is not None):
                break
        return self._judge(course, values, replies, same)

    def _line(
        self,
        course: _Course,
        values: Mapping[str, Any],
        replies: tuple[Template, ...],
        frame: Frame,
        within_s: float,
    ) -> Talk[bool]:
        """One line of an exchange; True when it was the last."""
        quiet = self._profile.framing.silent_refusal and not course.begun and not self._asking
        message = yield from self._message(frame, within_s, silence_ok=quiet)
        if message is None:
            yield from self._silent(course.sent)
        course.begun = True
        if message is _PROMPT:
            return True
        if not isinstance(message, bytes):
            raise ProtocolFault(f"{self.name}: nothing to read")
        unwrapped = self._framing.unwrap(message)
        if unwrapped is None:
            return False
        body = unwrapped.body
        if _first(self._lines.busy, body) is not None:
            course.busy = body
            return self._profile.framing.ends_with_refusal
        refusal = _first(self._lines.refusal, body)
        if refusal is not None:
            course.refusals.append((refusal, body))
            return self._profile.framing.ends_with_refusal
        for name in self._framing.same:
            if unwrapped.fields.get(name) != values.get(name):
                found = unwrapped.fields.get(name)
                course.wrong = f"{name} {found} answers, {values.get(name)} was asked"
        if course.answer is None and replies:
            fields = _first(replies, body)
            if fields is not None:
                course.answer = Answer({**unwrapped.fields, **fields}, message)
                return False
        if _first(self._lines.acknowledge, body) is not None:
            return True
        raise ProtocolFault(
            f"{self.name}: {body!r} fits nothing that may follow {course.sent!r}", raw=message
        )

    def _judge(
        self,
        course: _Course,
        values: Mapping[str, Any],
        replies: tuple[Template, ...],
        same: tuple[str, ...],
    ) -> Answer:
        """What the whole exchange comes to."""
        if course.refusals:
            told = "; ".join(self._reason(*refusal) for refusal in course.refusals)
            raise InstrumentRefused(
                f"{self.name}: {course.sent!r} refused: {told}", sent=course.sent, answer=told
            )
        if course.busy is not None:
            text = course.busy.decode("latin-1")
            message = f"{self.name}: {course.sent!r} not carried out: busy ({text})"
            raise InstrumentBusy(message, sent=course.sent, answer=text)
        if course.wrong is not None:
            raise WrongInstrument(f"{self.name}: {course.wrong}")
        if replies and course.answer is None:
            raise ProtocolFault(f"{self.name}: {course.sent!r} closed without an answer")
        answer = course.answer or Answer()
        for name in same:
            if answer.fields.get(name) != values.get(name):
                found = answer.fields.get(name)
                raise WrongInstrument(
                    f"{self.name}: {name} {found} answers, {values.get(name)} was asked"
                )
        return answer

    def _reason(self, fields: Mapping[str, Any], body: bytes) -> str:
        text = body.decode("latin-1")
        code = fields.get("code")
        known = self._profile.refusals
        told = next((known[key] for key in known if code is not None and _code(key) == code), None)
        return text if told is None else f"{text} ({told})"

    def _check_want(self, exchange: CompiledExchange, answer: Answer, body: bytes) -> None:
        if not exchange.replies:
            return
        wrong = unwanted(exchange.want, answer.fields)
        if wrong is not None and exchange.read_back is None:
            told = f"{self.name}: {body!r} is answered {answer.raw!r}: {wrong}"
            raise InstrumentRefused(told, sent=body, answer=answer.raw.decode("latin-1"))

    def _read_back(
        self,
        back: CompiledReadBack,
        exchange: CompiledExchange,
        values: Mapping[str, Any],
    ) -> Talk[None]:
        answer = yield from self.ask_back(back, values)
        wrong = unwanted(exchange.want, answer.fields)
        found = differences(back.replies, answer.fields, values)
        if wrong is not None:
            found = (wrong, *found)
        if found:
            raise SetupMismatch(f"{self.name}: read back {answer.raw!r}: {'; '.join(found)}")

    def ask_back(self, back: CompiledReadBack, values: Mapping[str, Any]) -> Talk[Answer]:
        """The query of a read-back alone."""
        values = {**values, **self.given}
        body = back.send.render(values)
        return (yield from self._ask(body, values, back.replies, back.frame, back.within_s, ()))

    # ---- lines

    def _echo(self, sent: bytes, frame: Frame, within_s: float) -> Talk[None]:
        end = self._profile.framing.send.end.encode("latin-1")
        wanted = sent[: len(sent) - len(end)]
        message = yield from self._message(frame, within_s, silence_ok=False)
        if message != wanted:
            shown = message if isinstance(message, bytes) else b""
            raise ProtocolFault(f"{self.name}: echo {shown!r} of {wanted!r}", raw=shown)

    def _receive(self, frame: Frame, within_s: float, *, silence_ok: bool) -> Talk[Reply | None]:
        """One message, with the checksum that may follow its end."""
        reply = yield Receive(frame, within_s, silence_ok)
        size = self._framing.behind_end
        if reply is None or not size or reply.end not in frame.ends:
            return reply
        check = yield Receive(Frame((), size), float(self._profile.timing.reply))
        if check is None:
            raise ProtocolFault(f"{self.name}: no checksum behind {reply.data!r}")
        return Reply(reply.data + reply.end + check.data, b"")

    def _message(self, frame: Frame, within_s: float, *, silence_ok: bool) -> Talk[object]:
        """The next line that is no event: bytes, ``None`` for silence, or the prompt's mark."""
        for _ in range(MOST_FOREIGN):
            reply = yield from self._receive(frame, within_s, silence_ok=silence_ok)
            if reply is None:
                if not silence_ok:
                    raise ProtocolFault(f"{self.name}: silence where a line was due")
                return None
            if frame.prompt is not None and reply.end == frame.prompt and not reply.data:
                if self._owed_prompts:
                    self._owed_prompts -= 1
                    continue
                return _PROMPT
            if self._take_event(reply.data) or not reply.data:
                continue
            return reply.data
        raise ProtocolFault(f"{self.name}: {MOST_FOREIGN} lines that nobody asked for")

    def _take_event(self, message: bytes) -> bool:
        """Whether a line is an event; some instruments write their prompt again behind it."""
        taken = self.events.take(message)
        self._owed_prompts += int(taken and self._profile.framing.receive.prompt_after_events)
        return taken

    def absorb(self, drained: bytes) -> None:
        """Drained bytes through the event rules. Never raises."""
        events = self.events.absorb(drained)
        if self._profile.framing.receive.prompt_after_events:
            self._owed_prompts += events

    def listen(self, within_s: float) -> Talk[None]:
        """Take events that come within so long; ends with the first silence."""
        for _ in range(MOST_FOREIGN):
            reply = yield from self._receive(self._framing.frame, within_s, silence_ok=True)
            if reply is None:
                return
            if not self._take_event(reply.data) and reply.data:
                raise ProtocolFault(
                    f"{self.name}: {reply.data!r} came unasked and is no event", raw=reply.data
                )
            if not reply.data and self._owed_prompts:
                self._owed_prompts -= 1
            within_s = 0.0

    def quiet(self) -> Talk[None]:
        """Throw away what comes late until nothing more does; events are still taken."""
        within_s = float(self._profile.timing.resync_quiet)
        for _ in range(MOST_FOREIGN):
            try:
                reply = yield from self._receive(self._framing.frame, within_s, silence_ok=True)
            except TimedOut:
                return  # a piece of a line: the next exchange shows whether it hurts
            if reply is None:
                self._owed_prompts = 0
                return
            self.events.take(reply.data)
        raise ProtocolFault(f"{self.name}: doesn't stop sending lines that nobody asked for")

    def _silent(self, sent: bytes) -> Talk[None]:
        """Nothing came: a refusal, if the error queue says so."""
        entries: tuple[str, ...] = ()
        if self.ask_errors is not None:
            self._asking = True
            try:
                entries = yield from self.ask_errors()
            except TimedOut as error:
                told = f"{self.name}: no answer to {sent!r}, nor from the error report"
                raise Mute(told, received=error.received) from error
            finally:
                self._asking = False
        if entries:
            told = "; ".join(entries)
            message = f"{self.name}: {sent!r} refused: {told}"
            raise InstrumentRefused(message, sent=sent, answer=told)
        raise TimedOut(f"{self.name}: no answer to {sent!r}, and no error reported")


def _first(templates: tuple[Template, ...], body: bytes) -> Mapping[str, Any] | None:
    """The fields of the first template that fits; unknown words only where those are judged."""
    second: Mapping[str, Any] | None = None
    for template in templates:
        fields = template.parse(body)
        if fields is None:
            continue
        unknown = {name for name, value in fields.items() if value is UNKNOWN}
        if not unknown:
            return fields
        if second is None and unknown <= MAY_BE_UNKNOWN:
            second = fields
    return second


def _code(key: str) -> int | None:
    try:
        return int(key)
    except ValueError:
        return None
