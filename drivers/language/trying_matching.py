"""A reply laid beside its template: what each field was read from, and where it stopped fitting.

Only for showing: `Template.parse` alone decides what a reply means.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from drivers.language.fields import FIELDS, FieldKind
from drivers.language.parts import Compiler, Slot
from drivers.language.templates import UNKNOWN, Template
from drivers.language.values import NO_MATCH
from orchestrator.model.record import Reading
from orchestrator.quantities import Quantity
from orchestrator.units import Dimension

Dimensions = Mapping[str, Dimension]
_BOUND = {"above": "above ", "below": "below "}


@dataclass(frozen=True, slots=True)
class Match:
    """How far a text follows a template.

    Attributes:
        cuts: field → its part of the text, as far as it fits.
        reached: characters that fit. stop: why it doesn't fit further; '' where it fits whole.
    """

    cuts: Mapping[str, str]
    reached: int
    stop: str


def follow(template: Template, text: str, dimensions: Dimensions, *, sending: bool) -> Match:
    """Lay a text beside a template, part by part."""
    parts = Compiler(
        template.text, template.dialect, sending=sending, dimensions=dimensions
    ).parts()
    if template.dialect.blanks != "exact":
        text = text.strip(" ")
    cuts: dict[str, str] = {}
    at = 0
    for number, part in enumerate(parts):
        if isinstance(part, str):
            if not text.startswith(part, at):
                found = text[at : at + max(len(part), 8)]
                return Match(cuts, at, f"{_behind(text, at)} {part!r} is due, {found!r} came")
            at += len(part)
            continue
        cut = text[at : _end(parts, number, text, at)]
        stop = _misfit(template.text, part, cut)
        if stop:
            return Match(cuts, at, f"{_behind(text, at)} {stop}")
        if part.name != "skip":
            cuts[part.name] = cut
        at += len(cut)
    rest = text[at:]
    return Match(cuts, at, f"{rest!r} follows where the template ends" if rest else "")


def _behind(text: str, at: int) -> str:
    return f"behind {text[:at]!r}" if at else "at its beginning"


def _end(parts: tuple[str | Slot, ...], number: int, text: str, at: int) -> int:
    """Where a field ends: its width, or where the text behind it begins."""
    slot = parts[number]
    if isinstance(slot, Slot) and slot.width is not None:
        return at + slot.width
    following = parts[number + 1] if number + 1 < len(parts) else None
    if isinstance(following, str):
        start = at + 1 if following[0] in "+- " else at
        found = text.find(following, start)
        return len(text) if found < 0 else found
    behind = sum(p.width or 0 for p in parts[number + 1 :] if isinstance(p, Slot))
    return max(len(text) - behind, at)


def _misfit(template: str, slot: Slot, cut: str) -> str:
    """Why a part of the text isn't this field's; '' if it is."""
    end = template.find("}", slot.column)
    notation = template[slot.column - 1 : end + 1]
    if slot.width is not None and len(cut) < slot.width and not slot.left_out(cut):
        return f"{notation} takes {slot.width} characters, {cut!r} is left"
    if slot.left_out(cut):
        return ""
    value = slot.codec.decode(cut, 0)
    if value is NO_MATCH:
        return f"{cut!r} isn't of the form {notation}"
    if value is UNKNOWN:
        return f"{cut!r} is no word of {slot.name!r} in 'words'"
    return ""


def best_of(
    templates: Iterable[Template], text: str, dimensions: Dimensions
) -> tuple[Template, Match] | None:
    """The template that a reply follows furthest."""
    tried = [(t, follow(t, text, dimensions, sending=False)) for t in templates]
    return max(tried, key=lambda pair: (not pair[1].stop, pair[1].reached), default=None)


def shown(name: str, value: Any, dimensions: Dimensions) -> str:
    """A field's value as a person reads it, with its unit."""
    if value is None:
        return "left out"
    if value is UNKNOWN:
        return "unknown word"
    bound = ""
    if isinstance(value, Reading):
        if value.bound == "none":
            return "no reading"
        bound = _BOUND.get(value.bound, "")
        if value.value is None:
            return f"{bound}the range"
        value = value.value
    spec = FIELDS[name]
    if spec.kind is FieldKind.QUANTITY:
        dimension = spec.dimension or dimensions.get(name)
        return f"{bound}{value if dimension is None else Quantity(value, dimension)}"
    if spec.kind is FieldKind.BITS:
        return f"{value:b} (bits, bit 0 on the right)"
    if spec.kind is FieldKind.MASK:
        return f"{value:b} (mask, lowest channel on the right)"
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "none"
    return repr(value) if spec.kind is FieldKind.TEXT else str(value)
