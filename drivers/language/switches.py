"""Address switches of relay units: from a picture to a number and back."""

from __future__ import annotations

from drivers.language.profile_banks import ChainModel, SwitchModel
from orchestrator.errors import Fault, Refused
from orchestrator.fault_words import counted


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
    """How the switch must stand for an address.

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
    return " ".join(switch.on if number & weight else off for weight in _weights(switch))


def checked_address(address: int, chain: ChainModel) -> int:
    """The address itself.

    Raises:
        Refused: outside the unit's range.
    """
    least, most = chain.addresses
    if not least <= address <= most:
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
