"""Address switches of relay units: from a picture to a number and back."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.language.profile_banks import ChainModel, SwitchModel
from orchestrator.errors import Fault, Refused
from orchestrator.fault_words import counted


@dataclass(frozen=True, slots=True)
class Position:
    """One position of a switch: printed number, how it stands, its worth where it counts."""

    number: int
    word: str
    counts: bool
    worth: int


def address_of(switches: str, chain: ChainModel) -> int:
    """The address that a picture such as 'up up down up down' shows, position 1 first.

    Raises:
        Refused: no switch in the profile, a wrong word or number of positions, or an address
            outside the unit's range.
    """
    switch = _switch(chain)
    words = switches.replace(",", " ").split()
    if len(words) != switch.positions:
        found = f"{counted(len(words), 'position')} in {switches!r}"
        raise _refused(found, f"{switch.positions} positions", "write position 1 first")
    weights = _weights(switch)
    total = switch.offset
    for word, weight in zip(words, weights, strict=True):
        if word not in switch.words:
            raise _refused(repr(word), " or ".join(switch.words), "write one word per position")
        total += weight if word == switch.on else 0
    return checked_address(total, chain)


def picture(address: int, chain: ChainModel) -> str:
    """How the switch must stand for an address, in words.

    Raises:
        Refused: no switch in the profile, or the switch can't show this address.
    """
    return " ".join(position.word for position in positions(address, chain))


def positions(address: int, chain: ChainModel) -> tuple[Position, ...]:
    """How the switch must stand for an address, position 1 first.

    Raises:
        Refused: no switch in the profile, or the switch can't show this address.
    """
    switch = _switch(chain)
    number = checked_address(address, chain) - switch.offset
    if not 0 <= number < 1 << switch.positions:
        most = (1 << switch.positions) - 1 + switch.offset
        expected = f"an address from {switch.offset} to {most}"
        raise _refused(str(address), expected, "choose an address that the switch can show")
    off = switch.words[0] if switch.on == switch.words[1] else switch.words[1]
    return tuple(
        Position(place, switch.on if number & worth else off, bool(number & worth), worth)
        for place, worth in enumerate(_weights(switch), start=1)
    )


def one_bit_neighbours(address: int, chain: ChainModel) -> tuple[int, ...]:
    """What the switch shows with one position standing wrong, within the unit's range; position 1
    first. Raises Refused like `positions`."""
    stands = positions(address, chain)
    read = [address - p.worth if p.counts else address + p.worth for p in stands]
    return tuple(other for other in read if in_range(other, chain))


def reversed_reading(address: int, chain: ChainModel) -> int:
    """What the switch shows if its positions were set from the wrong end; perhaps outside the
    unit's range. Raises Refused like `positions`."""
    stands = positions(address, chain)
    pairs = zip(stands, reversed(stands), strict=True)
    return _switch(chain).offset + sum(here.worth for here, there in pairs if there.counts)


def inverted_reading(address: int, chain: ChainModel) -> int:
    """What the switch shows if each position was set the other way round; perhaps outside the
    unit's range. Raises Refused like `positions`."""
    stands = positions(address, chain)
    return _switch(chain).offset + sum(p.worth for p in stands if not p.counts)


def in_range(address: int, chain: ChainModel) -> bool:
    """Whether a unit may have this address."""
    return chain.addresses[0] <= address <= chain.addresses[1]


def checked_address(address: int, chain: ChainModel) -> int:
    """The address itself.

    Raises:
        Refused: outside the unit's range.
    """
    least, most = chain.addresses
    if not in_range(address, chain):
        remedy = "set the switch to an address of this range"
        raise _refused(f"address {address}", f"an address from {least} to {most}", remedy)
    return address


def _weights(switch: SwitchModel) -> tuple[int, ...]:
    ascending = tuple(1 << bit for bit in range(switch.positions))
    return ascending if switch.first == "least_significant" else ascending[::-1]


def _switch(chain: ChainModel) -> SwitchModel:
    if chain.switch is None:
        remedy = "write 'address: N' instead of 'switches'"
        raise _refused("a switch picture", "a profile that describes the switch", remedy)
    return chain.switch


def _refused(found: str, expected: str, remedy: str) -> Refused:
    return Refused((Fault("the address switch", found, expected, remedy),))
