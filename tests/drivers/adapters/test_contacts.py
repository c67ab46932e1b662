"""Channels, roles and their numbers on the wire, both ways."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.adapters.contacts import Layout, Point, Scope
from drivers.language.dialect import Dialect
from drivers.language.profile_banks import BankModel, ChainModel, Items, Numbering
from orchestrator.errors import ProtocolFault, RelayMismatch

RATING = {"ac_rms": "1 kV", "peak": "1.4 kV", "dc": "1.4 kV", "current": "1 A"}
BANKS = {
    "high": BankModel.model_validate({"channels": "1 .. 16", "rating": RATING}),
    "bond": BankModel.model_validate({"channels": "1 .. 4", "rating": RATING}),
}
NUMBERS = Numbering.model_validate(
    {
        "first": "1",
        "per_unit": "20",
        "bank_offset": {"high": "0", "bond": "16"},
        "role_offset": {"return": "200"},
    }
)
CHAIN = ChainModel.model_validate({"addresses": "0 .. 7"})
DIALECT = Dialect(words={"role": {"source": "+", "return": "-", "open": "."}})


def layout(*, numbering: Numbering | None = NUMBERS, items: Items | None = None) -> Layout:
    return Layout(BANKS, numbering=numbering, chain=CHAIN, items=items, dialect=DIALECT)


@st.composite
def routes(draw: st.DrawFn) -> frozenset[Point]:
    """Any channels of one unit, each in one role."""
    unit = draw(st.integers(0, 7))
    places = [(bank, c) for bank, size in (("high", 16), ("bond", 4)) for c in range(1, size + 1)]
    chosen = draw(st.sets(st.sampled_from(places)))
    roles = draw(st.lists(st.sampled_from(["source", "return"]), min_size=20, max_size=20))
    return frozenset(
        Point(unit, bank, channel, role)
        for (bank, channel), role in zip(sorted(chosen), roles, strict=False)
    )


@given(points=routes())
@pytest.mark.parametrize("field", ["channels", "items"])
def test_a_number_tells_channel_and_role(field: str, points: frozenset[Point]) -> None:
    """As a list or as items; what goes out is what is read back."""
    made = layout(items=Items(each="{channel:d}"))
    scope = Scope(address=next(iter(points)).address if points else 0)
    sent = made.values(scope, points)[field]
    assert made.closed(scope, {field: sent}) == points


def test_relays_of_the_return_side_bear_the_channel_s_number_and_the_offset() -> None:
    """Place 1, high bank, channel 3: 23 and 223; bond bank of place 0, channel 1: 17 and 217."""
    made = layout()
    assert made.number("high", 3, 1, "source") == 23
    assert made.number("high", 3, 1, "return") == 223
    assert made.number("bond", 1, 0, "return") == 217


def test_both_relays_of_a_channel_are_a_mismatch() -> None:
    """1 and 201."""
    with pytest.raises(RelayMismatch, match="both"):
        layout().closed(Scope(address=0), {"channels": (1, 201)})


@pytest.mark.parametrize("field", ["channels", "items"])
def test_a_closed_channel_whose_role_is_not_told_is_a_fault(field: str) -> None:
    """Never taken for a source, and never for open."""
    made = layout(numbering=None, items=Items(each="{channel:d}"))
    told = {"channels": (3,), "items": "3"}
    with pytest.raises(ProtocolFault, match="role isn't told"):
        made.closed(Scope(address=0, bank="high"), {field: told[field]})


def test_a_closed_channel_of_a_bank_with_one_role_needs_none() -> None:
    """There is but one thing that it can be."""
    sense = {"feel": BANKS["bond"].model_copy(update={"roles": (BANKS["bond"].roles[1],)})}
    made = Layout(sense, numbering=None, chain=None, items=None, dialect=DIALECT)
    assert made.closed(Scope(), {"channels": (2,)}) == {Point(None, "feel", 2, "return")}


def test_roles_in_turn_are_those_of_one_bank() -> None:
    """Every channel is told, open ones too; another number of them is a fault."""
    made = layout()
    scope = Scope(address=0, bank="bond")
    points = frozenset({Point(0, "bond", 1, "source"), Point(0, "bond", 4, "return")})
    roles = made.values(scope, points)["channel_roles"]
    assert roles == ("source", "open", "open", "return")
    assert made.closed(scope, {"channel_roles": roles}) == points
    with pytest.raises(ProtocolFault, match="3 roles for 4 channels"):
        made.closed(scope, {"channel_roles": roles[:3]})
