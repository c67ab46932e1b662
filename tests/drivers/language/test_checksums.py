"""Checksums against published check values."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.checksums import Checksum, Form, Kind, Order

DIGITS = b"123456789"


# kind, form, order, body, checksum. Sources, row by row:
@pytest.mark.parametrize(
    ("kind", "form", "order", "body", "wanted"),
    [
        # catalogue of CRCs: CRC-16/MODBUS check value 0x4B37, low byte first on the line
        ("crc16", "hex_upper", "big", DIGITS, b"4B37"),
        ("crc16", "raw", "little", DIGITS, b"\x37\x4b"),
        # Modbus over serial line V1.02, example: 02 07 gives 0x1241, sent 41 12
        ("crc16", "raw", "little", b"\x02\x07", b"\x41\x12"),
        # Modbus application protocol V1.1b3 6.3, 6.6, 6.11, 7 as RTU frames
        ("crc16", "raw", "little", bytes.fromhex("0103006B0003"), bytes.fromhex("7417")),
        ("crc16", "raw", "little", bytes.fromhex("010306022B00000064"), bytes.fromhex("057A")),
        ("crc16", "raw", "little", bytes.fromhex("1103006B0003"), bytes.fromhex("7687")),
        ("crc16", "raw", "little", bytes.fromhex("010600010003"), bytes.fromhex("980B")),
        ("crc16", "raw", "little", bytes.fromhex("0105 00AC FF00"), bytes.fromhex("4C1B")),
        ("crc16", "raw", "little", bytes.fromhex("018302"), bytes.fromhex("C0F1")),
        # Modbus ASCII of the same request: LRC 7E
        ("lrc", "hex_upper", "big", bytes.fromhex("1103006B0003"), b"7E"),
        # catalogue of CRCs: polynomial 0x1021 from FFFF, check value 0x29B1 (from memory)
        ("crc16_ccitt", "hex_lower", "big", DIGITS, b"29b1"),
        # worked by hand: 0x31 + … + 0x39 = 0x1DD; XOR of the same = 0x31
        ("sum8", "hex_upper", "big", DIGITS, b"DD"),
        ("sum16", "hex_upper", "big", DIGITS, b"01DD"),
        ("sum16", "raw", "little", DIGITS, b"\xdd\x01"),
        ("sum8", "decimal", "big", DIGITS, b"221"),
        ("xor", "hex_upper", "big", DIGITS, b"31"),
        # the manuals of the invented instruments: stave.md section 1, comb.md section 1
        ("sum8", "hex_upper", "big", b"WHO?", b"2D"),
        ("xor", "hex_upper", "big", b"05Q", b"54"),
    ],
)
def test_a_checksum_has_its_published_value(
    kind: Kind, form: Form, order: Order, body: bytes, wanted: bytes
) -> None:
    """Written behind the body, and accepted there."""
    checksum = Checksum(kind, form, order)
    assert checksum.of(body) == wanted
    assert checksum.append(body) == body + wanted
    assert checksum.verify(body + wanted) == body
    assert checksum.length == len(wanted)


@given(body=st.binary(max_size=40), bit=st.integers(0, 10_000))
@pytest.mark.parametrize("kind", ["sum8", "sum16", "xor", "lrc", "crc16", "crc16_ccitt"])
def test_one_wrong_bit_is_found(kind: Kind, body: bytes, bit: int) -> None:
    """Anywhere in body or checksum."""
    message = bytearray(Checksum(kind, "raw").append(body))
    message[bit // 8 % len(message)] ^= 1 << bit % 8
    assert Checksum(kind, "raw").verify(bytes(message)) is None


def test_the_case_of_hex_digits_counts() -> None:
    """An upper-case form refuses lower case: the manual says which."""
    assert Checksum("sum8").verify(b"WHO?2d") is None
    assert Checksum("sum8", "hex_lower").verify(b"WHO?2d") == b"WHO?"


def test_a_message_shorter_than_its_checksum_is_refused() -> None:
    """Nothing to take off."""
    assert Checksum("crc16").verify(b"4B3") is None
    assert Checksum("xor").verify(b"") is None


def test_an_unknown_kind_is_refused() -> None:
    """Named with what there is."""
    with pytest.raises(ValueError, match="expected one of sum8"):
        Checksum("crc32")  # type: ignore[arg-type]
