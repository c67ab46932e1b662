"""Chains of relay units, on the simulated ones and on a dialect of lists."""

from __future__ import annotations

import pytest

from drivers.adapters.carried import CarriedMatrix, Carrier
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_matrix, load_tester
from drivers.simulators.bench import Bench
from orchestrator.clock import VirtualClock
from orchestrator.contract import RelayMatrix
from orchestrator.errors import (
    InstrumentFault,
    InstrumentRefused,
    ProtocolFault,
    Refused,
    RelayMismatch,
    TimedOut,
    WrongInstrument,
)
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.words import Role

from .pump import Answers, Fake, Pump
from .texts import LISTS, matrix_of

UNITS = {"comb": {"u1": 5, "u2": 17}, "lattice": {"u1": 1, "u2": 2}}
BANKS = {"comb": ("high", "bond"), "lattice": ("hv", "hc")}


def contact(unit: str, bank: str, channel: int, role: str, chain: str = "M") -> Contact:
    return Contact(chain, unit, bank, channel, Role(role))


def chain_of(kind: str) -> tuple[RelayMatrix, Pump, Bench]:
    clock = VirtualClock()
    bench = Bench(clock)
    instrument = bench.add("M", kind, units=UNITS[kind])
    matrix: RelayMatrix = ProfileMatrix(load_matrix(kind), "M", UNITS[kind])
    return matrix, Pump(instrument, clock), bench


@pytest.mark.parametrize("kind", ["comb", "lattice"])
def test_a_route_is_applied_and_read_back_as_a_set(kind: str) -> None:
    """Whatever order the answer comes in, and over two units."""
    matrix, pump, _ = chain_of(kind)
    high, bond = BANKS[kind]
    wide = Route(
        frozenset(
            {
                contact("u1", high, 1, "source"),
                *(contact("u1", high, n, "return") for n in (4, 5, 6)),
                contact("u2", high, 2, "return"),
            }
        )
    )
    pump.run(matrix.open_all())
    pump.run(matrix.apply(wide))
    assert pump.run(matrix.read_back()) == wide.contacts
    other = Route(frozenset({contact("u1", bond, 1, "source"), contact("u2", bond, 3, "return")}))
    pump.run(matrix.apply(other))
    assert pump.run(matrix.read_back()) == other.contacts


@pytest.mark.parametrize("kind", ["comb", "lattice"])
def test_open_all_opens_every_unit(kind: str) -> None:
    """Nothing is closed afterwards."""
    matrix, pump, bench = chain_of(kind)
    pump.run(matrix.apply(Route(frozenset({contact("u2", BANKS[kind][0], 8, "source")}))))
    assert bench.state().closed
    pump.run(matrix.open_all())
    assert pump.run(matrix.read_back()) == frozenset()
    assert not bench.state().closed


@pytest.mark.parametrize("kind", ["comb", "lattice"])
def test_every_unit_is_identified_by_its_own_address(kind: str) -> None:
    """Two units, two serial numbers, both simulations."""
    matrix, pump, _ = chain_of(kind)
    found = pump.run(matrix.identify())
    assert found["u1"].serial != found["u2"].serial
    assert all(identity.simulated for identity in found.values())


def test_a_unit_that_isnt_there_is_named() -> None:
    """Address 9 keeps silent on the line."""
    clock = VirtualClock()
    bench = Bench(clock)
    instrument = bench.add("M", "comb", units={"u1": 5})
    matrix = ProfileMatrix(load_matrix("comb"), "M", {"u1": 5, "far": 9})
    with pytest.raises(TimedOut, match=r"far \(9\)"):
        Pump(instrument, clock).run(matrix.identify())


def test_a_refusal_names_its_reason() -> None:
    """Two source channels in a bank that takes one."""
    matrix, pump, _ = chain_of("lattice")
    route = Route(frozenset({contact("u1", "hc", n, "source") for n in (1, 2)}))
    with pytest.raises(InstrumentRefused, match=r"two sources"):
        pump.run(matrix.apply(route))


# ---- a dialect by rote ------------------------------------------------------------------------


def by_rote(said: dict[bytes, bytes]) -> tuple[ProfileMatrix, Pump, Fake]:
    clock = VirtualClock()

    def answers(message: bytes) -> Answers:
        if message in said:
            return [said[message] + b"\n"]
        if message.startswith((b"open", b"close")):
            return [b"ok\n"]
        return [b"0\n"] if message == b"moving" else []

    fake = Fake(clock, answers)
    return matrix_of(LISTS, {"a": 1, "b": 2}), Pump(fake, clock), fake


def orders(fake: Fake) -> list[bytes]:
    return [m for m in fake.messages if m.startswith((b"open", b"close"))]


def test_where_single_channels_are_moved_everything_unwanted_opens_before_anything_closes() -> None:
    """Break before make: what stays closed isn't touched."""
    said = {b"look 1": b"+1001,1002 -", b"look 2": b"+ -2501"}
    matrix, pump, fake = by_rote(said)
    wanted = {contact("a", "hv", 1, "source"), contact("b", "aux", 2, "return")}
    pump.run(matrix.apply(Route(frozenset(wanted))))
    assert orders(fake) == [b"open 1002,2501", b"close - 2502"]
    assert fake.messages.index(b"moving") < fake.messages.index(b"close - 2502")


def test_long_lists_are_cut_into_messages_of_the_size_that_the_unit_takes() -> None:
    """Seven channels, three to a message."""
    matrix, pump, fake = by_rote({b"look 1": b"+ -", b"look 2": b"+ -"})
    wanted = {contact("a", "hv", n, "return") for n in range(1, 8)}
    pump.run(matrix.apply(Route(frozenset(wanted))))
    assert orders(fake) == [
        b"close - 1001,1002,1003",
        b"close - 1004,1005,1006",
        b"close - 1007",
    ]


