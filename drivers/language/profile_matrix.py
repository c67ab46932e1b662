"""The profile of a relay matrix: one type of unit, one or several of them in a chain."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.language.profile_banks import BankModel, ChainModel, Items, Numbering
from drivers.language.profile_common import (
    CommonProfile,
    Duration,
    Exchange,
    Exchanges,
    Identify,
    one_or_more,
    seconds,
)
from orchestrator.documents import WholeNumber, refuse
from orchestrator.model.words import ReadBackProof


class ListCommand(Exchange):
    """Closes or opens some channels. ``at_most``: channels in one message, longer lists are cut."""

    at_most: Annotated[WholeNumber, Field(ge=1, le=4096)] | None = None


ListCommands = Annotated[tuple[ListCommand, ...], BeforeValidator(one_or_more)]


class MatrixProfile(CommonProfile):
    """A whole matrix: abilities and command set.

    Attributes:
        apply: brings a bank (or unit) to exactly the wanted state; or else
        close, open: close or open some channels, others stay; opened before anything closes.
        moving: field ``{moving}``; polled until off, for at most `settle_within`.
        look: what is closed. read_back: what that is read from.
        settle: time until every contact is at rest.
        retry_within: how long a command that is answered 'busy' is sent again.
    """

    kind: Literal["matrix"]
    chain: ChainModel | None = None
    banks: Annotated[dict[str, BankModel], Field(min_length=1)]
    numbering: Numbering | None = None
    items: Items | None = None
    identify: Identify
    apply: Exchanges = ()
    close: ListCommands = ()
    open: ListCommands = ()
    open_all: Annotated[Exchanges, Field(min_length=1)]
    moving: Exchange | None = None
    look: Exchange | None = None
    read_back: ReadBackProof | None = None
    settle: Duration
    settle_within: Duration = seconds("1 s")
    retry_within: Duration = seconds("1 s")
    resync: Exchange | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if bool(self.apply) == bool(self.close or self.open) or bool(self.close) != bool(self.open):
            remedy = "write apply: (the whole state of a bank), or close: and open:"
            found = "none or several of apply, close with open"
            raise refuse(found=found, expected="one way to move relays", remedy=remedy)
        if (self.look is None) != (self.read_back is None):
            remedy = "write look: {…} and read_back: commanded, coil or contact"
            found = "look without read_back, or the reverse"
            raise refuse(found=found, expected="both or neither", remedy=remedy)
        return self
