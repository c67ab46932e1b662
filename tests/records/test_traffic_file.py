"""Traffic to a file: what a line says, rotation, counted losses, refusals; it never holds up."""

from __future__ import annotations

import errno
import threading
from pathlib import Path
from typing import Any

import pytest

from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.errors import Refused
from orchestrator.records import traffic_file
from orchestrator.records.traffic_file import HEADER, TrafficFile
from orchestrator.running.ports import TrafficLine


def sent(data: bytes) -> TrafficLine:
    return TrafficLine(0.0, "sent", data)


def lines(path: Path) -> list[str]:
    """The messages and marks of a file, without its first line."""
    content = path.read_bytes()
    assert content.startswith(HEADER)
    assert content.endswith(b"\n")
    return content[len(HEADER) :].decode("utf-8").splitlines()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "traffic.txt"


def test_a_line_says_when_where_which_way_and_what(path: Path) -> None:
    """Tabs between; no byte and no name breaks a line."""
    clock = VirtualClock()
    file = TrafficFile(path, clock)
    clock.advance(1.5)
    file.line("ht\n1", sent(b"GO\t\\\n"))
    file.line("ht", TrafficLine(0.0, "received", b"\x00\xff1"))
    file.close()
    assert lines(path) == [
        "2026-01-01T00:00:01.500000Z\tht\\n1\tsent\t47 4f 09 5c 0a\tGO\\x09\\x5c\\x0a",
        "2026-01-01T00:00:01.500000Z\tht\treceived\t00 ff 31\t\\x00\\xff1",
    ]
    assert (file.dropped, file.problem) == (0, None)


def test_a_line_is_in_the_file_before_it_is_closed(path: Path) -> None:
    """Somebody who watches the file sees the traffic while it goes on."""
    file = TrafficFile(path, VirtualClock())
    file.line("ht", sent(b"GO"))
    for _ in range(2000):
        if lines(path):
            break
        SystemClock().sleep(0.002)
    assert len(lines(path)) == 1
    file.close()


def test_an_earlier_file_is_continued(path: Path) -> None:
    """One header, the old lines first; a line that a crash cut short is ended."""
    for data in (b"A", b"B"):
        file = TrafficFile(path, VirtualClock())
        file.line("ht", sent(data))
        file.close()
    with path.open("ab") as cut:
        cut.write(b"2026-01-01T00")
    file = TrafficFile(path, VirtualClock())
    file.line("ht", sent(b"C"))
    file.close()
    assert [line.split("\t")[-1] for line in lines(path)] == ["A", "B", "2026-01-01T00", "C"]


@pytest.mark.parametrize("kept", [0, 1, 3])
def test_files_are_rotated_and_the_oldest_dropped(path: Path, kept: int) -> None:
    """No file passes its size, no more files stay than asked, and what stays is the newest end."""
    file = TrafficFile(path, VirtualClock(), most_bytes=4096, kept=kept)
    for number in range(1000):
        file.line("ht", sent(b"%04d" % number))
    file.close()
    older = [path.with_name(f"traffic.txt.{number}") for number in range(kept, 0, -1)]
    assert sorted(path.parent.iterdir()) == sorted([*older, path])
    assert all(each.stat().st_size <= 4096 for each in (*older, path))
    told = [line.split("\t")[-1] for each in (*older, path) for line in lines(each)]
    assert told == [f"{number:04d}" for number in range(1000 - len(told), 1000)]
    assert len(told) > 70 * kept  # some 75 of these lines fill 4096 bytes
    assert told
    assert file.dropped == 0


def test_a_message_longer_than_a_file_is_kept_whole(path: Path) -> None:
    """In a file of its own."""
    file = TrafficFile(path, VirtualClock(), most_bytes=4096, kept=2)
    for data in (b"A", b"B" * 5000, b"C"):
        file.line("ht", sent(data))
    file.close()
    sizes = [len(lines(path.with_name(f"traffic.txt{end}"))) for end in (".2", ".1", "")]
    assert sizes == [1, 1, 1]


