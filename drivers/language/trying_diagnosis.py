"""What a failed exchange says about the profile: silence, terminator, checksum, values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from itertools import product
from typing import Any, TypeVar

from drivers.adapters.comparison import differences
from drivers.language.compiled_tester import Lines, dimensions_of
from drivers.language.dialect import Dialect, TemplateError
from drivers.language.exchanges import CompiledExchange
from drivers.language.framing import WireFraming
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from drivers.language.templates import Template
from drivers.language.trying_matching import Dimensions, best_of, follow, shown
from orchestrator.documents import Document
from orchestrator.errors import OhmwardError, ProtocolFault, TimedOut
from orchestrator.model.record import Reading
from orchestrator.model.words import StepKind

AnyProfile = TypeVar("AnyProfile", TesterProfile, MatrixProfile)
_KINDS = ("sum8", "sum16", "xor", "lrc", "crc16", "crc16_ccitt")
ENDS = ("\r\n", "\n\r", "\n", "\r", "\x03", "\x00")
"""Terminators that are looked for where the profile's own doesn't come (common practice)."""

_RATIOS = {
    Decimal("1.41421356"): "the square root of 2: rms against peak",
    Decimal("0.70710678"): "one by the square root of 2: peak against rms",
    Decimal(60): "60: seconds against minutes",
    Decimal(1) / Decimal(60): "1/60: minutes against seconds",
}


@dataclass(frozen=True, slots=True)
class Speech:
    """The compiled parts of a profile that say how lines are read."""

    framing: WireFraming
    lines: Lines
    receive_end: tuple[str, ...]


def visible(data: bytes | str) -> str:
    """Bytes as a profile writes them."""
    text = data if isinstance(data, str) else data.decode("latin-1")
    return "'" + text.encode("unicode_escape").decode("ascii") + "'"


# ---- framing --------------------------------------------------------------------------------


def end_found(data: bytes, ends: tuple[str, ...]) -> str | None:
    """The terminator that bytes carry in place of the profile's, if they tell one."""
    text = data.decode("latin-1")
    for end in ENDS:
        if text.endswith(end) and len(text) > len(end):
            return None if end in ends else end
    return None


def wrong_end(received: bytes, ends: tuple[str, ...]) -> str | None:
    """Say which terminator came instead of the profile's; ``None`` if none is to be seen."""
    found = end_found(received, ends)
    if found is None:
        return None
    due = " or ".join(map(visible, ends)) or "none"
    return (
        f"wrong terminator: the answer {visible(received)} ends with {visible(found)}, "
        f"framing.receive.end is {due}"
    )


def stray_end(raw: bytes, ends: tuple[str, ...]) -> tuple[str, str] | None:
    """A piece of a terminator left on a message: (the terminator it belongs to, told)."""
    text, own = raw.decode("latin-1"), ends[0] if ends else ""
    found = None
    if text.endswith("\r"):
        found = "\r" + own
    elif text.startswith("\n"):
        found = own + "\n"
    if found is None:
        return None
    told = (
        f"wrong terminator: {visible(raw)} is left of a message that ends with {visible(own)}; "
        f"framing.receive.end is probably {visible(found)}"
    )
    return found, told


def with_ends(
    document: Document[AnyProfile], *, send: str | None = None, receive: str | None = None
) -> Document[AnyProfile]:
    """The same profile with other terminators."""
    framing = document.model.framing
    changed: dict[str, Any] = {}
    if send is not None:
        changed["send"] = framing.send.model_copy(update={"end": send})
    if receive is not None:
        changed["receive"] = framing.receive.model_copy(update={"end": (receive,)})
    update = {"framing": framing.model_copy(update=changed)}
    return replace(document, model=document.model.model_copy(update=update))


def fitting_checksum(
    document: Document[AnyProfile], raw: bytes, dialect: Dialect
) -> tuple[Document[AnyProfile], str] | None:
    """The profile with the first other checksum that a message received bears out, and told."""
    framing = document.model.framing
    if framing.checksum is None:
        return None
    for kind, order, over in product(_KINDS, ("high_first", "low_first"), ("body", "before")):
        update = {"kind": kind, "order": order, "over": over}
        other = framing.model_copy(update={"checksum": framing.checksum.model_copy(update=update)})
        try:
            if WireFraming(other, dialect).unwrap(raw) is None:
                continue
        except (ProtocolFault, TemplateError):
            continue
        words = f"kind {kind}, order {order}, over {over}"
        told = f"wrong checksum: {visible(raw)} bears one of {words}"
        model = document.model.model_copy(update={"framing": other})
        return replace(document, model=model), told
    return None


