"""The Quern's frames: bytes and nothing else (QUERN.md, sections 1 to 3)."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import IntEnum

START = 0xA5
LENGTH = 17
DATA = 11
REPLY = 0x80
KEY = b"QRN1"
ABOVE_RANGE = 0xFFFFFFFF
MODEL = b"Q1"

SETUP = struct.Struct("<BHHHI")  # kind, level, rise, dwell, limit
STATUS = struct.Struct("<BBHH")  # state, flags, voltage, time held
RESULT = struct.Struct("<HBHIH")  # counter, verdict, level, reading, time held
WHO = struct.Struct("<2s2BIB")  # model, firmware, serial number, simulated


class Op(IntEnum):
    """Operations."""

    STOP = 0x00
    WHO = 0x01
    CHALLENGE = 0x02
    UNLOCK = 0x03
    SET = 0x10
    READ_SET = 0x11
    START = 0x12
    STATUS = 0x13
    RESULT = 0x14
    CLEAR = 0x15


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame; ``op`` is a plain number, as a reply carries one above 80 hex."""

    op: int
    sequence: int
    status: int = 0
    data: bytes = b""


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: polynomial 8005 hex reflected, begun with FFFF."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


def pack(frame: Frame) -> bytes:
    """A frame as it goes over the wire."""
    head = bytes((START, frame.op, frame.sequence, frame.status))
    body = head + frame.data.ljust(DATA, b"\0")
    return body + struct.pack("<H", crc16(body))


def unpack(raw: bytes) -> Frame | None:
    """The frame that these bytes are, None if they are none."""
    if len(raw) != LENGTH or raw[0] != START or struct.unpack("<H", raw[-2:])[0] != crc16(raw[:-2]):
        return None
    return Frame(raw[1], raw[2], raw[3], raw[4:-2])


def token(challenge: bytes) -> bytes:
    """What unlocks."""
    return struct.pack("<I", zlib.crc32(challenge + KEY))


def tag(challenge: bytes, counter: int) -> bytes:
    """What the start of the test with this number needs."""
    return struct.pack("<I", zlib.crc32(challenge + struct.pack("<H", counter)))


def after(counter: int) -> int:
    """The number that follows."""
    return (counter + 1) % 0x10000
