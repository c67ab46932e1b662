"""Rules on routes: what of a step's points, leads and channels can't be switched."""

from __future__ import annotations

from dataclasses import replace

import pytest

from orchestrator.binding.bind import bind
from orchestrator.binding.context import Context, Task, candidate
from orchestrator.binding.routes import find_route
from orchestrator.binding.wiring import Channel, wire
from orchestrator.model.words import Role, StepKind
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    MATRIX,
    Bench,
    Data,
    bank_with,
    changed,
    kind_with,
)

UNPROVED = {"prove_contact": None, "unproved_contact": "contact isn't the subject here"}


def refusal(bench: Bench, part: str) -> str:
    """The only fault, which must hold a text; no place is left out."""
    fault = bench.only_fault()
    assert part in str(fault)
    assert fault.position is not None
    return str(fault)


def test_an_unknown_point_is_refused() -> None:
    """Issue part 7: unknown point."""
    step = changed(HIPOT, against=["erth"], **UNPROVED)
    refusal(Bench().steps(BOND, step), "did you mean 'earth'?")


def test_a_position_that_the_station_lacks_is_refused_in_the_fixture() -> None:
    """Issue part 7: unwired point; the fixture's line is named."""
    bench = Bench()
    bench.fixture["points"]["live"] = "hv33"
    assert refusal(bench, "position 'hv33'").startswith("fixture.yaml:")


def test_a_point_without_a_lead_on_the_terminal_is_refused() -> None:
    """Issue part 7: unwired point; neutral has no high-current lead."""
    step = changed(BOND, against=["neutral"])
    faults = Bench().steps(step).faults()
    assert any("'neutral' at hv4" in str(fault) for fault in faults)


def test_source_and_return_on_one_point_are_refused() -> None:
    """Issue part 7; common practice 13 (no source): never both poles on one point."""
    step = changed(HIPOT, against=["earth", "live"], **UNPROVED)
    refusal(Bench().steps(BOND, step), "'live' in apply_to and in against")


def test_a_point_named_twice_on_a_side_is_refused() -> None:
    """A name twice is a slip: another point was meant."""
    step = changed(HIPOT, apply_to=["live", "live"], **UNPROVED)
    refusal(Bench().steps(BOND, step), "'live' twice in apply_to")


def test_two_channels_in_one_role_on_one_point_are_refused() -> None:
    """Issue part 7: two channels closed in one role on one point at once."""
    bench = Bench()
    bench.fixture["points"]["live"] = ["hv3", "hv6"]
    told = [str(fault) for fault in bench.faults()]
    assert all("'live' reaching t1.output through hv3, hv6" in text for text in told)


def test_an_empty_return_side_is_refused() -> None:
    """Issue part 7: empty side."""
    refusal(Bench().steps(BOND, changed(HIPOT, against=None, **UNPROVED)), "return side")


def test_others_against_may_be_the_whole_return_side() -> None:
    """With `others: against` no `against` is needed."""
    step = changed(HIPOT, against=None, others="against", **UNPROVED)
    assert Bench().steps(BOND, step).bind().steps[1].against == ()


def test_others_against_needs_every_point_to_be_reached() -> None:
    """A point that can't be put to return would float unseen."""
    bench = Bench()
    bench.station["positions"]["lone"] = "t1.hc_out"
    bench.fixture["points"]["lone"] = "lone"
    step = changed(HIPOT, others="against", **UNPROVED)
    assert any("'lone' at lone" in str(f) for f in bench.steps(BOND, step).faults())


def test_several_source_channels_for_bonding_are_refused_where_the_profile_says_so() -> None:
    """Issue part 7: more than one source channel for a bonding step."""
    bench = Bench().tester(kind_with(StepKind.BONDING, one_source_channel=True))
    bench.fixture["points"]["rail"] = {"source": ["hc6"], "sense": "sense6"}
    step = changed(BOND, apply_to=["cover", "rail"])
    told = "\n".join(map(str, bench.steps(step).faults()))
    assert "one source channel for bonding" in told
    assert "one point on each side" in told  # four-wire, too


def test_a_missing_sense_lead_is_refused_where_the_tester_needs_four_wires() -> None:
    """Bonding on four wires without the sense lead would read anything."""
    bench = Bench()
    del bench.fixture["points"]["cover"]["sense"]
    refusal(bench, "'cover' with 0 sense leads on t1.sense_hi")


def test_no_more_contacts_of_a_bank_are_closed_than_it_may_have() -> None:
    """The profile's `most_closed` of a bank."""
    bench = Bench()
    bench.matrix = bank_with("hv", most_closed=2)
    step = changed(HIPOT, against=["earth", "neutral"], **UNPROVED)
    refusal(bench.steps(BOND, step), "3 channels of relays/u1/hv closed at once")


STRAIGHT: dict[str, tuple[Data, str]] = {
    "open, but on source": ({}, "'frame' wired straight to t1.output"),
    "on the other side": ({"against": ["earth", "frame"]}, "'frame' wired straight to t1.output"),
}


