"""Frames of client and slave against published ones.

Sources: reference sheet H (FC15 frames and exceptions seen in public copies of MODBUS Application
Protocol V1.1b3, clauses 6.11 and 7; the TCP header by the messaging guide). FC01 and FC02:
clauses 6.1 and 6.2, from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.io import frames
from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.io_slave import LONGEST, NotModbus, Request, answer, frame, take_request
from orchestrator.clock import VirtualClock

TEN_COILS = tuple(c == "1" for c in "1011001110")  # CD 01, lowest bit first


def bits_of(text: str, count: int) -> tuple[bool, ...]:
    number = int.from_bytes(bytes.fromhex(text), "little")
    return tuple(bool(number >> place & 1) for place in range(count))


def test_the_published_write_of_ten_coils_is_what_the_client_sends() -> None:
    """FC15, coils 20 to 29 (address 19): 0F 00 13 00 0A 02 CD 01 (reference sheet H)."""
    assert frames.write_request(0x13, TEN_COILS).hex(" ").upper() == "0F 00 13 00 0A 02 CD 01"
    frames.check_write_reply(bytes.fromhex("0F 00 13 00 0A"), 0x13, 10)


def test_the_published_reads_are_what_the_client_sends_and_understands() -> None:
    """FC01 of 19 coils at 19, FC02 of 22 inputs at 196 (clauses 6.1, 6.2, from memory)."""
    assert frames.read_request(1, 0x13, 19).hex(" ") == "01 00 13 00 13"
    coils = frames.read_reply(bytes.fromhex("01 03 CD 6B 05"), 1, 19)
    assert coils == bits_of("CD 6B 05", 19)
    assert frames.read_request(2, 0xC4, 22).hex(" ") == "02 00 c4 00 16"
    inputs = frames.read_reply(bytes.fromhex("02 03 AC DB 35"), 2, 22)
    assert inputs == bits_of("AC DB 35", 22)


@pytest.mark.parametrize(
    ("request_pdu", "reply"),
    [
        ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
        ("01 00 13 00 13", "01 03 CD 6B 05"),
        ("02 00 C4 00 16", "02 03 AC DB 35"),
        ("05 00 AC FF 00", "05 00 AC FF 00"),
        ("03 00 6B 00 03", "83 01"),
        ("0F 00 FA 00 0A 02 CD 01", "8F 02"),
        ("0F 00 13 00 0A 01 CD", "8F 03"),
        ("01 00 00 00 00", "81 03"),
        ("05 00 00 12 34", "85 03"),
    ],
)
def test_the_slave_answers_the_published_requests(request_pdu: str, reply: str) -> None:
    """FC05 and FC15 as in reference sheet H, exceptions by clause 7, reads from memory."""
    block = SimulatedIo(VirtualClock(), inputs=256, outputs=256)
    if request_pdu.startswith("01 00 13"):
        block.write_outputs(0x13, bits_of("CD 6B 05", 19))
    for place, level in enumerate(bits_of("AC DB 35", 22)):
        block.set_input(0xC4 + place, level)
    given_request = Request(1, 1, bytes.fromhex(request_pdu))
    assert answer(given_request, block) == bytes.fromhex(reply)


def test_the_published_tcp_frame_is_read_and_answered() -> None:
    """15 01 00 00 00 06 FF 03 00 6B 00 03: transaction 0x1501, unit 0xFF (reference sheet H)."""
    buffer = bytearray.fromhex("15 01 00 00 00 06 FF 03 00 6B 00 03")
    request = take_request(buffer)
    assert request == Request(0x1501, 0xFF, bytes.fromhex("03 00 6B 00 03"))
    assert not buffer
    assert frame(request, b"\x83\x01").hex(" ") == "15 01 00 00 00 03 ff 83 01"


def test_the_slave_gives_up_on_bytes_that_are_no_header() -> None:
    """Another protocol number, or a length that no frame has."""
    for text in ("15 01 00 01 00 06", "15 01 00 00 00 01", "15 01 00 00 01 00"):
        with pytest.raises(NotModbus):
            take_request(bytearray.fromhex(text))
    longest = bytearray.fromhex("15 01 00 00 00 FE")
    assert LONGEST == 254
    assert take_request(longest) is None


@given(bits=st.lists(st.booleans(), min_size=1, max_size=256), first=st.integers(0, 65000))
def test_every_write_of_the_client_is_what_the_slave_takes(bits: list[bool], first: int) -> None:
    """Client and slave are written apart; any number of bits passes between them unchanged."""
    pdu = frames.write_request(first, tuple(bits))
    block = SimulatedIo(VirtualClock(), outputs=first + len(bits))
    frames.check_write_reply(answer(Request(1, 1, pdu), block), first, len(bits))
    assert block.read_outputs()[first:] == tuple(bits)


@pytest.mark.parametrize(
    "reply",
    ["", "01", "01 01", "01 02 00", "01 01 00 00", "01 02 00 00", "02 01 00", "81 02", "0F 01 00"],
)
def test_a_reply_that_does_not_fit_the_read_is_refused(reply: str) -> None:
    """Exactly the function, the count and the bytes that were asked for, or nothing."""
    with pytest.raises(frames.BadReply):
        frames.read_reply(bytes.fromhex(reply), 1, 8)


@pytest.mark.parametrize("reply", ["", "0F 00 00 00", "0F 00 00 00 08 00", "0F 00 01 00 08"])
def test_a_reply_that_does_not_confirm_the_write_is_refused(reply: str) -> None:
    """An echo of other addresses or lengths confirms nothing."""
    with pytest.raises(frames.BadReply):
        frames.check_write_reply(bytes.fromhex(reply), 0, 8)
