"""The Quern's driver keeps the contract of a safety tester; its checksums are the standards'."""

# ruff: noqa: INP001 - a folder of tests is no package

from __future__ import annotations

import zlib

from ohmward_quern.frames import crc16
from ohmward_quern.subject import QuernSubject

from orchestrator.conformance import SafetyTesterContract, demand


class TestQuern(SafetyTesterContract):
    """Every rule of the contract."""

    def make(self) -> QuernSubject:
        """Adapter and simulator."""
        return QuernSubject()


def test_the_checksums_are_the_standard_ones() -> None:
    """Check values over '123456789' as published for CRC-16/MODBUS and CRC-32 (from memory)."""
    demand(crc16(b"123456789") == 0x4B37, "CRC-16/MODBUS gives its check value")
    demand(zlib.crc32(b"123456789") == 0xCBF43926, "CRC-32 gives its check value")
