"""What binding needs to know of the instruments of a station."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from orchestrator.model.abilities import Abilities, MatrixAbilities
from orchestrator.model.schedule import StepOrder


class TesterPort(Protocol):
    """The part of a safety tester that is asked before anything is connected."""

    @property
    def abilities(self) -> Abilities:
        """What it can do."""
        ...

    def quantise(self, order: StepOrder) -> StepOrder:
        """The order as the wire will carry it. Pure. Raises CannotCarry."""
        ...


@dataclass(frozen=True, slots=True)
class Instruments:
    """The instruments of a station, by the names the station file gives them.

    Attributes:
        testers: by tester name.
        matrices: by chain name; a chain that a tester has built in is listed too.
        profile_hashes: profile name → SHA-256, for the record.
        addresses: chain → unit → address as the profile reads the unit's switches.
    """

    testers: Mapping[str, TesterPort]
    matrices: Mapping[str, MatrixAbilities]
    profile_hashes: Mapping[str, str] = field(default_factory=dict)
    addresses: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
