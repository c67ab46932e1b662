"""The simulated Tarrowmere Sprig does what profiles/sprig.md says, alone and through a Stave."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.simulators import faults
from drivers.simulators.bench import Bench
from drivers.simulators.sprig import Sprig
from drivers.simulators.stave import Stave
from drivers.simulators.stave_wire import line as stave_line
from orchestrator.clock import VirtualClock

PROSE = Path(__file__).resolve().parents[3] / "profiles" / "sprig.md"
AT_REST_S = 0.040  # section 4 of the prose
PATIENCE_S = 0.200  # section 1: after this the carrier gives up


class Carried:
    """A bench with a Sprig on a Stave's socket."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.stave = self.bench.add("tester", "stave")
        sprig = self.bench.add("matrix", "sprig", carrier="tester")
        assert isinstance(sprig, Sprig)
        self.sprig = sprig

    def ask(self, telegram: str) -> str:
        """Hand a telegram over and let the time of its answer pass."""
        found = self.sprig.exchange(telegram.encode(), PATIENCE_S)
        if found is None:
            self.clock.advance(PATIENCE_S)
            return "silence"
        self.clock.advance(found[0])
        return found[1].decode()

    def send(self, raw: bytes, *, bytewise: bool = False) -> bytes:
        """Send to the Stave, and collect all that it answers."""
        for chunk in (bytes((b,)) for b in raw) if bytewise else (raw,):
            self.stave.feed(chunk)
        got = b""
        while (due_s := self.stave.next_due()) is not None:
            self.clock.advance(max(0.0, due_s - self.clock.monotonic()))
            got += self.stave.take()
        return got

    def carry(self, telegram: str) -> bytes:
        return self.send(stave_line(f"CARRY 1,{telegram}"))

    def settle(self) -> None:
        self.clock.advance(AT_REST_S)


@pytest.fixture
def carried() -> Carried:
    return Carried()


def silence() -> bytes:
    return stave_line("CARRIED 1,SILENT") + stave_line("END")


def exchanges(dialogue: int) -> Iterator[tuple[bytes, bytes]]:
    """The exchanges of one of the prose's dialogues: (sent, received), LF added."""
    text = PROSE.read_text(encoding="utf-8").split("```")[2 * dialogue + 1]
    sent, received = b"", b""
    for raw in text.splitlines():
        if raw.startswith("> "):
            if sent:
                yield sent, received
            sent, received = raw[2:].encode() + b"\n", b""
        elif raw.startswith("< "):
            received += raw[2:].encode() + b"\n"
    yield sent, received


def test_the_telegrams_of_the_prose_come_out_byte_for_byte(carried: Carried) -> None:
    """The dialogue of section 5, spoken on the socket."""
    done = list(exchanges(0))
    assert len(done) == 8
    for sent, expected in done:
        if b"moving=no" in expected:
            carried.settle()
        assert carried.ask(sent.decode().rstrip("\n")) == expected.decode().rstrip("\n")


@pytest.mark.parametrize("bytewise", [False, True], ids=["whole", "byte by byte"])
def test_the_carried_route_of_the_prose_comes_out_byte_for_byte(
    carried: Carried, bytewise: bool
) -> None:
    """The bonding route of section 5, byte for byte on the Stave's link."""
    done = list(exchanges(1))
    assert len(done) == 6
    for sent, expected in done:
        if b"moving=no" in expected:
            carried.settle()
        assert carried.send(sent, bytewise=bytewise) == expected


@pytest.mark.parametrize(
    ("telegram", "answer"),
    [
        ("", "no=1,why=telegram"),
        ("name", "no=1,why=telegram"),
        ("bank=mix,do=look", "no=1,why=telegram"),
        ("do=name ", "no=1,why=telegram"),
        ("do=put,bank=mix,c01", "no=1,why=telegram"),
        ("do=put,bank=mix," + ",".join(f"c{n:02d}=return" for n in range(1, 22)), "no=1"),
        ("do=close", "no=2,why=command"),
        ("do=put,bank=thin,c01=source", "no=3,why=bank"),
        ("do=put", "no=3,why=bank"),
        ("do=look", "no=3,why=bank"),
        ("do=put,bank=mix,c17=source", "no=4,why=channel"),
        ("do=put,bank=mix,c00=source", "no=4,why=channel"),
        ("do=put,bank=mix,c1=source", "no=4,why=channel"),
        ("do=put,bank=mix,c01=source,c01=source", "no=4,why=channel"),
        ("do=put,bank=mix,c01=both", "no=5,why=role"),
        ("do=put,bank=sense,c01=source,c02=source", "no=6,why=sources"),
    ],
)
def test_each_fault_of_a_telegram_has_its_refusal_and_nothing_moves(
    carried: Carried, telegram: str, answer: str
) -> None:
    """Section 3's table of refusals."""
    assert carried.ask(telegram).startswith(answer)
    assert not carried.sprig.relays.moving
    carried.settle()
    assert not carried.sprig.relays.closed


def test_mix_takes_several_sources(carried: Carried) -> None:
    """Section 2: at most one source channel only in heavy and sense."""
    assert carried.ask("do=put,bank=mix,c01=source,c02=source,c16=return") == "ok=put,bank=mix"


