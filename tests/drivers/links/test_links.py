"""What every kind of link promises, whatever it is made of."""

from __future__ import annotations

import os
import select
import socket
import time
from collections.abc import Callable

import pytest

from drivers.links import serial, tcp, visa
from orchestrator.contract import Frame, Link, Reply
from orchestrator.errors import LinkLost, TimedOut
from orchestrator.model.station import SerialLink, TcpLink
from orchestrator.running.framing import FrameReader
from tests.drivers.links.far_ends import (
    CLOCK,
    ENDS,
    NAME,
    PATIENCE_S,
    SOCKETS,
    FarEnd,
    SocketEnd,
    open_visa,
    receive_all,
    receive_message,
)

LINE = Frame(ends=(b"\n",))
posix = pytest.mark.skipif(os.name != "posix", reason="pseudo terminals are POSIX")


def test_bytes_arrive_as_they_were_sent(far_end: FarEnd) -> None:
    """All 256 values, terminators and control characters among them, pass both ways."""
    data = bytes(range(256))
    far_end.link.send(data)
    assert far_end.heard(256) == data
    far_end.say(data)
    assert receive_all(far_end.link, 256) == data


def test_silence_is_no_bytes_after_the_time_given(far_end: FarEnd) -> None:
    """Silence isn't an error of the link, and it isn't reported early or much too late."""
    began_s = CLOCK.monotonic()
    assert far_end.link.receive(0.05) == b""
    took_s = CLOCK.monotonic() - began_s
    assert 0.045 <= took_s < 0.5


def test_half_a_reply_before_the_slice_ends_isn_t_lost(far_end: FarEnd) -> None:
    """A reply that crosses time limits of reads arrives whole, and the next isn't joined to it."""
    reader = FrameReader()
    far_end.say(b"PASS,15")
    reader.feed(receive_all(far_end.link, 7))
    assert far_end.link.receive(0.01) == b""
    assert reader.take(LINE) is None
    far_end.say(b"00.0\nNEXT")
    assert receive_message(far_end.link, reader, LINE) == Reply(b"PASS,1500.0", b"\n")
    far_end.say(b"\n")
    assert receive_message(far_end.link, reader, LINE) == Reply(b"NEXT", b"\n")


def test_a_reply_that_trickles_in_byte_by_byte_arrives_whole(far_end: FarEnd) -> None:
    """Each byte comes after a slice ended in silence."""
    reader = FrameReader()
    for number in b"READY\n":
        assert far_end.link.receive(0.001) == b""
        far_end.say(bytes([number]))
        reader.feed(receive_all(far_end.link, 1, 0.001))
    assert reader.take(LINE) == Reply(b"READY", b"\n")


def test_a_closed_link_says_so(far_end: FarEnd) -> None:
    """Closing twice is harmless; using it afterwards is a lost link, naming the instrument."""
    far_end.link.close()
    far_end.link.close()
    for use in (lambda: far_end.link.send(b"x"), lambda: far_end.link.receive(0.01)):
        with pytest.raises(LinkLost, match=NAME):
            use()


def test_a_socket_can_be_opened_again_after_the_peer_hung_up(socket_end: SocketEnd) -> None:
    """Reopening gives a working connection, without bytes of the old one."""
    socket_end.say(b"old")
    socket_end.hang_up()
    assert receive_all(socket_end.link, 3) == b"old"
    with pytest.raises(LinkLost):
        socket_end.link.receive(0.1)
    socket_end.link.reopen()
    socket_end.peer = socket_end.accept()
    socket_end.say(b"new")
    assert receive_all(socket_end.link, 3) == b"new"


def test_a_small_message_doesn_t_wait_for_an_acknowledgement(socket_end: SocketEnd) -> None:
    """A stop right after an unanswered start would otherwise arrive 40 ms late (RFC 896)."""
    link = socket_end.link
    assert isinstance(link, tcp.TcpSocket | visa.VisaResource)
    assert link._socket is not None
    assert link._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_a_lost_peer_is_seen_at_once_and_costs_no_processor_time(socket_end: SocketEnd) -> None:
    """The end of file ends a long read, and waiting in silence before it doesn't spin."""
    before_s = time.process_time()
    assert socket_end.link.receive(0.2) == b""
    assert time.process_time() - before_s < 0.1
    socket_end.hang_up()
    began_s = CLOCK.monotonic()
    with pytest.raises(LinkLost):
        socket_end.link.receive(1.0)
    assert CLOCK.monotonic() - began_s < 0.5


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind",
    [
        "tcp",
        "visa socket",
        pytest.param("serial", marks=posix),
        pytest.param("serial through pyserial", marks=posix),
        pytest.param("visa serial", marks=posix),
    ],
)
def test_a_peer_that_takes_nothing_ends_in_a_time_out(kind: str) -> None:
    """Sending has a deadline of 1 s: a full buffer isn't waited for without end."""
    end = ENDS[kind]()
    began_s = CLOCK.monotonic()
    try:
        with pytest.raises(TimedOut, match=NAME):
            end.link.send(b"x" * 20_000_000)
        assert CLOCK.monotonic() - began_s < 3
    finally:
        end.put_away()