class _Gate:
    """A disk that stands still until told otherwise."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.open = threading.Event()
        self.reached = threading.Event()
        real = TrafficFile._put

        def put(file: TrafficFile, line: bytes) -> None:
            self.reached.set()
            self.open.wait(10)
            real(file, line)

        monkeypatch.setattr(TrafficFile, "_put", put)


def test_what_a_slow_disk_leaves_no_time_for_is_counted(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing waits for the disk; the file says how many messages are missing, and where."""
    monkeypatch.setattr(traffic_file, "WAITING_LINES", 5)
    gate = _Gate(monkeypatch)
    file = TrafficFile(path, VirtualClock())
    file.line("ht", sent(b"first"))
    assert gate.reached.wait(10)  # the writer holds the first message now
    for number in range(9):
        file.line("ht", sent(b"%d" % number))
    assert file.dropped == 4
    gate.open.set()
    while file._queue.qsize():
        SystemClock().sleep(0.002)
    file.line("ht", sent(b"last"))
    file.close()
    told = [line.split("\t")[-1] for line in lines(path)]
    assert told[:6] == ["first", "0", "1", "2", "3", "4"]
    assert told[6].endswith("4 messages are missing before this: not written in time")
    assert told[7:] == ["last"]
    assert file.problem == "the disk was too slow for the traffic"


def test_losses_at_the_end_are_told_too(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where no message comes any more; memory is bounded by bytes as well."""
    monkeypatch.setattr(traffic_file, "WAITING_BYTES", 10)
    gate = _Gate(monkeypatch)
    file = TrafficFile(path, VirtualClock())
    file.line("ht", sent(b"a" * 20))
    file.line("ht", sent(b"lost"))
    gate.open.set()
    file.close()
    assert lines(path)[-1].endswith("1 message is missing before this: not written in time")
    assert file.dropped == 1


class _FullDisk:
    """Lets a file be written only while there is room."""

    def __init__(self, file: Any) -> None:
        self._file = file

    def write(self, _: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def test_a_full_disk_loses_messages_and_raises_nothing(path: Path) -> None:
    """Later, with room again, the file goes on and says what is missing."""
    file = TrafficFile(path, VirtualClock())
    file._file = _FullDisk(file._file)  # type: ignore[assignment]
    file.line("ht", sent(b"lost"))
    for _ in range(2000):
        if file.dropped:
            break
        SystemClock().sleep(0.002)
    assert (file.dropped, file.problem) == (1, "No space left on device")
    file.line("ht", sent(b"kept"))
    file.close()
    mark, kept = lines(path)
    assert "1 message is missing" in mark
    assert kept.endswith("kept")


def test_a_disk_that_stands_still_does_not_keep_a_station_from_closing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Closing gives up after a while, and says so."""
    monkeypatch.setattr(traffic_file, "_CLOSE_WITHIN_S", 0.05)
    gate = _Gate(monkeypatch)
    file = TrafficFile(path, VirtualClock())
    file.line("ht", sent(b"x"))
    file.close()
    assert file.problem == "the disk stands still: the last messages are missing"
    file.line("ht", sent(b"too late"))
    assert file.dropped == 1
    gate.open.set()
    file._thread.join(10)


def test_many_threads_lose_nothing(path: Path) -> None:
    """Each message once, those of one thread in their order."""
    file = TrafficFile(path, SystemClock())

    def send(name: str) -> None:
        for number in range(200):
            file.line(name, sent(b"%d" % number))

    threads = [threading.Thread(target=send, args=(f"t{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    file.close()
    found = [line.split("\t") for line in lines(path)]
    for n in range(4):
        assert [int(f[-1]) for f in found if f[1] == f"t{n}"] == list(range(200))


@pytest.mark.parametrize("where", ["missing/traffic.txt", "folder"])
def test_a_path_that_cannot_be_written_is_refused_at_once(tmp_path: Path, where: str) -> None:
    """Before anything is opened."""
    (tmp_path / "folder").mkdir()
    with pytest.raises(Refused, match="the traffic file") as refusal:
        TrafficFile(tmp_path / where, VirtualClock())
    assert refusal.value.faults[0].remedy == "name another file"
    assert not any(thread.name == "traffic file" for thread in threading.enumerate())


@pytest.mark.parametrize("name", ["traffic.txt", "traffic.txt.1", "traffic.txt.2"])
def test_no_file_of_another_kind_is_touched(path: Path, name: str) -> None:
    """Neither written to (a station file, the records) nor pushed out by rotation."""
    other = path.with_name(name)
    other.write_bytes(b"name: bench 2\n")
    with pytest.raises(Refused, match="of another kind"):
        TrafficFile(path, VirtualClock(), kept=2)
    assert other.read_bytes() == b"name: bench 2\n"
    assert len(list(path.parent.iterdir())) == 1


@pytest.mark.parametrize(("most_bytes", "kept"), [(4095, 1), (4096, -1)])
def test_limits_that_make_no_sense_are_refused(path: Path, most_bytes: int, kept: int) -> None:
    """A file that holds next to nothing, or a negative count."""
    with pytest.raises(Refused, match="limits"):
        TrafficFile(path, VirtualClock(), most_bytes=most_bytes, kept=kept)
    assert not path.exists()
