"""Replies written byte by byte: what isn't exactly the reply asked for is a failed exchange."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from drivers.io.wire import EXCHANGE_WITHIN_S, Failed, Wire
from tests.drivers.io.rig import CLOCK, Answer, ScriptedSlave, proper

SLACK_S = 0.15


@pytest.fixture
def wire(scripted: ScriptedSlave) -> Iterator[Wire]:
    made = Wire("127.0.0.1", scripted.port, 1, connect_s=1.0, clock=CLOCK)
    made.connect()
    yield made
    made.close()


def test_requests_go_out_as_the_specification_writes_them(
    wire: Wire, scripted: ScriptedSlave
) -> None:
    """Header of the messaging guide (length = unit and PDU), FC15 as in reference sheet H."""
    wire.write_outputs(0x13, tuple(c == "1" for c in "1011001110"))
    assert scripted.requests[0][2:].hex(" ") == "00 00 00 09 01 0f 00 13 00 0a 02 cd 01"
    wire.read_inputs(0, 8)
    assert scripted.requests[1][2:].hex(" ") == "00 00 00 06 01 02 00 00 00 08"
    wire.read_outputs(0, 8)
    assert scripted.requests[2][2:].hex(" ") == "00 00 00 06 01 01 00 00 00 08"


def test_a_reply_in_single_bytes_is_a_reply(wire: Wire, scripted: ScriptedSlave) -> None:
    """TCP keeps no boundaries."""

    def single(request: bytes) -> Iterator[bytes]:
        for one in proper(request):
            CLOCK.sleep(0.001)
            yield bytes([one])

    scripted.answer = single
    assert wire.read_inputs(0, 8) == (False,) * 8


SPOILT: dict[str, Answer] = {
    "other transaction": lambda r: (bytes([r[0] ^ 1]) + proper(r)[1:],),
    "other protocol": lambda r: (r[:2] + b"\x00\x01" + proper(r)[4:],),
    "other unit": lambda r: (proper(r)[:6] + b"\x09" + proper(r)[7:],),
    "other function": lambda r: (proper(r)[:7] + b"\x01" + proper(r)[8:],),
    "other byte count": lambda r: (proper(r)[:8] + b"\x02" + proper(r)[9:],),
    "a byte too many": lambda r: (r[:4] + b"\x00\x05" + proper(r)[6:8] + b"\x02\x00\x00",),
    "a byte too few": lambda r: (r[:4] + b"\x00\x03" + proper(r)[6:8] + b"\x01",),
    "function alone": lambda r: (r[:4] + b"\x00\x02" + r[6:8],),
    "length 0": lambda r: (r[:4] + b"\x00\x00" + r[6:7],),
    "length 65535": lambda r: (r[:4] + b"\xff\xff" + r[6:7],),
    "exception 2": lambda r: (r[:4] + b"\x00\x03" + r[6:7] + b"\x82\x02",),
    "half": lambda r: (proper(r)[:8],),
    "nothing": lambda _: (),
    "hung up": lambda _: None,
    "text": lambda _: (b"HTTP/1.1 400 Bad Request\r\n\r\n",),
}


@pytest.mark.parametrize("kind", SPOILT)
def test_a_spoilt_reply_fails_in_time_and_closes(
    wire: Wire, scripted: ScriptedSlave, kind: str
) -> None:
    """No reply but the right one; the time is bounded; nothing of it can answer later."""
    scripted.answer = SPOILT[kind]
    begin_s = CLOCK.monotonic()
    with pytest.raises(Failed) as failed:
        wire.read_inputs(0, 8)
    assert CLOCK.monotonic() - begin_s < EXCHANGE_WITHIN_S + SLACK_S
    assert not wire.is_open
    assert failed.value.code == (2 if kind == "exception 2" else None)
    scripted.answer = lambda request: (proper(request),)
    wire.connect()
    assert wire.read_inputs(0, 8) == (False,) * 8


def test_a_reply_that_trickles_has_one_deadline_in_all(wire: Wire, scripted: ScriptedSlave) -> None:
    """Each byte in time, the whole not: the library's own time-out would start anew each time."""

    def slow(request: bytes) -> Iterator[bytes]:
        for one in proper(request):
            CLOCK.sleep(0.04)
            yield bytes([one])

    scripted.answer = slow
    begin_s = CLOCK.monotonic()
    with pytest.raises(Failed, match="100 ms"):
        wire.read_inputs(0, 8)
    assert CLOCK.monotonic() - begin_s < EXCHANGE_WITHIN_S + SLACK_S


def test_bytes_that_nobody_asked_for_never_become_a_reply(
    wire: Wire, scripted: ScriptedSlave
) -> None:
    """A reply that comes twice fails the next exchange before anything is sent."""
    scripted.answer = lambda request: (proper(request) * 2,)
    assert wire.read_inputs(0, 8) == (False,) * 8
    CLOCK.sleep(0.01)
    with pytest.raises(Failed, match="nobody asked for"):
        wire.read_inputs(0, 8)
    assert len(scripted.requests) == 1


def test_a_connection_that_was_closed_meanwhile_is_found_before_sending(
    wire: Wire, scripted: ScriptedSlave
) -> None:
    """And never opened again by itself, which would send an old order over a new connection."""
    scripted.answer = lambda _: None
    with pytest.raises(Failed):
        wire.read_inputs(0, 8)
    with pytest.raises(Failed, match="no connection"):
        wire.write_outputs(0, (True,))
    assert scripted.connections == 1


def test_connecting_where_nobody_listens_fails() -> None:
    """In bounded time, as a failed exchange."""
    closed = ScriptedSlave()
    closed.put_away()
    wire = Wire("127.0.0.1", closed.port, 1, connect_s=0.3, clock=CLOCK)
    with pytest.raises(Failed, match="can't connect"):
        wire.connect()
    assert not wire.is_open
