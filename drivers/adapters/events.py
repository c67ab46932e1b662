"""Lines that come unasked, and the pieces of lines that a drain leaves behind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from drivers.language.exchanges import fits
from drivers.language.framing import WireFraming
from drivers.language.profile_tester import Event
from drivers.language.templates import UNKNOWN, Template
from orchestrator.contract import Frame, Reply
from orchestrator.errors import ProtocolFault
from orchestrator.running.framing import FrameReader

Told = Callable[[Event, Mapping[str, Any], bytes], None]


def _nobody(event: Event, fields: Mapping[str, Any], raw: bytes) -> None:
    """Events of instruments that have none."""


class EventRules:
    """Matches lines against the events of a profile and tells what they mean.

    Args:
        rules: templates in the profile's order. tell: called for each event that fits.
        context: fields that an event's `when` may ask for besides its own.
    """

    def __init__(
        self,
        framing: WireFraming,
        rules: tuple[tuple[Template, Event], ...] = (),
        tell: Told = _nobody,
        context: Callable[[], Mapping[str, Any]] = dict,
    ) -> None:
        self._framing = framing
        self._rules = rules
        self._tell = tell
        self._context = context
        self._rest = FrameReader()

    def take(self, message: bytes) -> bool:
        """Whether a message, its terminator off, is an event; if so it was told.

        A piece that a drain left behind is joined to the first message after it, which may be
        empty: then only the terminator was missing.
        """
        piece = self._rest.drain()
        if piece and self._matches(piece + message):
            return True
        return bool(message) and self._matches(message)

    def absorb(self, drained: bytes) -> int:
        """Take whole lines through the rules, keep the beginning of the next. Never raises.

        Returns:
            Events taken, less the prompts seen behind them.
        """
        frame, unanswered = self._framing.frame, 0
        self._rest.feed(drained)
        while True:
            try:
                reply = self._whole(frame)
            except ProtocolFault:
                self._rest.drain()  # longer than any line: nothing that could be matched
                return unanswered
            if reply is None:
                return unanswered
            if reply.data:
                unanswered += int(self._matches(reply.data))
            elif reply.end == frame.prompt:
                unanswered = max(unanswered - 1, 0)

    def _whole(self, frame: Frame) -> Reply | None:
        """A line with the checksum that may follow its end; put back while that is missing."""
        reply, size = self._rest.take(frame), self._framing.behind_end
        if reply is None or not size or reply.end not in frame.ends:
            return reply
        check = self._rest.take(Frame((), size))
        if check is not None:
            return Reply(reply.data + reply.end + check.data, b"")
        piece = reply.data + reply.end + self._rest.drain()
        self._rest.feed(piece)
        return None

    def _matches(self, message: bytes) -> bool:
        if not self._rules:
            return False
        try:
            unwrapped = self._framing.unwrap(message)
        except ProtocolFault:
            return False
        if unwrapped is None:
            return False
        for template, event in self._rules:
            fields = template.parse(unwrapped.body)
            if fields is None or any(value is UNKNOWN for value in fields.values()):
                continue
            if not fits(event.when, {**self._context(), **fields}):
                continue
            self._tell(event, fields, message)
            return True
        return False
