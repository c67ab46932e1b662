"""Traffic to a file, on request: one line per message, files of limited size, the oldest dropped.

A line: UTC time, link, sent or received, the bytes in hex, the bytes as text; tabs between. What is
received is told as it arrived, which may be a part of a message or several. Lines with ``#`` are
this program's own. The file is an aid for looking at a link; the records keep what counts.
"""

from __future__ import annotations

import contextlib
import os
import queue
import threading
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from orchestrator.clock import Clock
from orchestrator.errors import Fault, Position, Refused
from orchestrator.model.entries import visible_text
from orchestrator.running.ports import TrafficLine

HEADER = b"# ohmward traffic: UTC, link, direction, bytes in hex, bytes as text\n"
LEAST_BYTES = 4096
WAITING_LINES = 10_000
WAITING_BYTES = 4_000_000
_CLOSE_WITHIN_S = 5.0
_MOST_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class _Waiting:
    at: datetime
    link: str
    line: TrafficLine
    dropped: int  # messages lost just before this one


class TrafficFile:
    """Takes each message on any thread, writes it on its own; never blocks, never raises.

    What can't be written in time, because the disk is slow, full or gone, is dropped and counted:
    the file says so where the messages would have stood, `problem` says why.

    Args:
        path: a new file, or one that this class has made, which is continued.
        clock: for the UTC time of each message.
        most_bytes: size of a file; it is passed by a single longer message only.
        kept: how many older files stay, as ``path.1`` (the newest) to ``path.N``.

    Raises:
        Refused: the file can't be written, is of another kind, or a limit makes no sense.
    """

    def __init__(
        self, path: Path, clock: Clock, most_bytes: int = 10_000_000, kept: int = 4
    ) -> None:
        self._path, self._clock = path, clock
        self._most_bytes, self._kept = most_bytes, kept
        self._check()
        self._file: BinaryIO | None = None
        self._size = 0
        try:
            self._open()
        except OSError as error:
            raise self._refused(error.strerror or str(error)) from error
        self.problem: str | None = None
        self._dropped = 0
        self._untold = 0
        self._bytes = 0
        # Reentrant, and held for a few instructions only: a signal handler may send stop bytes.
        self._lock = threading.RLock()
        self._queue: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="traffic file", daemon=True)
        self._thread.start()

    @property
    def dropped(self) -> int:
        """How many messages were not written."""
        with self._lock:
            return self._dropped

    def line(self, link: str, line: TrafficLine) -> None:
        """Take one message. Never blocks, never raises."""
        at = self._clock.utc()
        with self._lock:
            full = self._queue.qsize() >= WAITING_LINES or self._bytes > WAITING_BYTES
            if self._closed:
                self._drop(1)
                return
            if full:
                self._drop(1)
                self.problem = self.problem or "the disk was too slow for the traffic"
                return
            self._bytes += len(line.data)
            self._queue.put(_Waiting(at, link, line, self._untold))
            self._untold = 0

    def close(self) -> None:
        """Write what is waiting, for a few seconds at most, and close. Never raises."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._queue.put(None)
        self._thread.join(_CLOSE_WITHIN_S)
        if self._thread.is_alive():
            self.problem = "the disk stands still: the last messages are missing"

    def _drop(self, count: int) -> None:
        self._dropped += count
        self._untold += count

    # ---- the writer's thread --------------------------------------------------------------------

    def _work(self) -> None:
        last = False
        while not last:
            batch, last = self._collect()
            lost = self._write(batch)
            with self._lock:
                self._bytes -= sum(len(item.line.data) for item in batch)
                self._drop(len(lost))
                self._untold += sum(item.dropped for item in lost)
        with self._lock:
            untold, self._untold = self._untold, 0
        try:
            if untold and self._file is not None:
                self._put(_told(self._clock.utc(), untold))
        except OSError as error:
            self.problem = str(error)
        self._shut()

    def _collect(self) -> tuple[list[_Waiting], bool]:
        batch: list[_Waiting] = []
        item = self._queue.get()
        while item is not None:
            batch.append(item)
            if len(batch) == _MOST_AT_ONCE:
                break
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                break
        return batch, item is None

    def _write(self, batch: list[_Waiting]) -> list[_Waiting]:
        """Write it; returns what isn't known to have arrived."""
        try:
            for item in batch:
                told = _told(item.at, item.dropped) if item.dropped else b""
                self._put(told + _shown(item))
            if self._file is not None:
                self._file.flush()
        except OSError as error:
            self.problem = error.strerror or str(error)
            self._shut()  # opened anew for the next batch: the disk may have room by then
            return batch
        return []

    def _put(self, line: bytes) -> None:
        if self._file is None:
            self._open()
        if self._size > len(HEADER) and self._size + len(line) > self._most_bytes:
            self._rotate()
        if self._file is None:
            raise OSError("the traffic file isn't open")
        self._file.write(line)
        self._size += len(line)

    def _open(self) -> None:
        self._file = self._path.open("a+b")
        self._size = self._file.seek(0, os.SEEK_END)
        if self._size:
            self._file.seek(-1, os.SEEK_END)
            if self._file.read(1) == b"\n":
                return
        # A line cut short by a crash or a full disk ends here.
        begin = b"\n" if self._size else HEADER
        self._file.write(begin)
        self._file.flush()
        self._size += len(begin)

    def _rotate(self) -> None:
        self._shut()
        for number in range(self._kept - 1, 0, -1):
            with contextlib.suppress(FileNotFoundError):
                self._older(number).replace(self._older(number + 1))
        if self._kept:
            self._path.replace(self._older(1))
        else:
            self._path.unlink()
        self._open()

    def _older(self, number: int) -> Path:
        return self._path.with_name(f"{self._path.name}.{number}")

    def _shut(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):  # a failing flush was told by what came before it
                file.close()

    # ---- refusals -------------------------------------------------------------------------------

    def _check(self) -> None:
        if self._most_bytes < LEAST_BYTES or self._kept < 0:
            found = f"{self._most_bytes} bytes, {self._kept} older files kept"
            expected = f"at least {LEAST_BYTES} bytes, and no negative number of files"
            fault = Fault("the limits of the traffic file", found, expected, "choose other limits")
            raise Refused([fault])
        for path in (self._path, *map(self._older, range(1, self._kept + 1))):
            try:
                if path.is_dir():
                    raise self._refused(f"a folder at {path}")
                with path.open("rb") as file:
                    begin = file.read(len(HEADER))
            except FileNotFoundError:
                continue
            except OSError as error:
                raise self._refused(error.strerror or str(error)) from error
            if begin not in (b"", HEADER):
                raise self._refused(f"a file of another kind at {path}")

    def _refused(self, found: str) -> Refused:
        expected = "a new file, or an earlier traffic file, in a folder that can be written"
        fault = Fault(
            "the traffic file", found, expected, "name another file", Position(str(self._path))
        )
        return Refused([fault])


def _shown(item: _Waiting) -> bytes:
    link = "".join(c if c.isprintable() else repr(c)[1:-1] for c in item.link)
    data = item.line.data
    parts = (_utc(item.at), link, item.line.way, data.hex(" "), visible_text(data))
    return ("\t".join(parts) + "\n").encode("utf-8", "backslashreplace")


def _told(at: datetime, dropped: int) -> bytes:
    what = "1 message is" if dropped == 1 else f"{dropped} messages are"
    return f"# {_utc(at)} {what} missing before this: not written in time\n".encode("ascii")


def _utc(at: datetime) -> str:
    text = at.astimezone(UTC).isoformat(timespec="microseconds")
    return text.replace("+00:00", "Z")
