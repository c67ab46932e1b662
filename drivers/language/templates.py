"""Templates: one notation that writes a message and reads it back.

``SLOT {slot:d},{level:V .0 suffix},{at_most:mA .2 suffix|OFF}``: text stands for itself (braces
doubled), a field is ``{name}``, ``{name:FORMAT}`` or ``{name:FORMAT|ALTERNATIVE}``; see
`drivers.language.formats` for FORMAT. The alternative stands where a step leaves the value out.

Reading takes one pass: a field of fixed width takes its characters, any other ends where the
following text first occurs, the last one ends before the closing text. Nothing is ever tried
twice, so no message, however long or odd, takes more than linear time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from drivers.language.dialect import SCPI_TOKENS, Blanks, Dialect, TemplateError, Token
from drivers.language.fields import FieldKind, FieldSpec, Rounding
from drivers.language.parts import Compiler, Slot
from drivers.language.values import (
    NO_MATCH,
    UNKNOWN,
    Ambiguous,
    Marker,
    NumberCodec,
    ReadingCodec,
    Refused,
)
from orchestrator.contract import CannotCarry
from orchestrator.model.record import Reading
from orchestrator.units import Dimension

__all__ = [
    "SCPI_TOKENS",
    "UNKNOWN",
    "Ambiguous",
    "Blanks",
    "Dialect",
    "Marker",
    "Template",
    "TemplateError",
    "Token",
]

HIGHEST_POWER = 30


@dataclass(frozen=True, slots=True)
class Template:
    """A compiled template.

    Attributes:
        fields: names in their order, ``skip`` left out.
        fixed_length: bytes of every message, when every field has a fixed width.
    """

    text: str
    dialect: Dialect
    fields: tuple[str, ...]
    fixed_length: int | None
    _parts: tuple[str | Slot, ...]

    @classmethod
    def compile(
        cls,
        text: str,
        dialect: Dialect,
        *,
        sending: bool,
        dimensions: Mapping[str, Dimension] | None = None,
    ) -> Template:
        """Read a template.

        Args:
            sending: it is a message to the instrument, else one from it.
            dimensions: of fields whose dimension depends on the kind of step.

        Raises:
            TemplateError: unknown field, unfit format, or a message that couldn't be read back.
        """
        parts = Compiler(text, dialect, sending=sending, dimensions=dimensions or {}).parts()
        slots = [part for part in parts if isinstance(part, Slot)]
        names = tuple(dict.fromkeys(s.name for s in slots if s.name != "skip"))
        widths = [p.width if isinstance(p, Slot) else len(p) for p in parts]
        length = None if None in widths else sum(w for w in widths if w is not None)
        return cls(text, dialect, names, length, parts)

    def optional(self, field: str) -> bool:
        """True if the field's value may be left out everywhere it stands.

        Raises:
            KeyError: the template doesn't hold the field.
        """
        return all(slot.alternative is not None for slot in self._slots(field))

    @property
    def exponents(self) -> frozenset[str]:
        """Fields that are the power of ten of another one."""
        slots = (part for part in self._parts if isinstance(part, Slot))
        return frozenset(slot.exponent for slot in slots if slot.exponent is not None)

    def has_power(self, field: str) -> bool:
        """Whether a field's power of ten stands in another one. Raises KeyError."""
        return self._slots(field)[0].exponent is not None

    def spec_of(self, field: str) -> FieldSpec:
        """The vocabulary entry of one of the template's fields. Raises KeyError."""
        return self._slots(field)[0].spec

    def render(
        self, values: Mapping[str, Any], *, rounding: Mapping[str, Rounding] | None = None
    ) -> bytes:
        """The message.

        Args:
            values: by field; absent or ``None`` puts the alternative in its place.
            rounding: which way a value may move onto the wire's grid; a set-point without a
                direction must lie on it.

        Raises:
            CannotCarry: a value is missing, too wide, off the grid or outside the format.
        """
        if len(self._parts) == 1 and isinstance(self._parts[0], str):
            return self._parts[0].encode(self.dialect.encoding)
        ways = rounding or {}
        powers: dict[str, int] = {}
        pieces: dict[int, str] = {}
        for number, part in enumerate(self._parts):
            if isinstance(part, Slot) and part.exponent is not None:
                pieces[number], powers[part.exponent] = self._mantissa(part, values, ways)
        for number, part in enumerate(self._parts):
            if isinstance(part, str):
                pieces[number] = part
            elif number not in pieces:
                value = powers.get(part.name, values.get(part.name))
                pieces[number] = _piece(part, value, _way(part, ways))
        text = "".join(pieces[number] for number in range(len(self._parts)))
        self._check_readable(text, pieces)
        return text.encode(self.dialect.encoding)

    def parse(self, raw: bytes) -> Mapping[str, Any] | None:
        """The values of a message, or ``None`` if it isn't one of this template. Never raises.

        Readings are ``Reading``; a left-out value is ``None``; a word that the dialect doesn't
        list is ``UNKNOWN``, never a default.
        """
        text = self._decoded(raw)
        cuts = None if text is None else self._split(text)
        if cuts is None:
            return None
        pairs = cuts
        if self.dialect.blanks == "any":
            pairs = [(slot, slot.cut(cut, loose=True)) for slot, cut in cuts]
        values: dict[str, Any] = {}
        if any(slot.exponent is not None for slot, _ in pairs):
            pairs.sort(key=lambda pair: pair[0].exponent is not None)
        for slot, cut in pairs:
            power = 0
            if slot.exponent is not None:
                power = values[slot.exponent]
                if abs(power) > HIGHEST_POWER and not _told_by(slot, power):
                    return None
            value = _value(slot, cut, power)
            if value is NO_MATCH:
                return None
            if slot.name == "skip":
                continue
            if slot.name in values and values[slot.name] != value:
                return None  # the same field twice must say the same
            values[slot.name] = value
        return values

    def carried(self, field: str, value: Decimal, *, up: bool) -> Decimal:
        """The value as the wire carries it: what parsing reads after rendering.

        Raises:
            KeyError: the template doesn't hold the field.
            CannotCarry: the wire can't carry it.
        """
        slot = self._slots(field)[0]
        way: Rounding = "up" if up else "down"
        if slot.exponent is None:
            piece, power = _piece(slot, value, way), 0
        else:
            piece, power = self._mantissa(slot, {field: value}, {field: way})
        read = slot.codec.decode(piece, power)
        if isinstance(read, Reading):
            read = read.value
        if not isinstance(read, Decimal) or (read < value if up else read > value):
            raise CannotCarry(field, f"{value:f}", "a number that can be read back", "ask another")
        return read

    # ---- inside -----------------------------------------------------------------------------

    def _slots(self, field: str) -> list[Slot]:
        slots = [p for p in self._parts if isinstance(p, Slot) and p.name == field]
        if not slots:
            raise KeyError(field)
        return slots

    def _mantissa(
        self, slot: Slot, values: Mapping[str, Any], ways: Mapping[str, Rounding]
    ) -> tuple[str, int]:
        """The number and the smallest power of ten with which it fits."""
        value, way = values.get(slot.name), _way(slot, ways)
        if (
            value is None
            or isinstance(value, Ambiguous)
            or (isinstance(value, Reading) and value.value is None)
        ):
            codec = slot.codec
            power = codec.power_of(value) if isinstance(codec, ReadingCodec) else 0
            return _piece(slot, value, way), power
        exponent = self._slots(slot.exponent or "")[0].codec
        why: Refused | None = None
        for power in range(-HIGHEST_POWER, HIGHEST_POWER + 1):
            try:
                exponent.encode(power, "exact")
                return _guarded(slot, slot.codec.encode(value, way, power)), power
            except Refused as refused:
                why = refused
        raise CannotCarry(
            slot.name,
            why.found if why else repr(value),
            why.expected if why else "a number",
            "no power of ten fits: " + (why.remedy if why else "ask another value"),
        )

    def _decoded(self, raw: bytes) -> str | None:
        try:
            text = raw.decode(self.dialect.encoding)
        except UnicodeDecodeError:
            return None
        return text if self.dialect.blanks == "exact" else text.strip(" ")

    def _check_readable(self, text: str, pieces: Mapping[int, str]) -> None:
        """The message must come apart again as it was put together."""
        cuts = self._split(text)
        sent = [
            (part, pieces[number])
            for number, part in enumerate(self._parts)
            if isinstance(part, Slot)
        ]
        if cuts is not None and [c for _, c in cuts] == [p for _, p in sent]:
            return
        read = dict.fromkeys([p for _, p in sent]) if cuts is None else [c for _, c in cuts]
        culprit = next(
            (slot.name for (slot, piece), cut in zip(sent, read, strict=False) if piece != cut),
            sent[0][0].name if sent else "message",
        )
        raise CannotCarry(
            culprit, repr(text[:80]), "a message that can be read back", "remove its separators"
        )

    def _split(self, text: str) -> list[tuple[Slot, str]] | None:
        """Cut the text into the fields' parts; one pass, no second try."""
        cuts: list[tuple[Slot, str]] = []
        at = 0
        parts = self._parts
        for number, part in enumerate(parts):
            if isinstance(part, str):
                if not text.startswith(part, at):
                    return None
                at += len(part)
                continue
            end = at + part.width if part.width is not None else self._end(text, at, number)
            if end is None or end > len(text):
                return None
            cuts.append((part, text[at:end]))
            at = end
        return cuts if at == len(text) else None

    def _end(self, text: str, at: int, number: int) -> int | None:
        """Where a field of varying width ends."""
        parts = self._parts
        if number + 1 == len(parts):
            return len(text)
        if number + 2 < len(parts):
            following = parts[number + 1]
            if isinstance(following, str) and following[0] not in "+- ":
                found = text.find(following, at)  # the usual case; blanks and signs are below
                return found if found >= 0 else None
        behind = 0
        follower = number + 1
        while follower < len(parts):
            following = parts[follower]
            if isinstance(following, str):
                break
            behind += following.width or 0
            follower += 1
        if follower >= len(parts):
            return max(len(text) - behind, -1) if len(text) - behind >= at else None
        literal = parts[follower]
        if not isinstance(literal, str):
            return None
        if follower == len(parts) - 1:
            end = len(text) - len(literal) - behind
            return end if end >= at else None
        start = at
        part = parts[number]
        if isinstance(part, Slot) and isinstance(part.codec, NumberCodec | ReadingCodec):
            while text.startswith(" ", start):  # a number may have blanks before it
                start += 1
            if literal[0] in "+-" and text.startswith(("+", "-"), start):
                start += 1
        found = text.find(literal, start + behind)
        return found - behind if found >= 0 else None


