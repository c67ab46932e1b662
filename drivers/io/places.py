"""The inputs and outputs that a block hands out; they only pass on to it."""

from __future__ import annotations

from typing import Protocol

from orchestrator.contract import Sample


class Served(Protocol):
    """What a block offers its own inputs and outputs. Nothing here raises or waits."""

    def sample(self, name: str) -> Sample:
        """The input now."""
        ...

    def refresh(self, number: int, on: bool) -> None:
        """Order an output."""
        ...

    def drop(self, number: int) -> None:
        """Off at once."""
        ...

    def seen(self, number: int) -> bool | None:
        """The output as the block reports it."""
        ...

    def problem(self, number: int, now_s: float) -> str | None:
        """Why it can't be relied on."""
        ...


class IoContact:
    """One interlock input of a block; satisfies the port ``InputBlock``."""

    def __init__(self, name: str, block: Served, *, real: bool) -> None:
        self.name = name
        self.real = real
        self._block = block

    def sample(self) -> Sample:
        return self._block.sample(self.name)


class IoOutput:
    """One output of a block; satisfies the port ``OutputBlock``."""

    def __init__(self, name: str, number: int, block: Served, *, real: bool) -> None:
        self.name = name
        self.number = number
        self.real = real
        self._block = block

    def refresh(self, on: bool) -> None:
        self._block.refresh(self.number, on)

    def drop(self) -> None:
        self._block.drop(self.number)

    def seen(self) -> bool | None:
        return self._block.seen(self.number)

    def problem(self, now_s: float) -> str | None:
        return self._block.problem(self.number, now_s)