def test_channels_that_are_not_named_go_open_and_the_other_banks_stay(carried: Carried) -> None:
    """Section 3: put replaces one bank."""
    for telegram in (
        "do=put,bank=mix,c01=source,c02=return",
        "do=put,bank=sense,c03=return",
        "do=put,bank=mix,c02=return,c01=open",
    ):
        assert carried.ask(telegram).startswith("ok=put")
        carried.settle()
    assert carried.ask("do=look,bank=mix") == "ok=look,bank=mix,moving=no,c02=return"
    assert carried.ask("do=look,bank=sense") == "ok=look,bank=sense,moving=no,c03=return"


def test_while_contacts_move_another_put_is_refused_and_open_is_accepted(
    carried: Carried,
) -> None:
    """Section 3: code 7 for contacts of any bank."""
    carried.ask("do=put,bank=mix,c01=source")
    assert carried.ask("do=put,bank=sense,c01=source") == "no=7,why=moving"
    assert carried.ask("do=open") == "ok=open"
    carried.settle()
    assert not carried.sprig.relays.closed


def test_a_put_that_changes_nothing_is_at_rest_at_once(carried: Carried) -> None:
    """Section 4."""
    carried.ask("do=put,bank=mix,c01=source")
    carried.settle()
    carried.ask("do=put,bank=mix,c01=source")
    assert carried.ask("do=look,bank=mix") == "ok=look,bank=mix,moving=no,c01=source"


def test_the_list_comes_in_another_order_at_each_look(carried: Carried) -> None:
    """Section 3: in any order; the same set each time."""
    carried.ask("do=put,bank=mix,c01=source,c02=return,c03=return")
    carried.settle()
    looks = [carried.ask("do=look,bank=mix") for _ in range(3)]
    assert len(set(looks)) == 3
    assert len({frozenset(look.split(",")) for look in looks}) == 1


def test_look_tells_the_contacts_whatever_was_commanded(carried: Carried) -> None:
    """Section 3: welded and broken contacts show, both sides too, contradictions as fault."""
    carried.sprig.relays.weld("mix", 5, "source")
    carried.sprig.relays.break_contact("mix", 1, "source")
    carried.sprig.contradictions.add(("mix", 9))
    carried.ask("do=put,bank=mix,c01=source,c05=return")
    carried.settle()
    answer = carried.ask("do=look,bank=mix")
    assert set(answer.split(",")[3:]) == {"c05=both", "c09=fault"}


def test_contacts_stay_when_the_link_or_the_carrier_falls_silent(carried: Carried) -> None:
    """Section 4."""
    carried.ask("do=put,bank=mix,c01=source")
    carried.settle()
    carried.stave.link_lost()
    carried.bench.guard_closed = False
    carried.clock.advance(100.0)
    assert carried.ask("do=look,bank=mix") == "ok=look,bank=mix,moving=no,c01=source"


def test_contacts_open_when_the_tester_loses_power(carried: Carried) -> None:
    """Section 4: the tester powers the Sprig."""
    carried.ask("do=put,bank=mix,c01=source")
    carried.settle()
    carried.stave.power_cycle()
    assert not carried.sprig.relays.closed


def test_an_empty_socket_gives_the_carriers_word_after_200_ms(carried: Carried) -> None:
    """Section 1 of the Sprig, section 5 of the Stave."""
    assert isinstance(carried.stave, Stave)
    carried.stave.plug(None)
    carried.stave.feed(stave_line("CARRY 1,do=name"))
    carried.clock.advance(0.199)
    assert carried.stave.take() == b""
    carried.clock.advance(0.010)
    assert carried.stave.take() == silence()


def test_a_sprig_without_power_gives_the_carriers_word_and_its_contacts_are_open(
    carried: Carried,
) -> None:
    """Section 4."""
    carried.ask("do=put,bank=mix,c01=source")
    carried.settle()
    carried.sprig.power_off()
    assert not carried.sprig.relays.closed
    assert carried.carry("do=name") == silence()
    carried.sprig.power_on()
    assert b"ok=look,bank=mix,moving=no;" in carried.carry("do=look,bank=mix")


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(faults.silent, id="no answer"),
        pytest.param(faults.late(0.25), id="too late"),
        pytest.param(faults.half(0.25), id="half a line in time"),
        pytest.param(faults.answer_with(b"ok=na"), id="no line end"),
    ],
)
def test_no_whole_line_in_time_gives_the_carriers_word_and_the_rest_is_thrown_away(
    carried: Carried, fault: faults.Change
) -> None:
    """Section 5 of the Stave: a late answer never answers the next telegram."""
    carried.sprig.faults.on(fault, message=b"do=name")
    assert carried.carry("do=name") == silence()
    assert carried.carry("do=open") == stave_line("CARRIED 1,ok=open") + stave_line("END")


def test_a_late_answer_within_the_patience_is_handed_on(carried: Carried) -> None:
    """Section 5 of the Stave: up to 200 ms."""
    carried.sprig.faults.on(faults.late(0.15))
    assert carried.carry("do=open") == stave_line("CARRIED 1,ok=open") + stave_line("END")


def test_a_sprig_is_one_unit_on_a_socket_that_exists() -> None:
    """Two units, a tester without a socket, and a real serial number are refused."""
    bench = Bench(VirtualClock())
    with pytest.raises(ValueError, match="one unit"):
        Sprig(bench, "a", units=("1", "2"))
    with pytest.raises(ValueError, match="socket"):
        Sprig(bench, "b", carrier="nobody")
    with pytest.raises(ValueError, match="SIM-"):
        Sprig(bench, "c", serial="TS-0311")
