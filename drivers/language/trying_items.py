"""What a trial yields: an item for each thing that was tried, with the bytes and their meaning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from orchestrator.contract import RelayMatrix, SafetyTester, Talk
from orchestrator.errors import Position
from orchestrator.model.record import OffProof

Outcome = Literal["proved", "not proved", "failed"]
Bytes = tuple[Literal["sent", "received"], bytes]


@dataclass(frozen=True, slots=True)
class Item:
    """One thing tried.

    Attributes:
        what: 'identity', 'withstand_dc, setup 2, level in the middle' …
        position: the line of the profile. manual: what its author noted there.
        told: why it failed or isn't proved, a sentence each; empty where it is proved outright.
        parsed: field, value with unit. traffic: the bytes, in order.
    """

    what: str
    outcome: Outcome
    position: Position | None = None
    manual: str = ""
    told: tuple[str, ...] = ()
    parsed: tuple[tuple[str, str], ...] = ()
    traffic: tuple[Bytes, ...] = ()


Tell = Callable[[Item], None]


class Wire(Protocol):
    """The way to the one instrument; whoever assembles a trial owns link, clock and deadlines."""

    def ask(self, talk: Talk[Any]) -> Any:
        """Hold a conversation. Raises LinkError, InstrumentFault."""
        ...

    def stop_and_confirm(self) -> OffProof:
        """Send the stop, look until off and discharged. Raises LinkError."""
        ...

    def settle(self) -> None:
        """Read what comes late until it is quiet. Raises LinkLost."""
        ...

    def use(self, owner: SafetyTester | RelayMatrix) -> None:
        """From now on this adapter owns the link."""
        ...

    def cut(self) -> tuple[Bytes, ...]:
        """The bytes since the last cut."""
        ...


class TrialEnded(Exception):
    """Nothing more may be sent; the reason stands in the report."""
