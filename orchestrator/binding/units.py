"""Units of a chain: names, addresses and switch pictures."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.binding.instruments import Instruments
from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.model.abilities import MatrixAbilities
from orchestrator.model.station import Station, UnitEntry


def check_addresses(document: Document[Station], instruments: Instruments) -> Iterator[Fault]:
    """Names and addresses once in a chain, and within what the units can be set to."""
    for chain, entry in document.model.chains.items():
        read = instruments.addresses.get(chain, {})
        matrix = instruments.matrices.get(chain)
        names: set[str] = set()
        taken: dict[int, str] = {}
        for index, unit in enumerate(entry.units):
            at = document.locate("chains", chain, "units", index)
            what = f"unit {chain}/{unit.name}"
            if unit.name in names:
                yield Fault(what, "the name twice", "each name once", "rename one of them", at)
            names.add(unit.name)
            address = unit.address if unit.address is not None else read.get(unit.name)
            place = document.locate("chains", chain, "units", index, _key(unit))
            for found, expected in _wrong(unit, read.get(unit.name), address, matrix):
                remedy = "correct the address, and the switch on the unit with it"
                yield Fault(what, found, expected, remedy, place)
            if address is None:
                continue
            if address in taken:
                found = f"address {address}, that of unit {taken[address]!r} too"
                remedy = "give each unit an address of its own, on its switch too"
                yield Fault(what, found, "each address once in a chain", remedy, place)
            taken.setdefault(address, unit.name)


def _key(unit: UnitEntry) -> str:
    return "address" if unit.address is not None else "switches"


def _wrong(
    unit: UnitEntry, switched: int | None, address: int | None, matrix: MatrixAbilities | None
) -> Iterator[tuple[str, str]]:
    """(found, expected) of everything wrong with one unit's address."""
    if unit.address is not None and switched is not None and unit.address != switched:
        yield f"address {unit.address}, switches {switched}", "the two to agree"
    if matrix is None or matrix.addresses is None:
        return
    least, most = matrix.addresses
    if address is None:
        if unit.switches is None:
            yield "no address", f"an address from {least} to {most}, or a picture of its switches"
    elif not least <= address <= most:
        yield f"address {address}", f"{least} to {most}"