def _told_by(slot: Slot, power: int) -> bool:
    return isinstance(slot.codec, ReadingCodec) and slot.codec.has_exponent(power)


def _way(slot: Slot, ways: Mapping[str, Rounding]) -> Rounding:
    """Readings go to the nearest step, derived figures to the safe side, others as asked."""
    free = slot.spec.derived or slot.spec.reading
    return ways.get(slot.name, slot.spec.rounding if free else "exact")


def _piece(slot: Slot, value: Any, way: Rounding) -> str:
    """The wire text of one field. Raises CannotCarry."""
    if isinstance(value, Ambiguous):
        raise CannotCarry(slot.name, value.reason, "one value", "use fields that tell them apart")
    if value is None or (value == () and slot.alternative is not None):
        if slot.alternative is None:
            raise CannotCarry(
                slot.name,
                "no value",
                "a value, since the template has no alternative",
                f"write {{{slot.name}:…|TEXT}} with what the wire takes for 'left out'",
            )
        return slot.alternative
    try:
        return _guarded(slot, slot.codec.encode(value, way))
    except Refused as refused:
        raise CannotCarry(slot.name, refused.found, refused.expected, refused.remedy) from refused


def _guarded(slot: Slot, piece: str) -> str:
    """Refuse a value whose text would be read as 'left out'."""
    if slot.left_out(piece):
        raise Refused(
            repr(piece), "a value apart from the alternative", "this text means 'left out'"
        )
    return piece


def _value(slot: Slot, text: str, power: int) -> Any:
    if slot.alternative is not None and slot.left_out(text):
        if slot.spec.kind is FieldKind.LIST:
            return ()
        return Reading(None, "none") if slot.spec.reading else None
    return slot.codec.decode(text, power)
