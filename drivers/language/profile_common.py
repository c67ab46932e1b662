"""What profiles of testers and of relay matrices have in common: framing, exchanges, words.

Models only: they say what may be written. What it means on the wire is worked out by
`framing` and `exchanges`; whether it is complete and free of contradictions, by `checker`.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.language.profile_values import (
    Amperes,
    AnyQuantity,
    Band,
    Conditions,
    Duration,
    Hertz,
    QuantitySpan,
    RatingModel,
    Template,
    Templates,
    Volts,
    WireText,
    WireTexts,
    Words,
    any_quantity,
    one_or_more,
    seconds,
    unescape,
)
from orchestrator.documents import Strict, WholeNumber, YesNo, refuse

__all__ = [
    "Amperes",
    "AnyQuantity",
    "Band",
    "CommonProfile",
    "Conditions",
    "Duration",
    "Envelope",
    "Exchange",
    "Exchanges",
    "Framing",
    "Hertz",
    "Identify",
    "LinkDefaults",
    "QuantitySpan",
    "RatingModel",
    "ReadBack",
    "Template",
    "Templates",
    "Timing",
    "TokenModel",
    "Volts",
    "WireText",
    "WireTexts",
    "Words",
    "any_quantity",
    "one_or_more",
    "seconds",
    "unescape",
]

# ---- framing ------------------------------------------------------------------------------------


class SendFraming(Strict):
    """What stands around every message sent."""

    begin: WireText = ""
    end: WireText = "\n"


class ReceiveFraming(Strict):
    """How a message received begins and ends.

    Attributes:
        begin: whatever stands before its last occurrence in a message is junk and cut off.
        end: one or several terminators. length: bytes of every message, its end not counted.
        check_behind_end: the checksum follows the end, which then counts as part of the message.
        prompt: ends an exchange where a message would begin (then it is the acknowledge); may
            hold a tester's address as ``{unit:…}``.
        prompt_after_events: the prompt is written again after each unsolicited line.
    """

    begin: WireText = ""
    end: WireTexts = ("\n",)
    prompt: WireText | None = None
    prompt_after_events: YesNo = False
    check_behind_end: YesNo = False
    length: Annotated[WholeNumber, Field(ge=1, le=65536)] | None = None
    limit: Annotated[WholeNumber, Field(ge=2, le=1_000_000)] = 65536


class Envelope(Strict):
    """What stands around every body: address, checksum, marks.

    ``same`` names the fields that must come back as they were sent.
    """

    send: Template
    receive: Template
    same: Words = ()
    wrong_check: Literal["ignore", "fault"] = "fault"


class ChecksumModel(Strict):
    """A checksum: `over` says whether it covers the body alone or all before it."""

    kind: str
    form: Literal["hex", "hex_lower", "raw", "decimal"] = "hex"
    order: Literal["high_first", "low_first"] = "high_first"
    over: Literal["body", "before"] = "body"
    skip: Annotated[WholeNumber, Field(ge=0, le=16)] = 0


class Framing(Strict):
    """How messages are written and told apart.

    Attributes:
        echo: each line sent comes back first and must equal what was sent.
        acknowledge: the line that closes every exchange, after the data.
        refusal: lines that mean 'refused', anywhere before data, acknowledge or prompt.
        refusal_closes: a refusal stands in place of the acknowledge (or prompt).
        busy: lines that mean 'not now, nothing was done, ask again later'.
        silent_refusal: an unanswered query may be a refusal: ask the error queue.
    """

    encoding: Literal["ascii", "latin-1"] = "ascii"
    send: SendFraming = SendFraming()
    receive: ReceiveFraming = ReceiveFraming()
    envelope: Envelope | None = None
    checksum: ChecksumModel | None = None
    echo: YesNo = False
    acknowledge: Templates = ()
    refusal: Templates = ()
    refusal_closes: YesNo | None = None
    busy: Templates = ()
    silent_refusal: YesNo = False

    @model_validator(mode="after")
    def _one_closing(self) -> Self:
        if (self.checksum is None) != (self.envelope is None or "{check" not in self.envelope.send):
            found = "a checksum without {check} in the envelope, or the reverse"
            remedy = "give both: checksum: {...} and envelope: {send: '{body}{check}', ...}"
            raise refuse(found=found, expected="both or neither", remedy=remedy)
        if self.receive.check_behind_end and (
            self.checksum is None or len(self.receive.end) != 1 or self.receive.length is not None
        ):
            found = "check_behind_end without a checksum or one end, or with a length"
            remedy = "give one end, such as '\\x03', and the checksum; drop the length"
            raise refuse(found=found, expected="one end that the checksum follows", remedy=remedy)
        closed = bool(self.acknowledge) or self.receive.prompt is not None
        if self.refusal and closed and self.refusal_closes is None:
            remedy = "add 'refusal_closes: yes' if nothing follows a refusal line, else no"
            raise refuse(found="nothing", expected="the key 'refusal_closes'", remedy=remedy)
        return self

    @property
    def ends_with_refusal(self) -> bool:
        """Whether nothing more comes after a refusal line."""
        if self.refusal_closes is None:
            return not self.acknowledge and self.receive.prompt is None
        return self.refusal_closes


class Timing(Strict):
    """Deadlines of the type of instrument; an exchange may state its own.

    Attributes:
        reply: longest wait for one line of an answer.
        command: wait after a message that nothing answers, until it has taken effect.
        poll: pause between two looks. off: latest confirmed off after a stop.
        start_lag: how long the state may still show what was before a start.
        event: longest wait for an event line where events are all there is.
        resync_quiet: silence that shows that nothing late is still coming.
    """

    reply: Duration = seconds("200 ms")
    command: Duration = seconds("0 s")
    poll: Duration = seconds("20 ms")
    off: Duration = seconds("12 s")
    start_lag: Duration = seconds("500 ms")
    event: Duration = seconds("20 ms")
    resync_quiet: Duration = seconds("100 ms")


# ---- links, words -------------------------------------------------------------------------------


class SerialDefaults(Strict):
    """Settings of a serial line that the station file leaves out."""

    baud: Annotated[WholeNumber, Field(ge=110, le=4_000_000)]
    bits: Literal["7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal["1", "2"] = "1"


class LinkDefaults(Strict):
    """Defaults of the links; GPIB and TCP figures are for the reader and for new stations.

    ``address``: the field ``{unit}`` of a tester whose telegrams carry a station address.
    """

    serial: SerialDefaults | None = None
    tcp_port: Annotated[WholeNumber, Field(ge=1, le=65535)] | None = None
    address: Annotated[WholeNumber, Field(ge=0, le=65535)] | None = None
    gpib_address: Annotated[WholeNumber, Field(ge=0, le=30)] | None = None


class TokenModel(Strict):
    """A text that stands for 'no number': matched on the raw text before any scaling.

    ``of`` gives the end of the range where the token tells it; it confines the token to readings
    of its dimension. ``exponent``: with a number, the power of ten that must stand beside it.
    """

    text: str | None = None
    prefix: str | None = None
    number: Decimal | None = None
    means: Literal["above", "below", "none"]
    of: AnyQuantity | None = None
    exponent: Annotated[WholeNumber, Field(ge=-999, le=999)] | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if [self.text, self.prefix, self.number].count(None) != 2:
            remedy = "write text: '…' for a whole token, prefix: '>', or number: '9.9E37'"
            found = "none or several of text, prefix, number"
            raise refuse(found=found, expected="exactly one", remedy=remedy)
        if self.exponent is not None and self.number is None:
            remedy = "write number: '9.9999', exponent: '99'"
            raise refuse(found="exponent without number", expected="both", remedy=remedy)
        return self


# ---- exchanges ----------------------------------------------------------------------------------


class ReadBack(Strict):
    """A query whose reply must agree, field by field, with what was sent."""

    send: Template
    reply: Templates
    within: Duration | None = None


class Exchange(Strict):
    """One message and what comes back.

    Attributes:
        send: template of the body. raw: bytes as they are, without framing, instead.
        reply: template(s) of the data line; none: only what framing says comes back.
        class_: reads (may be repeated), consumes, sets, acts (never repeated).
        within: deadline of each line. pause: wait afterwards.
        same: fields of the reply that must equal what was sent.
        want: what the reply must say. select: sent before, because the selection sticks.
        when: only sent if the order (or the loop) fits. for_each: loop, outermost first.
        read_back: asked at once, compared with what was sent.
    """

    send: Template | None = None
    raw: WireText | None = None
    reply: Templates = ()
    class_: Annotated[Literal["reads", "consumes", "sets", "acts"] | None, Field(alias="class")] = (
        None
    )
    within: Duration | None = None
    pause: Duration | None = None
    same: Words = ()
    want: dict[str, str] = Field(default_factory=dict)
    select: Exchanges = ()
    when: Conditions = Field(default_factory=dict)
    for_each: Words = ()
    read_back: ReadBack | None = None

    @model_validator(mode="after")
    def _sends_something(self) -> Self:
        if (self.send is None) == (self.raw is None):
            remedy = "write send: 'TEMPLATE', or raw: 'BYTES' for bytes without framing"
            raise refuse(found="both or neither", expected="send or raw", remedy=remedy)
        unknown = set(self.for_each) - {"unit", "bank", "channel", "role"}
        if unknown:
            remedy = "use unit, bank, channel or role"
            raise refuse(found=f"{min(unknown)!r}", expected="a known loop", remedy=remedy)
        return self

    @property
    def retry(self) -> Literal["reads", "consumes", "sets", "acts"]:
        """The class; without one, a query reads and a command sets."""
        if self.class_ is not None:
            return self.class_
        return "reads" if self.reply else "sets"


Exchanges = Annotated[tuple[Exchange, ...], BeforeValidator(one_or_more)]
Exchange.model_rebuild()


class Identify(Exchange):
    """Who is there. ``expect`` maps reply fields to the text they must have."""

    expect: dict[str, str] = Field(default_factory=dict)
    simulated_serial: str | None = None


class CommonProfile(Strict):
    """Top-level keys of every profile."""

    profile: Literal["1"]
    name: Annotated[str, Field(min_length=1)]
    about: str = ""
    manual: str = ""
    link: LinkDefaults = LinkDefaults()
    framing: Framing = Framing()
    timing: Timing = Timing()
    words: dict[str, dict[str, Words]] = Field(default_factory=dict)
    units: dict[str, Words] = Field(default_factory=dict)
    tokens: tuple[TokenModel, ...] = ()
    scpi_tokens: YesNo = False
    decimal_comma: YesNo = False
    list_separator: Annotated[str, Field(min_length=1)] = ","
    blanks: Literal["exact", "trim", "any"] = "exact"
    ignore_case: YesNo = False
    refusals: dict[str, str] = Field(default_factory=dict)
    power_up: str = ""
    link_loss: str = ""
