"""Exchanges compiled: templates both ways, deadlines, loops, what must come back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from drivers.language.dialect import SCPI_TOKENS, Dialect, TemplateError, Token
from drivers.language.framing import WireFraming
from drivers.language.profile_common import (
    CommonProfile,
    Exchange,
    ReceiveFraming,
    TokenModel,
)
from drivers.language.templates import Template
from orchestrator.contract import Frame
from orchestrator.errors import Fault, Position, Refused
from orchestrator.units import Dimension

Place = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class CompiledReadBack:
    """A query and its replies, compared with what was sent."""

    send: Template
    replies: tuple[Template, ...]
    within_s: float
    frame: Frame


@dataclass(frozen=True, slots=True)
class CompiledExchange:
    """An exchange ready to be held; see `profile_common.Exchange` for what the parts mean."""

    model: Exchange
    send: Template | None
    raw: bytes | None
    replies: tuple[Template, ...]
    retry: Literal["reads", "consumes", "sets", "acts"]
    within_s: float
    pause_s: float
    frame: Frame
    select: tuple[CompiledExchange, ...] = ()
    read_back: CompiledReadBack | None = None
    want: Mapping[str, str] = field(default_factory=dict)

    def sends(self, name: str) -> bool:
        """Whether the message carries a field."""
        return self.send is not None and name in self.send.fields

    def applies(self, values: Mapping[str, Any]) -> bool:
        """Whether its `when` fits."""
        return fits(self.model.when, values)

    def reply_templates(self) -> tuple[Template, ...]:
        """Replies to the message and to its read-back."""
        back = () if self.read_back is None else self.read_back.replies
        return self.replies + back


def fits(when: Mapping[str, tuple[str, ...]], values: Mapping[str, Any]) -> bool:
    """Whether conditions hold; ``present`` and ``absent`` name fields, others list values."""
    for name, wanted in when.items():
        if name == "present":
            if any(values.get(field_name) is None for field_name in wanted):
                return False
        elif name == "absent":
            if any(values.get(field_name) is not None for field_name in wanted):
                return False
        elif str(values.get(name)) not in wanted:
            return False
    return True


def dialect_of(profile: CommonProfile) -> Dialect:
    """What the templates of a profile share.

    Raises:
        TemplateError: words or spellings that contradict each other.
    """
    tokens = tuple(map(_token, profile.tokens))
    return Dialect(
        encoding=profile.framing.encoding,
        words=profile.words,
        units=profile.units,
        tokens=tokens + (SCPI_TOKENS if profile.scpi_tokens else ()),
        decimal_comma=profile.decimal_comma,
        list_separator=profile.list_separator,
        blanks=profile.blanks,
        ignore_case=profile.ignore_case,
    )


def _token(model: TokenModel) -> Token:
    return Token(model.means, model.text, model.prefix, model.number, model.of, model.exponent)


class Compiler:
    """Compiles a profile's templates and collects every fault with its place in the file.

    Args:
        locate: place of a key path in the file.
        address: of the station, where it isn't the profile's own.

    Attributes:
        dialect, framing: of the profile; plain ones where those can't be compiled.
    """

    def __init__(
        self,
        profile: CommonProfile,
        locate: Callable[..., Position],
        address: int | None = None,
    ) -> None:
        self.profile = profile
        address = profile.link.address if address is None else address
        self.given: Mapping[str, Any] = {} if address is None else {"unit": address}
        self._locate = locate
        self._faults: list[Fault] = []
        self._wordless: frozenset[str] = frozenset()
        self.dialect = self._dialect()
        self.framing = WireFraming(profile.framing.model_copy(update=_BARE), self.dialect)
        try:
            self.framing = WireFraming(profile.framing, self.dialect, self.given)
        except TemplateError as error:
            self.fault(error, ("framing",))

    def _dialect(self) -> Dialect:
        """The dialect; faulty words are noted and left out, so that the rest can be compiled."""
        profile, good = self.profile, dict(self.profile.words)
        for name, words in profile.words.items():
            try:
                Dialect(words={name: words})
            except TemplateError as error:
                self.fault(error, ("words", name))
                del good[name]
        self._wordless = frozenset(profile.words) - frozenset(good)
        try:
            return dialect_of(profile.model_copy(update={"words": good}))
        except TemplateError as error:
            self.fault(error, ("units",))
            return Dialect(words=good)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What was found wrong so far."""
        return tuple(self._faults)

    def fault(self, error: Any, place: Place) -> None:
        """Note a fault; the error says found, expected and remedy."""
        if any(error.found == f"{name!r} without words" for name in self._wordless):
            return  # its words have been found faulty already
        what = ".".join(f"[{p + 1}]" if isinstance(p, int) else p for p in place)
        what = what.replace(".[", "[")
        found, expected, remedy = error.found, error.expected, error.remedy
        self._faults.append(Fault(what, found, expected, remedy, self._locate(*place)))

    def done(self) -> None:
        """Raises Refused with every fault, if there was one."""
        if self._faults:
            raise Refused(dict.fromkeys(self._faults))

    def template(
        self,
        text: str,
        place: Place,
        *,
        sending: bool,
        dimensions: Mapping[str, Dimension] | None = None,
    ) -> Template | None:
        """A template, or ``None`` with its fault noted."""
        try:
            return Template.compile(text, self.dialect, sending=sending, dimensions=dimensions)
        except TemplateError as error:
            self.fault(error, place)
            return None

    def templates(
        self,
        texts: Iterable[str],
        place: Place,
        *,
        sending: bool = False,
        dimensions: Mapping[str, Dimension] | None = None,
    ) -> tuple[Template, ...]:
        """Several alternatives."""
        made = (
            self.template(text, (*place, number), sending=sending, dimensions=dimensions)
            for number, text in enumerate(texts)
        )
        return tuple(template for template in made if template is not None)

    def exchange(
        self, model: Exchange, place: Place, dimensions: Mapping[str, Dimension] | None = None
    ) -> CompiledExchange:
        """One exchange; faults are noted, not raised."""
        timing = self.profile.timing
        send = None
        if model.send is not None:
            at = (*place, "send")
            send = self.template(model.send, at, sending=True, dimensions=dimensions)
        replies = self.templates(model.reply, (*place, "reply"), dimensions=dimensions)
        within = float(model.within or timing.reply)
        pause = model.pause
        answered = self.profile.framing.acknowledge or self.profile.framing.receive.prompt
        if pause is None and not model.reply and not answered:
            pause = timing.command
        return CompiledExchange(
            model=model,
            send=send,
            raw=None if model.raw is None else model.raw.encode("latin-1"),
            replies=replies,
            retry=model.retry,
            within_s=within,
            pause_s=0.0 if pause is None else float(pause),
            frame=self._frame(replies, (*place, "reply")),
            select=self.exchanges(model.select, (*place, "select"), dimensions),
            read_back=self._read_back(model, place, dimensions),
            want=model.want,
        )

    def exchanges(
        self,
        models: Iterable[Exchange],
        place: Place,
        dimensions: Mapping[str, Dimension] | None = None,
    ) -> tuple[CompiledExchange, ...]:
        """Several exchanges, in order."""
        return tuple(
            self.exchange(model, (*place, number), dimensions)
            for number, model in enumerate(models)
        )

    def maybe(
        self,
        model: Exchange | None,
        place: Place,
        dimensions: Mapping[str, Dimension] | None = None,
    ) -> CompiledExchange | None:
        """An exchange that may be absent."""
        return None if model is None else self.exchange(model, place, dimensions)

    def _read_back(
        self, model: Exchange, place: Place, dimensions: Mapping[str, Dimension] | None
    ) -> CompiledReadBack | None:
        back = model.read_back
        if back is None:
            return None
        at = (*place, "read_back")
        send = self.template(back.send, (*at, "send"), sending=True, dimensions=dimensions)
        replies = self.templates(back.reply, (*at, "reply"), dimensions=dimensions)
        if send is None:
            return None
        within = float(back.within or model.within or self.profile.timing.reply)
        return CompiledReadBack(send, replies, within, self._frame(replies, (*at, "reply")))

    def _frame(self, replies: tuple[Template, ...], place: Place) -> Frame:
        if not replies or not self.framing.raw_check:
            return self.framing.frame
        lengths = {template.fixed_length for template in replies}
        try:
            return self.framing.frame_of(lengths.pop() if len(lengths) == 1 else None)
        except TemplateError as error:
            self.fault(error, place)
            return self.framing.frame


_BARE = {"envelope": None, "checksum": None, "receive": ReceiveFraming()}
