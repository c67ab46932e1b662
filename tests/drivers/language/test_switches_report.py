"""Address switches: every way a switch may be printed, read and set wrong."""

from __future__ import annotations

from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.profile_banks import ChainModel, SwitchModel
from drivers.language.switches import address_of, picture, positions
from drivers.language.switches_report import (
    INVERTED,
    KINDS,
    ONE_POSITION,
    OTHER,
    REVERSED,
    SwitchReport,
    switches_of,
)
from orchestrator.assembly.plugins import plugin
from orchestrator.assembly.probing_findings import WAYS
from orchestrator.errors import Refused

ORDERS: tuple[Literal["most_significant", "least_significant"], ...] = (
    "most_significant",
    "least_significant",
)


def report(
    count: int,
    first: Literal["most_significant", "least_significant"],
    on: str,
    offset: int,
) -> SwitchReport:
    """A switch of this kind, with the whole range it can show at or above 0."""
    switch = SwitchModel(positions=count, first=first, on=on, words=("down", "up"), offset=offset)
    span = f"{max(offset, 0)} .. {offset + (1 << count) - 1}"
    return SwitchReport(
        "invented", ChainModel.model_validate({"addresses": span, "switch": switch})
    )


@pytest.mark.parametrize("first", ORDERS)
@pytest.mark.parametrize("on", ["up", "down"])
@pytest.mark.parametrize("offset", [-3, -1, 0, 1, 16])
@pytest.mark.parametrize("count", [2, 4, 6])
def test_every_address_of_the_range_comes_back_from_its_picture(
    first: Literal["most_significant", "least_significant"], on: str, offset: int, count: int
) -> None:
    """All addresses of all orders, polarities and offsets; no two share a picture."""
    switch = report(count, first, on, offset)
    seen = set()
    for address in range(switch.least, switch.most + 1):
        shown = picture(address, switch.chain)
        seen.add(shown)
        assert address_of(shown, switch.chain) == address
        stands = switch.stands(address)
        assert address == switch.offset + sum(p.worth for p in stands if p.counts)
        assert [p.number for p in stands] == list(range(1, count + 1))
        assert all((p.word == on) == p.counts for p in stands)
    assert len(seen) == switch.most - switch.least + 1


def words_of(number: int, count: int, first: str, on: str) -> list[str]:
    """A picture made by the schoolbook: binary digits, most significant first."""
    digits = f"{number:0{count}b}"
    off = {"up": "down", "down": "up"}[on]
    told = [on if digit == "1" else off for digit in digits]
    return told if first == "most_significant" else told[::-1]


@given(
    count=st.integers(2, 8),
    first=st.sampled_from(ORDERS),
    on=st.sampled_from(["up", "down"]),
    offset=st.integers(-3, 16),
    data=st.data(),
)
def test_mistakes_are_the_pictures_with_one_word_changed_reversed_or_inverted(
    count: int,
    first: Literal["most_significant", "least_significant"],
    on: str,
    offset: int,
    data: st.DataObject,
) -> None:
    """Positional notation to base 2, set up here from the written digits, apart from the code."""
    switch = report(count, first, on, offset)
    address = data.draw(st.integers(switch.least, switch.most))
    must = words_of(address - offset, count, first, on)
    found = {mistake.address: mistake.kinds for mistake in switch.mistakes(address)}
    assert set(found) == set(range(switch.least, switch.most + 1)) - {address}
    other_word = {"up": "down", "down": "up"}
    for other, kinds in found.items():
        stands = words_of(other - offset, count, first, on)
        wrong = sum(a != b for a, b in zip(must, stands, strict=True))
        assert (ONE_POSITION in kinds) == (wrong == 1)
        assert (REVERSED in kinds) == (stands == must[::-1])
        assert (INVERTED in kinds) == (stands == [other_word[word] for word in must])
        assert (OTHER in kinds) == (len(set(kinds) - {OTHER}) == 0)


@given(
    count=st.integers(1, 8),
    first=st.sampled_from(ORDERS),
    on=st.sampled_from(["up", "down"]),
    data=st.data(),
)
def test_mistakes_come_with_the_likeliest_first(
    count: int,
    first: Literal["most_significant", "least_significant"],
    on: str,
    data: st.DataObject,
) -> None:
    """One position, then the wrong end, then all inverted, then the rest."""
    switch = report(count, first, on, 0)
    address = data.draw(st.integers(switch.least, switch.most))
    ranks = [KINDS.index(mistake.kinds[0]) for mistake in switch.mistakes(address)]
    assert ranks == sorted(ranks)


def test_who_reads_the_kinds_knows_the_same_words() -> None:
    """The probe's words for the ways are those of the report, in the same order."""
    assert WAYS == KINDS


def test_a_shipped_profile_is_reached_through_its_entry_point() -> None:
    """Comb: five positions, most significant first, 'down' counts (its prose, section 1)."""
    switch = plugin("ohmward.checkers", "switches")("comb")
    assert [p.word for p in switch.stands(5)] == ["up", "up", "down", "up", "down"]
    assert switch.read("up up down down down") == 7
    assert (switch.least, switch.most) == (0, 31)


def test_a_profile_without_addresses_is_refused() -> None:
    """Nothing could be drawn."""
    with pytest.raises(Refused, match="units with addresses"):
        switches_of("sprig")


def test_without_a_described_switch_every_other_address_is_as_likely() -> None:
    """And drawing is refused with a remedy."""
    switch = SwitchReport("invented", ChainModel.model_validate({"addresses": "1 .. 4"}))
    assert [m.address for m in switch.mistakes(2)] == [1, 3, 4]
    assert {m.kinds for m in switch.mistakes(2)} == {(OTHER,)}
    with pytest.raises(Refused, match="describes no switch"):
        switch.stands(2)


def test_an_address_that_the_switch_cannot_show_has_no_likely_mistakes() -> None:
    """The range may be larger than the switch."""
    small = SwitchModel(positions=2, first="least_significant")
    chain = ChainModel.model_validate({"addresses": "0 .. 7", "switch": small})
    assert {m.kinds for m in SwitchReport("invented", chain).mistakes(6)} == {(OTHER,)}
    with pytest.raises(Refused, match="from 0 to 3"):
        positions(6, chain)
