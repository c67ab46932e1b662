"""Cuts a byte stream into messages; reads nothing itself and asks no time.

The engine and the in-process simulated link use the same reader, so a frame means one thing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.contract import Reply
from orchestrator.errors import ProtocolFault

if TYPE_CHECKING:
    from orchestrator.contract import Frame

SHOWN_BYTES = 60
"""How much of a faulty message an error text shows; ``ProtocolFault.raw`` has all of it."""


class FrameReader:
    """Buffers what arrives and gives it back message by message.

    The messages don't depend on how the stream was cut into slices. Where one terminator is the
    beginning of another (CR and CR LF, say), that costs a wait: after CR the message isn't over
    before the next byte shows which of the two it was. So a frame for an instrument that ends its
    messages with CR alone must not list CR LF too; LF with CR LF is free of this.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()

    @property
    def pending(self) -> bytes:
        """What has arrived and belongs to no message taken yet."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> None:
        """Add what arrived."""
        self._buffer += data

    def drain(self) -> bytes:
        """Empty the buffer and return what it held (an adapter's ``absorb`` reads it)."""
        drained = bytes(self._buffer)
        self._buffer.clear()
        return drained

    def take(self, frame: Frame) -> Reply | None:
        """The next message, or ``None`` while it hasn't arrived whole.

        Raises:
            ProtocolFault: longer than the limit, or no terminator where the length says one must
                stand. The bytes stay in the buffer: drain it before reading on.
            ValueError: the frame can't end a message.
        """
        if frame.length is None and frame.prompt is None and len(frame.ends) == 1:
            end = frame.ends[0]
            if len(end) == 1:
                return self._take_plain(end, frame.limit)
        _check(frame)
        at_start = () if frame.prompt is None else (frame.prompt,)
        if frame.length is not None:
            return self._take_length(frame, frame.length, at_start)
        if not self._buffer:
            return None
        found, unsure = self._scan(frame.ends, at_start)
        if found is None or unsure <= found[0]:
            # What ends here may begin here, or no end is in sight: only the length can be judged.
            self._check_limit(unsure, frame.limit)
            return None
        self._check_limit(found[0], frame.limit)
        return self._cut(*found)

    def _take_plain(self, end: bytes, limit: int) -> Reply | None:
        """One terminator of one byte, as most instruments have it: nothing else can begin there."""
        place = self._buffer.find(end)
        self._check_limit(len(self._buffer) if place < 0 else place, limit)
        return None if place < 0 else self._cut(place, end)

    def _take_length(self, frame: Frame, length: int, at_start: tuple[bytes, ...]) -> Reply | None:
        prompt, wait = self._end_at(0, at_start)
        if wait:
            return None
        if prompt is not None:
            return self._cut(0, prompt)
        if len(self._buffer) < length:
            return None
        if not frame.ends:
            return self._cut(length, b"")
        end, wait = self._end_at(length, frame.ends)
        if wait:
            return None
        if end is None:
            raise ProtocolFault(
                f"expected {' or '.join(map(_shown, frame.ends))} after {length} bytes, "
                f"found {_shown(self._buffer)}",
                raw=self.pending,
            )
        return self._cut(length, end)

    def _scan(
        self, ends: tuple[bytes, ...], at_start: tuple[bytes, ...]
    ) -> tuple[tuple[int, bytes] | None, int]:
        """The earliest whole end (place, bytes), and the earliest place where one may begin."""
        found: tuple[int, bytes] | None = None
        unsure = len(self._buffer)
        for end in ends:
            place = self._buffer.find(end)
            if place >= 0 and (found is None or (place, -len(end)) < (found[0], -len(found[1]))):
                found = place, end
            unsure = min(unsure, self._may_begin(end))
        prompt, wait = self._end_at(0, at_start)
        if wait:
            unsure = 0
        if prompt is not None and (found is None or (0, -len(prompt)) < (found[0], -len(found[1]))):
            found = 0, prompt
        return found, unsure

    def _may_begin(self, end: bytes) -> int:
        """Where the buffer's last bytes could be the beginning of ``end``."""
        size = len(self._buffer)
        for kept in range(min(len(end) - 1, size), 0, -1):
            if self._buffer.endswith(end[:kept]):
                return size - kept
        return size

    def _end_at(self, place: int, ends: tuple[bytes, ...]) -> tuple[bytes | None, bool]:
        """The longest end standing exactly at ``place``; True if a longer one may yet come."""
        rest = bytes(self._buffer[place : place + max(map(len, ends), default=0)])
        whole = max((end for end in ends if rest.startswith(end)), key=len, default=None)
        wait = any(len(end) > len(rest) and end.startswith(rest) for end in ends)
        return whole, wait

    def _check_limit(self, size: int, limit: int) -> None:
        if size > limit:
            raise ProtocolFault(
                f"a message has at least {size} bytes, expected at most {limit}: "
                f"{_shown(self._buffer)}",
                raw=self.pending,
            )

    def _cut(self, size: int, end: bytes) -> Reply:
        data = bytes(self._buffer[:size])
        del self._buffer[: size + len(end)]
        return Reply(data, end)


def _check(frame: Frame) -> None:
    if b"" in frame.ends or frame.prompt == b"":
        raise ValueError("a frame has an empty terminator or prompt; leave it out instead")
    if frame.length is not None and frame.length < 0:
        raise ValueError(f"a frame has the length {frame.length}; it must be 0 or more")
    if not frame.ends and frame.length is None and frame.prompt is None:
        raise ValueError("a frame needs a terminator, a length or a prompt, or it never ends")


def _shown(data: bytes | bytearray) -> str:
    text = repr(bytes(data[:SHOWN_BYTES]))[1:]
    return text if len(data) <= SHOWN_BYTES else f"{text}… ({len(data)} bytes)"
