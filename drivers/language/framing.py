"""From a body to the bytes of a message and back: marks, envelope, checksum, terminators."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from drivers.language.checksums import Checksum, Form, Kind
from drivers.language.dialect import Dialect, TemplateError
from drivers.language.profile_common import ChecksumModel, Envelope, Framing
from drivers.language.templates import Template
from orchestrator.contract import Frame
from orchestrator.errors import ProtocolFault

_BODY, _CHECK = "{body}", "{check}"


@dataclass(frozen=True, slots=True)
class Unwrapped:
    """A message received: its body, and the fields of its envelope."""

    body: bytes
    fields: Mapping[str, Any] = field(default_factory=dict)


class WireFraming:
    """Framing, ready for use.

    Args:
        given: values that every message has, such as the address of the station.

    Attributes:
        behind_end: bytes of a checksum that follows the end of a message received.

    Raises:
        TemplateError: an envelope or checksum that can't be worked with.
    """

    def __init__(
        self, model: Framing, dialect: Dialect, given: Mapping[str, Any] | None = None
    ) -> None:
        self._model = model
        self._begin = model.send.begin.encode("latin-1")
        self._end = model.send.end.encode("latin-1")
        self._junk_end = model.receive.begin.encode("latin-1")
        self._out = _Side(model.envelope, dialect, sending=True)
        self._in = _Side(model.envelope, dialect, sending=False)
        self._check = None if model.checksum is None else _checksum(model.checksum)
        if self._check is not None and model.envelope is not None:
            for text in (model.envelope.send, model.envelope.receive):
                if text.count(_CHECK) != 1 or text.find(_CHECK) < text.find(_BODY):
                    raise TemplateError(repr(text), "{check} once, behind {body}", "write it there")
        self.same = model.envelope.same if model.envelope else ()
        self.behind_end = (
            self._check.length if self._check and model.receive.check_behind_end else 0
        )
        self._frame = self._base_frame(model, _prompt(model, dialect, given or {}))

    @staticmethod
    def _base_frame(model: Framing, prompt: bytes | None) -> Frame:
        receive = model.receive
        return Frame(
            ends=tuple(end.encode("latin-1") for end in receive.end if end),
            length=receive.length,
            prompt=prompt,
            limit=receive.limit,
        )

    @property
    def frame(self) -> Frame:
        """How any message from the instrument ends."""
        return self._frame

    @property
    def raw_check(self) -> bool:
        """Whether a checksum may hold the bytes of a terminator."""
        if self.behind_end:
            return False  # found by its place
        return self._model.checksum is not None and self._model.checksum.form == "raw"

    def frame_of(self, body_length: int | None) -> Frame:
        """The frame of a message whose body has this many bytes.

        Raises:
            TemplateError: a raw checksum, and neither this length nor another is known.
        """
        if not self.raw_check or self._frame.length is not None:
            return self._frame
        around = self._in.fixed_length
        if body_length is None or around is None or self._check is None:
            raise TemplateError(
                "a raw checksum, which may hold the terminator, behind a reply of varying length",
                "fields of fixed width throughout, or framing.receive.length",
                "give every field a width (dN, xN, wN)",
            )
        length = len(self._junk_end) + around + body_length + self._check.length
        return Frame(self._frame.ends, length, self._frame.prompt, self._frame.limit)

    def wrap(self, body: bytes, values: Mapping[str, Any]) -> bytes:
        """The whole message. Raises CannotCarry."""
        before = self._out.before(values) + body + self._out.between
        if self._check is not None:
            before += self._check.of(self._covered(before, body))
        return self._begin + before + self._out.behind + self._end

    def unwrap(self, message: bytes) -> Unwrapped | None:
        """The body of a message whose terminator is off; ``None`` for one that is to be ignored.

        Raises:
            ProtocolFault: the envelope doesn't fit, or the checksum is wrong.
        """
        data = message
        if self._junk_end:
            begins = data.rfind(self._junk_end, 0, len(data) - self._closing)
            if begins < 0:
                return None
            data = data[begins + len(self._junk_end) :]
        side = self._in
        if not data.endswith(side.behind):
            raise ProtocolFault(f"a message without {side.behind!r} at its end", raw=message)
        data = data[: len(data) - len(side.behind)]
        check = b""
        if self._check is not None:
            size = self._check.length
            if len(data) < size:
                raise ProtocolFault("a message too short for its checksum", raw=message)
            data, check = data[:-size], data[-size:]
        split = side.split(data)
        if split is None:
            raise ProtocolFault("a message that doesn't fit the envelope", raw=message)
        if self._check is not None:
            expected = self._check.of(self._covered(data, split.body))
            if check != expected:
                if (
                    self._model.envelope is not None
                    and self._model.envelope.wrong_check == "ignore"
                ):
                    return None
                told = f"checksum {check!r}, expected {expected!r}"
                raise ProtocolFault(f"a message with a wrong checksum: {told}", raw=message)
        return split

    @property
    def _closing(self) -> int:
        """Bytes at the end of a message that may look like the beginning of one."""
        model, check = self._model.checksum, self._check
        if model is None or check is None or model.form != "raw":
            return 0
        return check.length + len(self._in.behind)

    def _covered(self, before: bytes, body: bytes) -> bytes:
        model = self._model.checksum
        if model is None or model.over == "body":
            return body
        return before[model.skip :]


class _Side:
    """The envelope in one direction, cut at the body: before, between body and check, behind."""

    def __init__(self, envelope: Envelope | None, dialect: Dialect, *, sending: bool) -> None:
        text = _BODY if envelope is None else envelope.send if sending else envelope.receive
        if text.count(_BODY) != 1:
            raise TemplateError(repr(text), "{body} exactly once", "write {body} in the envelope")
        head, tail = text.split(_BODY)
        between, mark, behind = tail.partition(_CHECK)
        self.between = _literal(between) if mark else b""
        self.behind = _literal(behind if mark else between)
        self._head = Template.compile(head, dialect, sending=sending) if head else None
        whole = head + "{payload}"
        self._whole = Template.compile(whole, dialect, sending=sending) if head else None

    @property
    def fixed_length(self) -> int | None:
        """Bytes around body and check, if they are always as many."""
        head = 0 if self._head is None else self._head.fixed_length
        return None if head is None else head + len(self.between) + len(self.behind)

    def before(self, values: Mapping[str, Any]) -> bytes:
        return b"" if self._head is None else self._head.render(values)

    def split(self, data: bytes) -> Unwrapped | None:
        """What stands before the check, taken apart."""
        if not data.endswith(self.between):
            return None
        data = data[: len(data) - len(self.between)] if self.between else data
        if self._head is None or self._whole is None:
            return Unwrapped(data)
        size = self._head.fixed_length
        if size is not None:
            fields = self._head.parse(data[:size])
            return None if fields is None else Unwrapped(data[size:], fields)
        parsed = self._whole.parse(data)
        if parsed is None:
            return None
        body = str(parsed["payload"]).encode("latin-1")
        return Unwrapped(body, {k: v for k, v in parsed.items() if k != "payload"})


def _prompt(model: Framing, dialect: Dialect, given: Mapping[str, Any]) -> bytes | None:
    text = model.receive.prompt
    if text is None or "{" not in text:
        return None if text is None else text.encode("latin-1")
    template = Template.compile(text, dialect, sending=True)
    if set(template.fields) - {"unit"}:
        raise TemplateError(repr(text), "no other field than {unit}", "write text instead")
    if "unit" in template.fields and "unit" not in given:
        raise TemplateError(
            repr(text), "a tester's own address for {unit}", "add 'link: {address: …}'"
        )
    return template.render(given)


def _literal(text: str) -> bytes:
    bare = text.replace("{{", "\0").replace("}}", "\1")
    if "{" in bare or "}" in bare:
        raise TemplateError(repr(text), "plain text behind {body}", "fields stand before it")
    return bare.replace("\0", "{").replace("\1", "}").encode("latin-1")


def _checksum(model: ChecksumModel) -> Checksum:
    forms: Mapping[str, Form] = {"hex": "hex_upper"}
    kinds: tuple[Kind, ...] = ("sum8", "sum16", "xor", "lrc", "crc16", "crc16_ccitt")
    kind = next((kind for kind in kinds if kind == model.kind), None)
    if kind is None:
        known = ", ".join(kinds)
        raise TemplateError(f"checksum {model.kind!r}", f"one of {known}", "choose one of these")
    form: Form = forms.get(model.form) or ("hex_lower" if model.form == "hex_lower" else "raw")
    if model.form == "decimal":
        form = "decimal"
    return Checksum(kind, form, "big" if model.order == "high_first" else "little")
