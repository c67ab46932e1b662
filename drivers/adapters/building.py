"""From station entries to adapters: what the entry points of group 'ohmward.drivers' name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.abilities import routing_abilities
from drivers.language.profile import load_matrix, load_tester
from drivers.language.profile_banks import ChainModel
from drivers.language.profile_common import CommonProfile
from drivers.language.switches import address_of, checked_address
from drivers.links.settings import SerialDefaults
from orchestrator.contract import BuiltChain, BuiltTester, RelayMatrix
from orchestrator.errors import Fault, Refused
from orchestrator.model.station import ChainEntry, TesterEntry, UnitEntry


def build_tester(entry: TesterEntry, name: str, folder: Path) -> BuiltTester:
    """A tester driven by its profile. Raises Refused with every fault of the profile."""
    document = load_tester(entry.profile, folder)
    adapter = ProfileTester(document, name, address=entry.address)
    return BuiltTester(adapter, document.model.name, document.sha256, serial_of(document.model))


def build_chain(
    entry: ChainEntry, name: str, folder: Path, testers: Mapping[str, BuiltTester]
) -> BuiltChain:
    """A chain of units: on its own link, carried through a tester's, or built into a tester.

    Raises Refused: faults of the profile, of an address, or of what carries it.
    """
    if entry.built_in is not None:
        return _built_in(entry, name, folder, testers)
    document = load_matrix(entry.profile, folder)
    addresses = addresses_of(entry.units, document.model.chain)
    matrix = ProfileMatrix(document, name, addresses)
    adapter: RelayMatrix = matrix
    if entry.carried_by is not None:
        adapter = CarriedMatrix(matrix, _tester(name, entry.carried_by, testers, "carried_by"))
    return BuiltChain(
        adapter,
        matrix.abilities,
        document.model.name,
        document.sha256,
        {unit: address for unit, address in addresses.items() if address is not None},
        serial_of(document.model),
    )


def _built_in(
    entry: ChainEntry, name: str, folder: Path, testers: Mapping[str, BuiltTester]
) -> BuiltChain:
    tester = _tester(name, str(entry.built_in), testers, "built_in")
    document = load_tester(entry.profile, folder)
    profile = document.model
    if profile.routing is None:
        raise _refused(
            f"the profile {profile.name!r} without 'routing'",
            "a tester that switches its own relays",
            "give the chain a link or carried_by instead of built_in",
            what=f"the chain {name!r}",
            at=("built_in",),
        )
    addresses = addresses_of(entry.units, profile.routing.chain)
    tester.use_relays(addresses)
    known = {unit: address for unit, address in addresses.items() if address is not None}
    return BuiltChain(None, routing_abilities(profile), profile.name, document.sha256, known)


def addresses_of(units: tuple[UnitEntry, ...], chain: ChainModel | None) -> dict[str, int | None]:
    """Unit → address, from a number or a picture of the switch; both must agree.

    Raises Refused with the faults of all units; each names its unit and leads to its key.
    """
    faults: list[Fault] = []
    found: dict[str, int | None] = {}
    for index, unit in enumerate(units):
        key = "address" if unit.switches is None else "switches"
        what, at = f"{key} of unit {unit.name!r}", ("units", index, key)
        try:
            found[unit.name] = _address(unit, chain)
        except Refused as refused:
            faults.extend(replace(fault, what=what, at=at) for fault in refused.faults)
    if faults:
        raise Refused(faults)
    return found


def _address(unit: UnitEntry, chain: ChainModel | None) -> int | None:
    if chain is None:
        if unit.address is not None or unit.switches is not None:
            raise _refused(
                "an address",
                "none: these units have no address",
                "leave out address and switches",
            )
        return None
    if unit.address is None and unit.switches is None:
        raise _refused(
            "no address",
            "address: a number, or switches: a picture",
            "read the unit's switch and write what it shows",
        )
    shown = None if unit.switches is None else address_of(unit.switches, chain)
    if unit.address is None:
        return shown
    number = checked_address(unit.address, chain)
    if shown is not None and shown != number:
        raise _refused(
            f"address {number} and switches that show {shown}",
            "one address",
            "correct one of the two",
        )
    return number


def serial_of(profile: CommonProfile) -> SerialDefaults | None:
    """The serial settings that the profile gives, for the links."""
    given = profile.link.serial
    if given is None:
        return None
    return SerialDefaults(given.baud, given.bits, given.parity, given.stop_bits)


def _tester(chain: str, name: str, testers: Mapping[str, BuiltTester], key: str) -> ProfileTester:
    built = testers.get(name)
    if built is None or not isinstance(built.adapter, ProfileTester):
        raise _refused(
            repr(name),
            "a tester of this station that a profile drives: " + ", ".join(testers),
            "name one of them",
            what=f"{key} of chain {chain!r}",
            at=(key,),
        )
    return built.adapter


def _refused(
    found: str,
    expected: str,
    remedy: str,
    *,
    what: str = "the unit",
    at: tuple[int | str, ...] = (),
) -> Refused:
    return Refused([Fault(what, found, expected, remedy, at=at)])
