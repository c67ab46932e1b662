"""Checksums of telegrams: computed over a body, written behind it, checked and taken off."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Kind = Literal["sum8", "sum16", "xor", "lrc", "crc16", "crc16_ccitt"]
Form = Literal["hex_upper", "hex_lower", "raw", "decimal"]
Order = Literal["big", "little"]


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


def _sum16(data: bytes) -> int:
    return sum(data) & 0xFFFF


def _xor(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
    return value


def _lrc(data: bytes) -> int:
    """Two's complement of the sum, so that body and checksum add up to zero."""
    return -sum(data) & 0xFF


def _crc16(data: bytes) -> int:
    """CRC-16/MODBUS: polynomial 0x8005 reflected, from 0xFFFF, no final XOR.

    Source: Modbus over serial line V1.02; check value 0x4B37.
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def _crc16_ccitt(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, from 0xFFFF, not reflected; check value 0x29B1."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
        crc &= 0xFFFF
    return crc


_KINDS: Mapping[str, tuple[Callable[[bytes], int], int]] = MappingProxyType(
    {
        "sum8": (_sum8, 1),
        "sum16": (_sum16, 2),
        "xor": (_xor, 1),
        "lrc": (_lrc, 1),
        "crc16": (_crc16, 2),
        "crc16_ccitt": (_crc16_ccitt, 2),
    }
)


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum as it stands behind a body.

    Attributes:
        kind: how it is computed. form: how it is written.
        order: which byte goes first, where there are two.
    """

    kind: Kind
    form: Form = "hex_upper"
    order: Order = "big"

    def __post_init__(self) -> None:
        forms = ("hex_upper", "hex_lower", "raw", "decimal")
        for found, known in (
            (self.kind, tuple(_KINDS)),
            (self.form, forms),
            (self.order, ("big", "little")),
        ):
            if found not in known:
                raise ValueError(f"found {found!r}, expected one of {', '.join(known)}")

    @property
    def length(self) -> int:
        """Bytes on the wire."""
        size = _KINDS[self.kind][1]
        if self.form == "raw":
            return size
        if self.form == "decimal":
            return 3 if size == 1 else 5
        return 2 * size

    def of(self, body: bytes) -> bytes:
        """The checksum of a body, as it is written."""
        compute, size = _KINDS[self.kind]
        value = compute(body)
        if self.form == "decimal":
            return f"{value:0{self.length}d}".encode()
        raw = value.to_bytes(size, self.order)
        if self.form == "raw":
            return raw
        text = raw.hex()
        return (text.upper() if self.form == "hex_upper" else text).encode()

    def append(self, body: bytes) -> bytes:
        """The body with its checksum behind it."""
        return body + self.of(body)

    def verify(self, message: bytes) -> bytes | None:
        """The body of a message whose checksum is right to the letter, else ``None``."""
        if len(message) < self.length:
            return None
        body = message[: len(message) - self.length]
        return body if message == self.append(body) else None