# ---- an answer that can't be read -----------------------------------------------------------


def explain(
    error: OhmwardError,
    speech: Speech,
    templates: tuple[Template, ...],
    dimensions: Dimensions,
) -> tuple[str, ...]:
    """Why an exchange failed, in the profile's terms."""
    if isinstance(error, TimedOut):
        if not error.received:
            return (f"silence: {error}",)
        told = wrong_end(error.received, speech.receive_end)
        arrived = f"only {visible(error.received)} came, without an end that the profile knows"
        return (told or arrived,)
    if not isinstance(error, ProtocolFault):
        return (str(error),)
    stray = stray_end(error.raw, speech.receive_end) if error.raw else None
    if stray is not None:
        return (stray[1],)
    text = str(error)
    if "checksum" in text or "envelope" in text:
        return (text + f" (message {visible(error.raw)})",)
    if ": echo " in text:
        return (f"wrong echo: {text}",)
    return (text, *_unreadable(error.raw, speech, templates, dimensions))


def _unreadable(
    raw: bytes, speech: Speech, templates: tuple[Template, ...], dimensions: Dimensions
) -> tuple[str, ...]:
    try:
        unwrapped = speech.framing.unwrap(raw)
    except ProtocolFault as error:
        return (str(error),)
    if unwrapped is None:
        return ()
    body = unwrapped.body.decode("latin-1")
    best = best_of(templates or speech.lines.acknowledge, body, dimensions)
    if best is None:
        return (f"nothing is told to come back, {visible(body)} came",)
    template, match = best
    return (f"{visible(body)} doesn't fit {template.text!r}: {match.stop}",)


# ---- values that differ ---------------------------------------------------------------------


def mismatches(
    templates: tuple[Template, ...],
    fields: Mapping[str, Any],
    values: Mapping[str, Any],
    dimensions: Dimensions,
) -> dict[str, str]:
    """Field → how what was read differs from what was sent."""
    found: dict[str, str] = {}
    for name, read in fields.items():
        if not differences(templates, {name: read}, values):
            continue
        sent = values[name]
        told = f"{name}: sent {shown(name, sent, dimensions)}, read {shown(name, read, dimensions)}"
        ratio = ratio_told(read, sent)
        found[name] = f"{told}; {ratio}" if ratio else told
    return found


def ratio_told(read: Any, sent: Any) -> str:
    """'read is 10 times what was sent: …' where the ratio tells something; else ''."""
    one, other = _number(read), _number(sent)
    if one is None or other is None or not one or not other:
        return ""
    ratio = one / other
    power = round(float(ratio.copy_abs().log10()))
    if power and abs(ratio / Decimal(10) ** power - 1) < Decimal("0.02"):
        times = f"{Decimal(10) ** power:f}"
        return f"read is {times} times what was sent: the scale or unit of one of the two is wrong"
    for known, words in _RATIOS.items():
        if abs(ratio / known - 1) < Decimal("0.02"):
            return f"the ratio is {words}"
    return ""


def _number(value: Any) -> Decimal | None:
    if isinstance(value, Reading):
        value = value.value
    return value if isinstance(value, Decimal) else None


def changed_over(
    wrong: Iterable[str], read_texts: Mapping[str, str], sent_texts: Mapping[str, str]
) -> tuple[tuple[str, str], ...]:
    """Pairs of fields of which each was read where the other one's text stands."""
    names = sorted(wrong)
    return tuple(
        (one, other)
        for place, one in enumerate(names)
        for other in names[place + 1 :]
        if _alike(read_texts.get(one), sent_texts.get(other))
        and _alike(read_texts.get(other), sent_texts.get(one))
    )


def _alike(one: str | None, other: str | None) -> bool:
    if one is None or other is None:
        return False
    try:
        return Decimal(one) == Decimal(other)
    except InvalidOperation:
        return one.strip() == other.strip()


def sent_texts(exchange: CompiledExchange, values: Mapping[str, Any]) -> Mapping[str, str]:
    """Field → its text in the message, as it went out."""
    if exchange.send is None:
        return {}
    body = exchange.send.render(values).decode("latin-1")
    return follow(exchange.send, body, _dimensions_of(values), sending=True).cuts


def _dimensions_of(values: Mapping[str, Any]) -> Dimensions:
    kind = values.get("kind")
    return dimensions_of(StepKind(kind)) if kind in set(StepKind) else {}