# ---- no foreign exception -----------------------------------------------------------------------


def use_until_it_fails(link: Link) -> None:
    """Send and receive for a while: a fault must show as an error of ours."""
    until_s = CLOCK.monotonic() + PATIENCE_S
    while CLOCK.monotonic() < until_s:
        link.send(b"?\n")
        link.receive(0.01)


def only_receive(link: Link) -> None:
    until_s = CLOCK.monotonic() + PATIENCE_S
    while CLOCK.monotonic() < until_s:
        link.receive(0.01)


def eof_mid_message(end: FarEnd) -> None:
    end.say(b"PASS,15")
    end.hang_up()


def eof(end: FarEnd) -> None:
    end.hang_up()


def reset(end: FarEnd) -> None:
    assert isinstance(end, SocketEnd)
    end.reset()


FAULTS = [
    pytest.param(kind, fault, marks=[posix] if "serial" in kind else [])
    for kind in ENDS
    for fault in (eof, eof_mid_message, reset)
    if fault is not reset or kind in SOCKETS
]


@pytest.mark.parametrize("use", [use_until_it_fails, only_receive])
@pytest.mark.parametrize(("kind", "fault"), FAULTS)
def test_no_foreign_exception_leaves_a_link(
    kind: str, fault: Callable[[FarEnd], None], use: Callable[[Link], None]
) -> None:
    """End of file, reset and an unplugged port all become LinkLost, with name and remedy."""
    end = ENDS[kind]()
    try:
        fault(end)
        with pytest.raises(LinkLost, match=NAME) as caught:
            use(end.link)
        assert caught.value.remedy
        with pytest.raises(LinkLost):
            end.link.receive(0.01)
    finally:
        end.put_away()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def tcp_to_nobody() -> Link:
    settings = TcpLink(kind="tcp", host="127.0.0.1", port=free_port())
    return tcp.open_link(settings, name=NAME, clock=CLOCK)


def tcp_to_no_host() -> Link:
    settings = TcpLink(kind="tcp", host="..", port=5025)
    return tcp.open_link(settings, name=NAME, clock=CLOCK)


def serial_to_no_port() -> Link:
    settings = SerialLink(kind="serial", port="no-such-port")
    return serial.open_link(settings, name=NAME, clock=CLOCK)


def visa_to_nobody() -> Link:
    return open_visa(f"TCPIP0::127.0.0.1::{free_port()}::SOCKET")


def visa_to_no_port() -> Link:
    return open_visa("ASRL/dev/no-such-port::INSTR")


def visa_without_library() -> Link:
    return open_visa("GPIB0::5::INSTR", "/no/such/library.so")


def visa_to_no_device() -> Link:
    """The simulating library opens it without a word."""
    return open_visa("GPIB0::29::INSTR", "@sim")


@pytest.mark.parametrize(
    "opener",
    [
        tcp_to_nobody,
        tcp_to_no_host,
        serial_to_no_port,
        visa_to_nobody,
        visa_to_no_port,
        visa_without_library,
        visa_to_no_device,
    ],
)
def test_what_can_t_be_opened_is_a_lost_link(opener: Callable[[], Link]) -> None:
    """Refused ports, unknown hosts, missing ports and libraries: LinkLost, name and remedy."""
    with pytest.raises(LinkLost, match=NAME) as caught:
        opener()
    assert "station file" in caught.value.remedy


def test_reopening_to_nobody_is_a_lost_link(socket_end: SocketEnd) -> None:
    """A peer that stays away is reported, and the link can be reopened once it is back."""
    port = socket_end.listener.getsockname()[1]
    socket_end.reset()
    socket_end.listener.close()
    for _ in range(2):
        with pytest.raises(LinkLost):
            socket_end.link.reopen()
    socket_end.listener = socket.create_server(("127.0.0.1", port))
    socket_end.link.reopen()
    socket_end.peer = socket_end.accept()
    socket_end.say(b"back")
    assert receive_all(socket_end.link, 4) == b"back"


def test_waiting_works_where_the_system_has_select_alone(
    socket_end: SocketEnd, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows: silence, half a reply, the rest, and the end of file."""
    monkeypatch.delattr(select, "poll", raising=False)
    assert socket_end.link.receive(0.01) == b""
    socket_end.link.send(b"?\n")
    assert socket_end.heard(2) == b"?\n"
    socket_end.say(b"PASS,15")
    assert receive_all(socket_end.link, 7) == b"PASS,15"
    assert socket_end.link.receive(0.01) == b""
    socket_end.say(b"00.0\n")
    assert receive_all(socket_end.link, 5) == b"00.0\n"
    socket_end.hang_up()
    with pytest.raises(LinkLost):
        socket_end.link.receive(0.1)