@pytest.mark.parametrize("case", STRAIGHT)
def test_a_point_without_a_contact_stands_where_it_is_wired(case: str) -> None:
    """A lead straight on a terminal is always connected: never open, never on the other side."""
    changes, part = STRAIGHT[case]
    bench = Bench()
    bench.station["positions"]["hot"] = "t1.output"
    bench.fixture["points"]["frame"] = "hot"
    step = changed(HIPOT, **UNPROVED, **changes)
    assert any(part in str(fault) for fault in bench.steps(BOND, step).faults())


def test_a_point_straight_on_return_needs_no_contact() -> None:
    """Where the terminal is the one needed, no contact is closed for the point."""
    bench = Bench()
    bench.station["positions"]["ground"] = "t1.return"
    bench.fixture["points"]["earth"] = {"source": ["ground", "hc1"], "sense": "sense1"}
    hipot = bench.bind().steps[2]
    assert {c.channel for c in hipot.route.contacts} == {3}


def test_points_joined_by_an_idle_terminal_cannot_be_opposed() -> None:
    """Two leads straight on one idle terminal join their points."""
    bench = Bench()
    bench.station["positions"] |= {"x": "t1.sense_hi", "y": "t1.sense_hi"}
    bench.fixture["points"]["live"] = ["hv3", "x"]
    bench.fixture["points"]["neutral"] = ["hv4", "y"]
    step = changed(HIPOT, against=["neutral"], **UNPROVED)
    told = "\n".join(map(str, bench.steps(BOND, step).faults()))
    assert "no lead without a contact between the sides" in told


def test_continuity_through_the_bonding_route_uses_the_bonding_function() -> None:
    """It drives through the high-current leads, so the bonding function has to do it."""
    step = changed(CONTACT, apply_to=["cover"], level="5 A", route="bonding")
    step["accept"] = {"resistance": {"at_most": "1 ohm"}}
    bound = Bench().steps(step).bind().steps[0]
    assert bound.kind is StepKind.CONTINUITY
    assert bound.order.kind is StepKind.BONDING
    assert {c.bank for c in bound.route.contacts} == {"hc", "sense"}


def test_a_channel_in_two_roles_is_refused() -> None:
    """Issue part 7: source and return on one channel, should station and fixture let it pass."""
    bench = Bench()
    bench.station["positions"]["twin"] = "relays/u1/hv/3"
    bench.fixture["points"]["neutral"] = "twin"
    step = changed(HIPOT, against=["neutral"], **UNPROVED)
    program, fixture, station = bench.steps(BOND, step).documents()
    wiring = wire(station.model, fixture.model, bench.instruments)
    context = Context(program, fixture, station, bench.instruments, wiring)
    chosen = candidate(Task(context, 1, program.model.steps[1]), "t1")
    assert chosen is not None
    told = [str(fault) for fault in find_route(chosen).faults]
    assert any("relays/u1/hv/3 as return and source" in text for text in told)


def test_a_role_that_a_bank_lacks_is_never_used() -> None:
    """A bank that only sources can't bring a point to return."""
    bench = Bench()
    hv = replace(MATRIX.banks["hv"], roles=frozenset({Role.SOURCE}))
    bench.matrix = replace(MATRIX, banks={**MATRIX.banks, "hv": hv})
    told = "\n".join(map(str, bench.faults()))
    assert "return fed, expected roles the bank has: source" in told
    assert "against 'earth' at hv1" in told


# ---- channels that take turns -------------------------------------------------------------------


def two_ways(*, turns: bool = True) -> Bench:
    bench = Bench()
    bench.fixture["points"]["live"] = {
        "source": ["hv3", "hv6"],
        "take_turns": "yes" if turns else "no",
    }
    return bench


def used(bench: Bench, closings: dict[int, int]) -> set[int]:
    """High-voltage channels of 'live' in all steps, after so many closings of each channel."""
    wear = {Channel("relays", "u1", "hv", number): count for number, count in closings.items()}
    bound = bind(*bench.documents(), bench.instruments, wear)
    closed = {c.channel for step in bound.steps for c in step.route.contacts if c.bank == "hv"}
    return closed & {3, 6}


@pytest.mark.parametrize(
    ("closings", "channel"),
    [({}, 3), ({3: 5, 6: 5}, 3), ({3: 6, 6: 5}, 6), ({3: 5}, 6), ({6: 1}, 3)],
)
def test_the_channel_that_has_closed_least_often_serves(
    closings: dict[int, int], channel: int
) -> None:
    """The same one in every step of the program: contact is proved through the lead in use."""
    assert used(two_ways(), closings) == {channel}


def test_two_ways_that_do_not_take_turns_are_refused() -> None:
    """It may be a slip; the remedy names both ways out."""
    told = refusal(
        two_ways(turns=False).steps(CONTACT), "'live' reaching t1.output through hv3, hv6"
    )
    assert "take_turns: yes" in told
