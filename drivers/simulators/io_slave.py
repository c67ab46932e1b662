"""The Modbus TCP side of a simulated I/O block: requests in, replies out. Pure but for the block.

By hand from the open specification (MODBUS Application Protocol V1.1b3 and the messaging guide
for TCP), written apart from the client, so that the two can't err alike. Knows FC01, FC02, FC05
and FC15.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.simulators.io_block import SimulatedIo

HEADER = struct.Struct(">HHH")  # transaction, protocol, length of what follows
LONGEST = 254  # unit identifier and a PDU of 253 bytes

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4


@dataclass(frozen=True, slots=True)
class Request:
    """One whole request."""

    transaction: int
    unit: int
    pdu: bytes


class NotModbus(ValueError):
    """Bytes that can't begin a Modbus TCP frame: the connection is given up."""


def take_request(buffer: bytearray) -> Request | None:
    """Take the first whole request out of the buffer; ``None`` while it is incomplete.

    Raises:
        NotModbus: another protocol, or a length that no frame has.
    """
    if len(buffer) < HEADER.size:
        return None
    transaction, protocol, length = HEADER.unpack_from(buffer)
    if protocol != 0 or not 2 <= length <= LONGEST:
        raise NotModbus(f"header {bytes(buffer[: HEADER.size]).hex(' ')}")
    end = HEADER.size + length
    if len(buffer) < end:
        return None
    request = Request(transaction, buffer[HEADER.size], bytes(buffer[HEADER.size + 1 : end]))
    del buffer[:end]
    return request


def frame(request: Request, pdu: bytes) -> bytes:
    """The reply to a request as it goes over the wire."""
    return HEADER.pack(request.transaction, 0, len(pdu) + 1) + bytes([request.unit]) + pdu


def exception(request: Request, code: int) -> bytes:
    """PDU of an exception reply."""
    return bytes([request.pdu[0] | 0x80, code])


def answer(request: Request, block: SimulatedIo) -> bytes:
    """Carry a request out; the PDU of the reply."""
    function, body = request.pdu[0], request.pdu[1:]
    if function in {1, 2}:
        return _read(request, body, block.read_outputs() if function == 1 else block.read_inputs())
    if function == 5:
        return _write_one(request, body, block)
    if function == 15:
        return _write_many(request, body, block)
    return exception(request, ILLEGAL_FUNCTION)


def _read(request: Request, body: bytes, bits: tuple[bool, ...]) -> bytes:
    if len(body) != 4:
        return exception(request, ILLEGAL_VALUE)
    first, count = struct.unpack(">HH", body)
    if not 1 <= count <= 2000:
        return exception(request, ILLEGAL_VALUE)
    if first + count > len(bits):
        return exception(request, ILLEGAL_ADDRESS)
    packed = bytearray((count + 7) // 8)
    for place in range(count):
        if bits[first + place]:
            packed[place // 8] |= 1 << place % 8
    return bytes([request.pdu[0], len(packed)]) + bytes(packed)


def _write_one(request: Request, body: bytes, block: SimulatedIo) -> bytes:
    if len(body) != 4 or body[2:] not in {b"\xff\x00", b"\x00\x00"}:
        return exception(request, ILLEGAL_VALUE)
    return _write(request, int.from_bytes(body[:2], "big"), (body[2] == 0xFF,), block, request.pdu)


def _write_many(request: Request, body: bytes, block: SimulatedIo) -> bytes:
    if len(body) < 6:
        return exception(request, ILLEGAL_VALUE)
    first, count, size = struct.unpack(">HHB", body[:5])
    data = body[5:]
    if not 1 <= count <= 1968 or size != (count + 7) // 8 or len(data) != size:
        return exception(request, ILLEGAL_VALUE)
    levels = tuple(bool(data[place // 8] & 1 << place % 8) for place in range(count))
    return _write(request, first, levels, block, request.pdu[:5])


def _write(
    request: Request, first: int, levels: tuple[bool, ...], block: SimulatedIo, reply: bytes
) -> bytes:
    try:
        block.write_outputs(first, levels)
    except IndexError:
        return exception(request, ILLEGAL_ADDRESS)
    return reply
