"""The address switch of a type of unit, for those who know no profile: readings and mistakes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from drivers.language.profile import load_profile
from drivers.language.profile_banks import ChainModel
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.switches import (
    Position,
    address_of,
    inverted_reading,
    one_bit_neighbours,
    positions,
    reversed_reading,
)
from orchestrator.errors import Fault, Refused

ONE_POSITION, REVERSED, INVERTED, OTHER = "one position", "reversed", "inverted", "other"
KINDS = (ONE_POSITION, REVERSED, INVERTED, OTHER)
"""Ways to set a switch wrong, the likeliest first (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """An address that a wrongly set switch shows, and the ways that lead there, likeliest first."""

    address: int
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SwitchReport:
    """The addresses of one type of unit and the switch that shows them.

    Attributes:
        profile: name of the instrument. least, most: its addresses.
    """

    profile: str
    chain: ChainModel

    @property
    def least(self) -> int:
        """The lowest address."""
        return self.chain.addresses[0]

    @property
    def most(self) -> int:
        """The highest address."""
        return self.chain.addresses[1]

    @property
    def offset(self) -> int:
        """What is added to the number that the positions show."""
        return 0 if self.chain.switch is None else self.chain.switch.offset

    @property
    def on(self) -> str:
        """The word of a position that counts."""
        return "" if self.chain.switch is None else self.chain.switch.on

    def stands(self, address: int) -> tuple[Position, ...]:
        """How the switch must stand, position 1 first.

        Raises:
            Refused: outside the range, or the profile describes no switch.
        """
        self._needs_switch()
        return positions(address, self.chain)

    def read(self, switches: str) -> int:
        """The address that 'up up down' shows, position 1 first. Raises Refused."""
        self._needs_switch()
        return address_of(switches, self.chain)

    def mistakes(self, address: int) -> tuple[Mistake, ...]:
        """Every other address of the range, the likeliest first."""
        kinds: dict[int, list[str]] = {}
        for other, kind in self._likely(address):
            if self.least <= other <= self.most and other != address:
                kinds.setdefault(other, []).append(kind)
        rest = (a for a in range(self.least, self.most + 1) if a != address and a not in kinds)
        return (
            *(Mistake(other, tuple(found)) for other, found in kinds.items()),
            *(Mistake(other, (OTHER,)) for other in rest),
        )

    def _likely(self, address: int) -> tuple[tuple[int, str], ...]:
        try:
            near = one_bit_neighbours(address, self.chain)
        except Refused:
            return ()  # no switch, or one that can't show this address: nothing is likelier
        return (
            *((other, ONE_POSITION) for other in near),
            (reversed_reading(address, self.chain), REVERSED),
            (inverted_reading(address, self.chain), INVERTED),
        )

    def _needs_switch(self) -> None:
        if self.chain.switch is None:
            found = f"profile {self.profile!r}, which describes no switch"
            remedy = "read in the manual how its units get their address"
            raise Refused([Fault("the address switch", found, "a block 'switch'", remedy)])


def switches_of(profile: str | Path, beside: Path | None = None) -> SwitchReport:
    """The switch that a profile describes (entry point 'switches' of group 'ohmward.checkers').

    Raises:
        Refused: no such profile, its faults, or units without addresses.
    """
    model = load_profile(profile, beside).model
    if isinstance(model, MatrixProfile):
        chain = model.chain
    else:
        chain = None if model.routing is None else model.routing.chain
    if chain is None:
        expected, remedy = "units with addresses", "name the profile of a relay matrix in a chain"
        raise Refused([Fault("the address switch", f"profile {model.name!r}", expected, remedy)])
    return SwitchReport(model.name, chain)
