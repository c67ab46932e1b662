"""The three Modbus exchanges that an I/O block needs, as bytes: FC01, FC02, FC15.

Source: MODBUS Application Protocol V1.1b3, clauses 6.1, 6.2, 6.11 and 7. Strict on purpose: a
reply must be exactly what the request calls for; anything else is a failed exchange. Pure.
"""

from __future__ import annotations

import struct

READ_COILS = 0x01
READ_DISCRETE_INPUTS = 0x02
WRITE_MULTIPLE_COILS = 0x0F

ADDRESSES = 65536

EXCEPTIONS = {
    1: "doesn't know the function",
    2: "has no such address",
    3: "refuses the value or the number of bits",
    4: "reports a failure of its own",
    5: "asks for more time",
    6: "is busy",
    8: "reports a memory error",
    10: "is a gateway that has no path to the unit",
    11: "is a gateway whose unit doesn't answer",
}
"""Modbus exception codes in words (clause 7)."""


class BadReply(ValueError):
    """A reply that isn't the one the request calls for."""


def read_request(function: int, first: int, count: int) -> bytes:
    """PDU that reads ``count`` bits (FC01 or FC02) from address ``first`` (0-based)."""
    return struct.pack(">BHH", function, first, count)


def read_reply(reply: bytes, function: int, count: int) -> tuple[bool, ...]:
    """The bits of a reply to ``read_request``.

    Raises:
        BadReply: another function or another length. Padding bits are not looked at.
    """
    size = (count + 7) // 8
    if len(reply) != 2 + size or reply[0] != function or reply[1] != size:
        raise BadReply(f"reply {reply.hex(' ')} doesn't fit a read of {count} bits")
    number = int.from_bytes(reply[2:], "little")
    return tuple(bool(number >> bit & 1) for bit in range(count))


def write_request(first: int, bits: tuple[bool, ...]) -> bytes:
    """PDU that writes coils from address ``first`` (0-based) on."""
    size = (len(bits) + 7) // 8
    number = sum(1 << place for place, bit in enumerate(bits) if bit)
    head = struct.pack(">BHHB", WRITE_MULTIPLE_COILS, first, len(bits), size)
    return head + number.to_bytes(size, "little")


def check_write_reply(reply: bytes, first: int, count: int) -> None:
    """Nothing, if the reply confirms the write.

    Raises:
        BadReply: it doesn't.
    """
    if reply != struct.pack(">BHH", WRITE_MULTIPLE_COILS, first, count):
        raise BadReply(f"reply {reply.hex(' ')} doesn't confirm a write of {count} bits at {first}")
