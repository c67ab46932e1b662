"""The entry point: from a station entry with ``driver: quern`` to the adapter."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from ohmward_quern.adapter import Quern
from orchestrator.contract import BuiltTester
from orchestrator.errors import Fault, Refused
from orchestrator.model.station import TesterEntry


def build_tester(entry: TesterEntry, name: str, folder: Path) -> BuiltTester:
    """A Quern. Raises Refused.

    Where a profile would be hashed into the record, this hashes the driver's own source.
    """
    del folder
    if entry.address is not None:
        what, found = f"tester {name!r}", f"address {entry.address}"
        fault = Fault(what, found, "none: a Quern has none", "leave it out", at=("address",))
        raise Refused([fault])
    source = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    return BuiltTester(Quern(name), "quern", sha256(source).hexdigest())
