"""One conversation on one port: deadlines, dirty links, resynchronising, cancelling."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import pytest

from orchestrator.clock import VirtualClock
from orchestrator.contract import Frame, Pause, Receive, Reply, Send, Talk
from orchestrator.errors import InstrumentRefused, LinkLost, TimedOut
from orchestrator.running.ports import Port
from orchestrator.running.pump import Pump

LINE = Frame(ends=(b"\n",))


class ScriptedLink:
    """Answers by a table of (delay s, bytes) per line sent; counts reopenings."""

    name = "scripted"

    def __init__(
        self, clock: VirtualClock, answers: dict[bytes, list[tuple[float, bytes]]]
    ) -> None:
        self.clock, self.answers = clock, answers
        self.due: list[tuple[float, bytes]] = []
        self.sent: list[bytes] = []
        self.reopened = 0

    def send(self, data: bytes) -> None:
        self.sent.append(data)
        now_s = self.clock.monotonic()
        self.due += [(now_s + delay, part) for delay, part in self.answers.get(data, [])]

    def receive(self, within_s: float) -> bytes:
        until_s = self.clock.monotonic() + within_s
        self.due.sort()
        if self.due and self.due[0][0] <= until_s:
            at_s, data = self.due.pop(0)
            self.clock.sleep(at_s - self.clock.monotonic())
            return data
        self.clock.sleep(within_s)
        return b""

    def reopen(self) -> None:
        self.reopened += 1
        self.due.clear()

    def close(self) -> None: ...


class Owner:
    """An adapter's part in draining and resynchronising."""

    def __init__(self) -> None:
        self.absorbed = b""

    def absorb(self, drained: bytes) -> None:
        self.absorbed += drained

    def resync(self) -> Talk[None]:
        yield Send(b"WHO\n")
        reply = yield Receive(LINE, 0.2)
        assert reply is not None
        if reply.data != b"me":
            raise LinkLost(f"answered {reply.data!r}")


def ask(data: bytes, within_s: float = 0.2) -> Talk[bytes]:
    yield Send(data)
    reply = yield Receive(LINE, within_s)
    return reply.data if reply else b""


class Bench:
    def __init__(self, answers: dict[bytes, list[tuple[float, bytes]]]) -> None:
        self.clock = VirtualClock()
        self.link = ScriptedLink(self.clock, answers)
        self.port = Port(self.link, self.clock)
        self.owner = Owner()
        self.scans: list[float] = []
        self.raise_at_s: float | None = None
        self.pump = Pump(self.clock, self.scan)

    def scan(self) -> None:
        self.scans.append(self.clock.monotonic())
        if self.raise_at_s is not None and self.clock.monotonic() >= self.raise_at_s:
            self.raise_at_s = None
            raise KeyError("a trip")

    def talk(self, talk: Generator[Any, Any, Any]) -> Any:
        return self.pump.converse(self.port, self.owner, talk)  # type: ignore[arg-type]


def test_a_reply_in_pieces_across_slices_comes_back_whole() -> None:
    """Nothing of a partial reply is lost or joined to the next."""
    bench = Bench({b"Q\n": [(0.02, b"15"), (0.09, b"00.0"), (0.15, b"\nNEXT\n")]})
    assert bench.talk(ask(b"Q\n")) == b"1500.0"
    assert bench.port.pending == b"NEXT\n"


def test_a_late_reply_is_drained_and_never_answers_the_next_question() -> None:
    """After a time-out the link is dirty: drained through the owner, then proved in step."""
    bench = Bench({
        b"A\n": [(0.21, b"late A\n")],
        b"B\n": [(0.01, b"b\n")],
        b"WHO\n": [(0.01, b"me\n")],
    })  # fmt: skip
    with pytest.raises(TimedOut):
        bench.talk(ask(b"A\n"))
    assert bench.port.dirty
    assert bench.talk(ask(b"B\n")) == b"b"
    assert bench.owner.absorbed == b"late A\n"
    assert not bench.port.dirty


def test_a_time_out_tells_what_had_arrived() -> None:
    """Half a reply is shown, not swallowed."""
    bench = Bench({b"A\n": [(0.01, b"PASS,15")]})
    with pytest.raises(TimedOut) as caught:
        bench.talk(ask(b"A\n"))
    assert caught.value.received == b"PASS,15"


def test_a_link_that_stays_out_of_step_is_reopened_then_given_up() -> None:
    """Bounded back-off: two reopenings, then lost."""
    bench = Bench({})
    with pytest.raises(TimedOut):
        bench.talk(ask(b"A\n"))
    with pytest.raises(LinkLost):
        bench.talk(ask(b"B\n"))
    assert bench.link.reopened == 2
    assert b"B\n" not in bench.link.sent


def test_inputs_are_scanned_at_least_every_10_ms_while_waiting() -> None:
    """A slow reply doesn't hold up the scan."""
    bench = Bench({b"A\n": [(0.19, b"x\n")]})
    bench.talk(ask(b"A\n"))
    gaps = [b - a for a, b in zip(bench.scans, bench.scans[1:], strict=False)]
    assert max(gaps) <= 0.0101


def test_what_the_scan_raises_leaves_the_wait_at_once_and_the_link_dirty() -> None:
    """A trip is not held up by a mute instrument."""
    bench = Bench({})
    bench.raise_at_s = 0.05
    with pytest.raises(KeyError):
        bench.talk(ask(b"A\n", within_s=5.0))
    assert bench.clock.monotonic() <= 0.0601
    assert bench.port.dirty


def test_silence_that_is_allowed_leaves_the_link_clean() -> None:
    """``silence_ok`` with not a byte: None, no resynchronising."""
    bench = Bench({})

    def listen() -> Talk[Reply | None]:
        return (yield Receive(LINE, 0.05, silence_ok=True))

    assert bench.talk(listen()) is None
    assert not bench.port.dirty


def test_an_answer_that_says_no_leaves_the_link_in_step() -> None:
    """A refusal was read whole: nothing to drain."""
    bench = Bench({b"A\n": [(0.01, b"no\n")]})

    def refused() -> Talk[None]:
        yield Send(b"A\n")
        yield Receive(LINE, 0.2)
        raise InstrumentRefused("it said no")

    with pytest.raises(InstrumentRefused):
        bench.talk(refused())
    assert not bench.port.dirty


def test_a_pause_lets_time_pass_and_scans() -> None:
    """Pause belongs to the conversation, not to the thread."""
    bench = Bench({})

    def pausing() -> Talk[None]:
        yield Pause(0.1)

    bench.talk(pausing())
    assert bench.clock.monotonic() == pytest.approx(0.1)
    assert len(bench.scans) >= 10


def test_traffic_is_kept_with_its_times() -> None:
    """Both ways, in order."""
    bench = Bench({b"A\n": [(0.02, b"x\n")]})
    bench.talk(ask(b"A\n"))
    shown = [(line.way, line.data) for line in bench.port.traffic()]
    assert shown == [("sent", b"A\n"), ("received", b"x\n")]
