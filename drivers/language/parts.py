"""The parts of a template: text and fields, and which may stand side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from drivers.language.dialect import Dialect, TemplateError
from drivers.language.fields import FIELDS, FieldSpec, nearest
from drivers.language.formats import compile_format
from drivers.language.values import Codec, NumberCodec, ReadingCodec, TextCodec, WordCodec
from orchestrator.units import Dimension


@dataclass(frozen=True, slots=True)
class Slot:
    """A field in its place. ``width``: characters, alternative included; ``None``: varies."""

    spec: FieldSpec
    codec: Codec
    alternative: str | None
    exponent: str | None
    column: int
    width: int | None

    @property
    def name(self) -> str:
        return self.spec.name

    def left_out(self, text: str) -> bool:
        """True if the text is the alternative, or a number equal to it ('0.0' where '0' is)."""
        if self.alternative is None:
            return False
        if text.strip(" ") == self.alternative.strip(" "):
            return True
        number = self.codec.number if isinstance(self.codec, ReadingCodec) else self.codec
        if not isinstance(number, NumberCodec):
            return False
        one, other = number.split(text), number.split(self.alternative)
        return one is not None and other is not None and one[0] * one[1] == other[0] * other[1]

    def cut(self, text: str, *, loose: bool) -> str:
        """The part of the text that is the field's, where blanks around it are ignored."""
        return text.strip(" ") if loose and self.width is None else text


class Compiler:
    """Cuts a template's text into literals and fields, and checks what stands side by side."""

    def __init__(
        self,
        text: str,
        dialect: Dialect,
        *,
        sending: bool,
        dimensions: Mapping[str, Dimension],
    ) -> None:
        self._text, self._dialect = text, dialect
        self._sending, self._dimensions = sending, dimensions

    def parts(self) -> tuple[str | Slot, ...]:
        """The parts in order. Raises TemplateError."""
        parts: list[str | Slot] = []
        literal, at = "", 0
        text = self._text
        if not text:
            raise TemplateError("an empty template", "text or fields", "write the message")
        while at < len(text):
            if text[at : at + 2] in ("{{", "}}"):
                literal, at = literal + text[at], at + 2
            elif text[at] == "{":
                end = text.find("}", at)
                if end < 0 or "{" in text[at + 1 : end]:
                    raise TemplateError(
                        "an opening brace", "its closing brace", "close it or double it", at
                    )
                parts += [literal] if literal else []
                parts.append(self._slot(text[at + 1 : end], at + 1))
                literal, at = "", end + 1
            elif text[at] == "}":
                raise TemplateError("a lone closing brace", "'}}'", "double it", at)
            else:
                literal, at = literal + self._encodable(text[at], at), at + 1
        parts += [literal] if literal else []
        parts = self._settled(parts)
        self._check_neighbours(parts)
        self._check_exponents(parts)
        return tuple(parts)

    def _encodable(self, text: str, column: int) -> str:
        try:
            text.encode(self._dialect.encoding)
        except UnicodeEncodeError:
            raise TemplateError(
                repr(text), f"{self._dialect.encoding} characters", "use the wire's own", column
            ) from None
        return text

    def _slot(self, inside: str, column: int) -> Slot:
        head, bar, alternative = inside.partition("|")
        name, _, form = head.partition(":")
        spec = FIELDS.get(name)
        if spec is None:
            raise TemplateError(f"field {name!r}", "a known field", nearest(name, FIELDS), column)
        allowed = spec.settable if self._sending else spec.readable
        if not allowed:
            fitting = [n for n, s in FIELDS.items() if (s.settable if self._sending else True)]
            raise TemplateError(
                f"field {name!r} in a message to the instrument",
                "a field that can be set",
                nearest(name, fitting),
                column,
            )
        compiled = compile_format(
            form,
            spec,
            self._dialect,
            self._dimensions.get(name),
            column + len(name) + 1 if form else column,
            sending=self._sending,
        )
        other = self._encodable(alternative, column) if bar else None
        self._check_encodable(compiled.codec, column)
        width = compiled.codec.width
        if other is not None and width is not None and len(other) != width:
            width = None
        return Slot(spec, compiled.codec, other, compiled.exponent, column, width)

    def _check_encodable(self, codec: Codec, column: int) -> None:
        texts: list[str] = []
        if isinstance(codec, WordCodec):
            texts = list(codec.to_wire.values())
        elif isinstance(codec, NumberCodec):
            texts = [codec.suffix]
        for text in texts:
            self._encodable(text, column)

    def _settled(self, parts: list[str | Slot]) -> list[str | Slot]:
        """Words of equal length that stand beside another field count as fixed."""
        settled: list[str | Slot] = []
        for number, part in enumerate(parts):
            if isinstance(part, Slot) and part.width is None:
                beside = parts[max(number - 1, 0) : number] + parts[number + 1 : number + 2]
                width = _common_width(part)
                if width is not None and any(isinstance(other, Slot) for other in beside):
                    part = replace(part, width=width)  # noqa: PLW2901
            settled.append(part)
        return settled

    def _check_neighbours(self, parts: list[str | Slot]) -> None:
        open_slot: Slot | None = None
        for number, part in enumerate(parts):
            if isinstance(part, str):
                if open_slot is not None:
                    last = number == len(parts) - 1
                    self._check_end(open_slot, part, last=last)
                open_slot = None
            elif part.width is None:
                if open_slot is not None:
                    raise TemplateError(
                        f"{open_slot.name!r} and {part.name!r} side by side",
                        "text between two fields of varying width",
                        "give the first a fixed width (dN, wN, xN, text N)",
                        part.column,
                    )
                open_slot = part

    def _check_end(self, slot: Slot, literal: str, *, last: bool) -> None:
        """The text behind a field must not occur inside it."""
        if last and isinstance(slot.codec, TextCodec | WordCodec):
            return
        inside = slot.alternative is not None and literal in slot.alternative
        if inside or slot.codec.holds(literal):
            raise TemplateError(
                f"{literal!r} behind {slot.name!r}",
                "text that can't stand inside the field",
                "give the field a fixed width or change its format or alternative",
                slot.column,
            )

    def _check_exponents(self, parts: list[str | Slot]) -> None:
        slots = [part for part in parts if isinstance(part, Slot)]
        for slot in slots:
            if slot.exponent is None:
                continue
            here = [s for s in slots if s.name == slot.exponent]
            users = [s for s in slots if s.exponent == slot.exponent]
            good = slot.exponent in ("exponent", "exponent_2", "exponent_3")
            if not good or len(here) != 1 or len(users) != 1 or here[0].alternative is not None:
                raise TemplateError(
                    f"exp={slot.exponent}",
                    "exponent, exponent_2 or exponent_3, standing once in the same template",
                    f"add {{{slot.exponent if good else 'exponent'}:d1}} where it stands",
                    slot.column,
                )


def _common_width(slot: Slot) -> int | None:
    if not isinstance(slot.codec, WordCodec) or not slot.codec.to_wire:
        return None
    widths = {len(wire) for wire in slot.codec.to_wire.values()}
    widths |= {len(wire) for wire in slot.codec.from_wire}
    if slot.alternative is not None:
        widths.add(len(slot.alternative))
    return widths.pop() if len(widths) == 1 else None
