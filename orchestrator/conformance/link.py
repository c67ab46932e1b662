"""The contract of ``Link``."""

from __future__ import annotations

from orchestrator.clock import Clock
from orchestrator.conformance.base import Contract
from orchestrator.conformance.demands import Broken, demand
from orchestrator.conformance.subjects import LinkSubject
from orchestrator.contract import Link
from orchestrator.errors import LinkError, LinkLost

PATIENCE_S = 2.0
SHORT_S = 0.05
LATE_S = 0.5
"""How much later than asked a silence may be told; a scan waits 10 ms, so this is generous for a
loaded computer and still far below what would be a hang."""
ALL_BYTES = bytes(range(256))


class LinkContract(Contract[LinkSubject]):
    """Every rule of a link. Override ``make``."""

    def test_it_has_a_name(self, subject: LinkSubject) -> None:
        """Errors and traffic are told by it."""
        demand(bool(subject.link.name), "a link has a name")

    def test_bytes_arrive_as_they_were_sent(self, subject: LinkSubject) -> None:
        """All 256 values pass both ways: nothing takes one of them for its own."""
        subject.link.send(ALL_BYTES)
        heard = subject.heard(256)
        demand(heard == ALL_BYTES, "every byte arrives as it was sent", heard)
        subject.say(ALL_BYTES)
        came = receive(subject.link, 256, subject.clock)
        demand(came == ALL_BYTES, "every byte is received as it was said", came)

    def test_order_is_kept(self, subject: LinkSubject) -> None:
        """Pieces arrive in the order in which they were sent, none joined wrongly or lost."""
        pieces = [b"%04d;" % number for number in range(200)]
        for piece in pieces:
            subject.link.send(piece)
        heard = subject.heard(len(pieces) * 5)
        demand(heard == b"".join(pieces), "order is kept", heard)

    def test_silence_is_no_bytes_after_the_time_given(self, subject: LinkSubject) -> None:
        """b'', no error, neither early nor much too late: the scan counts on it."""
        began_s = subject.clock.monotonic()
        came = listen(subject.link, SHORT_S)
        took_s = subject.clock.monotonic() - began_s
        demand(came == b"", "silence gives b''", came)
        demand(SHORT_S * 0.9 <= took_s <= SHORT_S + LATE_S, "receive keeps to its time", took_s)

    def test_what_has_come_is_given_at_once(self, subject: LinkSubject) -> None:
        """Receiving doesn't wait for more, nor for its time to end."""
        subject.say(b"x")
        began_s = subject.clock.monotonic()
        came = subject.link.receive(PATIENCE_S)
        took_s = subject.clock.monotonic() - began_s
        demand(came == b"x" and took_s < PATIENCE_S, "what comes first is given", (came, took_s))

    def test_a_time_of_zero_only_looks(self, subject: LinkSubject) -> None:
        """Receiving for no time returns at once."""
        began_s = subject.clock.monotonic()
        came = listen(subject.link, 0.0)
        took_s = subject.clock.monotonic() - began_s
        demand(came == b"" and took_s < LATE_S, "zero seconds are no wait", (came, took_s))

    def test_a_far_end_that_hangs_up_is_told(self, subject: LinkSubject) -> None:
        """LinkLost, and not silence for ever."""
        subject.hang_up()
        until_s = subject.clock.monotonic() + PATIENCE_S
        try:
            while subject.clock.monotonic() < until_s:
                subject.link.receive(SHORT_S)
        except LinkLost:
            return
        raise Broken("a far end that hung up gives LinkLost")

    def test_a_closed_link_says_so(self, subject: LinkSubject) -> None:
        """Sending and receiving raise LinkLost; closing again does nothing."""
        subject.link.close()
        subject.link.close()
        for act in (lambda: subject.link.send(b"x"), lambda: subject.link.receive(0.01)):
            try:
                act()
            except LinkLost:
                continue
            raise Broken("a closed link raises LinkLost")

    def test_it_can_be_opened_again(self, subject: LinkSubject) -> None:
        """After reopening, bytes pass both ways. What the far end held back from before may still
        come, first and whole (an instrument on a bus keeps its answer); the engine drains it."""
        subject.say(b"old")
        subject.clock.sleep(SHORT_S)
        subject.link.reopen()
        subject.answer_again()
        subject.link.send(b"new")
        heard = subject.heard(3)
        demand(heard == b"new", "a reopened link sends", heard)
        subject.say(b"word")
        came = receive(subject.link, 4, subject.clock)
        if came.startswith(b"o"):
            came += receive(subject.link, 7 - len(came), subject.clock)
        demand(came in {b"word", b"oldword"}, "a reopened link receives", came)


def listen(link: Link, within_s: float) -> bytes:
    """What comes. Raises Broken where silence is told as an error."""
    try:
        return link.receive(within_s)
    except LinkError as error:
        raise Broken(f"silence is no error of the link; found {error!r}") from error


def receive(link: Link, size: int, clock: Clock) -> bytes:
    """What comes until so many bytes are there or patience ends."""
    data, until_s = b"", clock.monotonic() + PATIENCE_S
    while len(data) < size and clock.monotonic() < until_s:
        data += link.receive(0.01)
    return data
