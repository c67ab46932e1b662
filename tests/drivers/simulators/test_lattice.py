"""The simulated Lattice does what profiles/lattice.md says."""

from __future__ import annotations

import pytest

from drivers.simulators.bench import Bench
from drivers.simulators.lattice import Lattice
from orchestrator.clock import VirtualClock

from .dialogue import Player, blocks, steps

UNITS = {"u1": 1, "u2": 2}


def near(found: str, told: str) -> bool:
    """CONTACTS lists its channels in no particular order."""
    ours, theirs = found.split(" "), told.split(" ")
    return ours[:3] == theirs[:3] and sorted(ours[3:]) == sorted(theirs[3:])


@pytest.fixture(params=[False, True], ids=["whole", "byte by byte"])
def player(request: pytest.FixtureRequest) -> Player:
    clock = VirtualClock()
    chain = Bench(clock).add("m", "lattice", units=UNITS)
    looks = tuple(f"{unit} CONTACTS? {bank}" for unit in (1, 2) for bank in ("hv", "hc"))
    return Player(chain, clock, (), looks, request.param, near)


def contacts(player: Player, line: str) -> set[str]:
    return set(player.ask(line)[0].split(" ")[3:])


def test_the_worked_dialogues_are_played_byte_for_byte(player: Player) -> None:
    """As printed; where a second MOVING? or CONTACTS? answers otherwise, 30 ms have passed."""
    for block in blocks("lattice"):
        before = ""
        for sent, told in steps(block):
            if sent == before or (sent.endswith("MOVING?") and told[0].endswith("no")):
                player.clock.advance(0.030)
            player.check(sent, told)
            before = sent
        player.clock.advance(0.030)


@pytest.mark.parametrize(
    ("sent", "answer"),
    [
        ("hello", "0 ERROR 10 unreadable"),
        ("01 NAME?", "0 ERROR 10 unreadable"),
        ("1  NAME?", "1 ERROR 10 unreadable"),
        ("1 " + "X" * 130, "1 ERROR 10 unreadable"),
        ("1 SET hv return=[1] source=[2]", "1 ERROR 10 unreadable"),
        ("1 SET hv source=[1;2] return=[]", "1 ERROR 10 unreadable"),
        ("1 name?", "1 ERROR 11 unknown command"),
        ("1 SET lv source=[] return=[]", "1 ERROR 12 no such bank"),
        ("1 CONTACTS? lv", "1 ERROR 12 no such bank"),
        ("1 SET hv source=[9] return=[]", "1 ERROR 13 no such channel"),
        ("1 SET hv source=[0] return=[]", "1 ERROR 13 no such channel"),
        ("1 SET hv source=[3-2] return=[]", "1 ERROR 13 no such channel"),
        ("1 SET hv source=[1,1-2] return=[]", "1 ERROR 13 no such channel"),
        ("1 SET hc source=[1,2] return=[]", "1 ERROR 14 two sources"),
        ("1 SET hv source=[1] return=[1]", "1 ERROR 15 both roles"),
        ("7 NAME?", "7 ERROR 40 no such unit"),
        ("0 NAME?", "0 ERROR 40 no such unit"),
        ("16 NAME?", "16 ERROR 40 no such unit"),
    ],
)
def test_each_refusal_has_its_number_and_changes_nothing(
    player: Player, sent: str, answer: str
) -> None:
    """Numbers and words of the prose's table."""
    player.check(sent, [answer])
    player.check("1 MOVING?", ["1 MOVING no"])


def test_a_bank_takes_exactly_the_state_it_is_given(player: Player) -> None:
    """Channels in neither list go open, other banks stay; nothing moves after 30 ms."""
    for line in ("1 SET hc source=[2] return=[3]", "1 SET hv source=[1] return=[4-6,8]"):
        player.check(line, ["1 SET OK"])
        player.clock.advance(0.030)
        player.check("1 MOVING?", ["1 MOVING no"])
    player.check("1 SET hv source=[5] return=[1]", ["1 SET OK"])
    player.clock.advance(0.030)
    assert contacts(player, "1 CONTACTS? hv") == {"5:source", "1:return"}
    assert contacts(player, "1 CONTACTS? hc") == {"2:source", "3:return"}


def test_a_set_that_changes_nothing_is_at_rest_at_once(player: Player) -> None:
    """MOVING? says no straight after it."""
    player.check("1 SET hv source=[1] return=[]", ["1 SET OK"])
    player.clock.advance(0.030)
    player.check("1 SET hv source=[1] return=[]", ["1 SET OK"])
    player.check("1 MOVING?", ["1 MOVING no"])


def test_the_contacts_themselves_are_read_back(player: Player) -> None:
    """A welded contact shows though it was told to open, also as both; a broken one is open."""
    chain = player.instrument
    assert isinstance(chain, Lattice)
    chain.relays["u1"].weld("hv", 3, "source")
    chain.relays["u1"].break_contact("hv", 1, "source")
    player.check("1 SET hv source=[1] return=[3]", ["1 SET OK"])
    player.clock.advance(0.030)
    assert contacts(player, "1 CONTACTS? hv") == {"3:both"}
    player.check("1 OPEN", ["1 OPEN OK"])
    player.clock.advance(0.030)
    assert contacts(player, "1 CONTACTS? hv") == {"3:source"}


def test_open_is_accepted_while_contacts_move(player: Player) -> None:
    """And wins: nothing closes afterwards."""
    player.check("1 SET hv source=[1] return=[]", ["1 SET OK"])
    player.check("1 OPEN", ["1 OPEN OK"])
    player.clock.advance(0.030)
    assert contacts(player, "1 CONTACTS? hv") == {"none"}


def test_contacts_stay_when_the_link_is_lost_and_open_when_power_is(player: Player) -> None:
    """Ready again one second after power came back."""
    player.check("1 SET hv source=[1] return=[]", ["1 SET OK"])
    player.clock.advance(0.030)
    player.instrument.link_lost()
    assert contacts(player, "1 CONTACTS? hv") == {"1:source"}
    player.instrument.power_cycle()
    player.check("1 NAME?", [])
    player.clock.advance(1.0)
    assert contacts(player, "1 CONTACTS? hv") == {"none"}


def test_two_units_with_one_address_damage_each_others_replies() -> None:
    """And a unit set to 0 doesn't answer at all."""
    clock = VirtualClock()
    chain = Bench(clock).add("m", "lattice", units={"a": 3, "b": 3, "c": 0})
    player = Player(chain, clock)
    assert player.ask("3 NAME?") != ["3 NAME Ostrel,Lattice,SIM-4003,2.0"]
    player.check("0 NAME?", ["0 ERROR 40 no such unit"])