def test_absolute_numbers_are_read_back_into_unit_bank_and_channel() -> None:
    """2503 is channel 3 of bank aux of the second unit."""
    matrix, pump, _ = by_rote({b"look 1": b"+ -1020", b"look 2": b"+2503 -"})
    assert pump.run(matrix.read_back()) == {
        contact("a", "hv", 20, "return"),
        contact("b", "aux", 3, "source"),
    }


def test_a_number_of_no_channel_is_a_protocol_fault() -> None:
    """2511 lies behind the last channel of the bank."""
    matrix, pump, _ = by_rote({b"look 1": b"+ -", b"look 2": b"+2511 -"})
    with pytest.raises(ProtocolFault, match="2511"):
        pump.run(matrix.read_back())


def test_a_channel_on_both_sides_is_a_mismatch_that_names_it() -> None:
    """Welded: it stands in both lists."""
    matrix, pump, _ = by_rote({b"look 1": b"+1004 -1004", b"look 2": b"+ -"})
    with pytest.raises(RelayMismatch, match=r"unit a.*hv.*channel 4.*both"):
        pump.run(matrix.read_back())


@pytest.mark.parametrize("word", ["both", "unsure", "loose"])
def test_a_contact_in_no_clear_state_is_a_mismatch_that_names_channel_and_word(word: str) -> None:
    """Words for welded or contradictory contacts, and words that nobody knows."""
    clock = VirtualClock()
    fake = Fake(clock, lambda m: [b"1 CONTACTS " + m.split()[2] + f" 3:{word}\n".encode()])
    matrix = ProfileMatrix(load_matrix("lattice"), "M", {"a": 1})
    with pytest.raises(RelayMismatch, match="channel 3"):
        Pump(fake, clock).run(matrix.read_back())


def test_an_answer_of_a_wrong_unit_is_not_taken() -> None:
    """Unit 2 answers what unit 1 was asked."""
    clock = VirtualClock()
    fake = Fake(clock, lambda m: [b"2 CONTACTS " + m.split()[2] + b" none\n"])
    matrix = ProfileMatrix(load_matrix("lattice"), "M", {"a": 1})
    with pytest.raises(WrongInstrument, match="unit 2 answers"):
        Pump(fake, clock).run(matrix.read_back())


# ---- carried ----------------------------------------------------------------------------------


def carried() -> tuple[RelayMatrix, Pump, Bench]:
    clock = VirtualClock()
    bench = Bench(clock)
    stave = bench.add("T", "stave")
    bench.add("M", "sprig", units=("u1",), carrier="T")
    tester = ProfileTester(load_tester("stave"), "T")
    inner = ProfileMatrix(load_matrix("sprig"), "M", {"u1": None})
    return CarriedMatrix(inner, tester), Pump(stave, clock), bench


def test_a_carried_matrix_is_driven_through_the_testers_own_link() -> None:
    """Every message on the wire is the tester's, with its checksum."""
    matrix, pump, _ = carried()
    route = Route(
        frozenset({contact("u1", "heavy", 1, "source"), contact("u1", "heavy", 4, "return")})
    )
    pump.run(matrix.resync())
    pump.run(matrix.apply(route))
    assert pump.run(matrix.read_back()) == route.contacts
    # The line of sprig.md, section 5, with the checksum printed there.
    assert b"CARRY 1,do=put,bank=heavy,c01=source,c04=return;17\n" in pump.sent
    assert pump.run(matrix.identify())["u1"].model == "Sprig"


def test_the_carriers_word_for_no_answer_is_a_time_out_of_the_carried_unit() -> None:
    """Nothing is plugged in."""
    clock = VirtualClock()
    bench = Bench(clock)
    stave = bench.add("T", "stave")
    tester = ProfileTester(load_tester("stave"), "T")
    inner = ProfileMatrix(load_matrix("sprig"), "M", {"u1": None})
    with pytest.raises(TimedOut, match="chain M"):
        Pump(stave, clock).run(CarriedMatrix(inner, tester).identify())


def test_a_tester_that_carries_nothing_is_refused_as_a_carrier() -> None:
    """The profile has no block for it."""
    with pytest.raises(Refused, match="carry"):
        Carrier(ProfileTester(load_tester("pell"), "T"))


# ---- units that don't come to rest --------------------------------------------------------------


def lattice_by_rote(answer: bytes) -> tuple[ProfileMatrix, Pump, Fake]:
    clock = VirtualClock()

    def answers(message: bytes) -> Answers:
        if message.endswith(b"MOVING?"):
            return [b"1 MOVING yes\n" if answer == b"SET OK" else b"1 MOVING no\n"]
        return [b"1 " + answer + b"\n"]

    fake = Fake(clock, answers)
    return ProfileMatrix(load_matrix("lattice"), "M", {"a": 1}), Pump(fake, clock), fake


def test_relays_that_never_come_to_rest_are_a_fault_of_the_instrument() -> None:
    """The answer stays 'yes': after the time allowed it is given up."""
    matrix, pump, _ = lattice_by_rote(b"SET OK")
    with pytest.raises(InstrumentFault, match="unit a: relays don't come to rest"):
        pump.run(matrix.apply(Route()))


def test_a_command_refused_while_relays_move_is_sent_again_and_given_up_in_the_end() -> None:
    """'Moving' for ever: the same command several times, then the refusal."""
    matrix, pump, fake = lattice_by_rote(b"ERROR 21 moving")
    with pytest.raises(InstrumentRefused, match="busy"):
        pump.run(matrix.apply(Route()))
    assert fake.messages.count(b"1 SET hv source=[] return=[]") > 2
