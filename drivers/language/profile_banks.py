"""Banks of channels, their numbers on the wire, address switches; for testers that route too."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.language.profile_common import Duration, RatingModel, Template, seconds
from orchestrator.documents import Strict, WholeNumber, refuse
from orchestrator.model.words import Role

MOST_CHANNELS = 1024


def _whole_span(value: object) -> object:
    """'0 .. 31'."""
    if not isinstance(value, str):
        return value
    match = re.fullmatch(r"([0-9]{1,5}) \.\. ([0-9]{1,5})", value)
    if match is None or int(match[1]) > int(match[2]):
        remedy = "write it as '1 .. 8', the smaller number first"
        raise refuse(found=repr(value), expected="two whole numbers", remedy=remedy)
    return (int(match[1]), int(match[2]))


WholeSpan = Annotated[tuple[int, int], BeforeValidator(_whole_span)]


class SwitchModel(Strict):
    """How the address switch of a unit reads.

    Attributes:
        positions: how many. first: what position 1 counts as.
        on: the word of a position that counts; words: (counts not, counts) or the reverse.
        offset: added to the number read.
    """

    positions: Annotated[WholeNumber, Field(ge=1, le=16)]
    first: Literal["most_significant", "least_significant"]
    on: str = "up"
    words: tuple[str, str] = ("down", "up")
    offset: Annotated[WholeNumber, Field(ge=-16, le=16)] = 0

    @model_validator(mode="after")
    def _word(self) -> Self:
        if self.on not in self.words or self.words[0] == self.words[1]:
            remedy = "write words: [up, down] and on: one of the two"
            raise refuse(found=f"on: {self.on!r}", expected="one of two words", remedy=remedy)
        return self


class ChainModel(Strict):
    """Addresses of the units: their range, and how the switch shows them."""

    addresses: WholeSpan
    switch: SwitchModel | None = None


class BankModel(Strict):
    """A bank: channels as the user counts them, roles, rating, limits of what may be closed."""

    channels: WholeSpan
    roles: tuple[Role, ...] = (Role.SOURCE, Role.RETURN)
    rating: RatingModel
    contact: str = "relay"
    most_source: Annotated[WholeNumber, Field(ge=1)] | None = None
    most_closed: Annotated[WholeNumber, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _size(self) -> Self:
        if self.channels[1] - self.channels[0] >= MOST_CHANNELS:
            found = f"{self.channels[1] - self.channels[0] + 1} channels"
            remedy = "check the numbers"
            raise refuse(found=found, expected=f"at most {MOST_CHANNELS}", remedy=remedy)
        return self


class Numbering(Strict):
    """Numbers of channels on the wire.

    wire = first + (channel - lowest channel of the bank) + bank_offset + role_offset
    + per_unit · (address - lowest address). Left out: channels go out as the user counts them.
    With a `role_offset` (one relay per channel and role) a number tells the role too.
    """

    first: Annotated[WholeNumber, Field(ge=0, le=65535)] = 0
    per_unit: Annotated[WholeNumber, Field(ge=0, le=65535)] = 0
    bank_offset: dict[str, Annotated[WholeNumber, Field(ge=0, le=65535)]] = Field(
        default_factory=dict
    )
    role_offset: dict[Role, Annotated[WholeNumber, Field(ge=0, le=65535)]] = Field(
        default_factory=dict
    )


class Items(Strict):
    """A list of items, one for each closed channel: the field ``{items}``.

    Attributes:
        each: template of one item. separator: between items. before: ahead of the first, only
            if there is one. empty: what stands there when no channel is closed.
    """

    each: Template
    separator: str = ","
    before: str = ""
    empty: str = ""


class Routing(Strict):
    """A tester that routes within its own step set-up: banks as for a matrix."""

    chain: ChainModel | None = None
    banks: Annotated[dict[str, BankModel], Field(min_length=1)]
    numbering: Numbering | None = None
    items: Items | None = None
    settle: Duration = seconds("0 s")
