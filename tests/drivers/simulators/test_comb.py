"""The simulated Fennick Comb does what profiles/comb.md says, byte for byte."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulators.bench import Bench
from drivers.simulators.comb import Comb, telegram
from orchestrator.clock import VirtualClock

PROSE = Path(__file__).resolve().parents[3] / "profiles" / "comb.md"
AT_REST_S = 0.050  # section 4 of the prose


class Line:
    """A bench with units 05 and 11 hex on one line."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.comb = self.bench.add(
            "line",
            "comb",
            units={"five": 5, "seventeen": 17},
            serials={"five": "SIM-0512", "seventeen": "SIM-0517"},
        )
        assert isinstance(self.comb, Comb)
        self.units = self.comb.units

    def send(self, raw: bytes, *, bytewise: bool = False) -> bytes:
        """Send, and collect all answers that come without anything else sent."""
        for chunk in (bytes((b,)) for b in raw) if bytewise else (raw,):
            self.comb.feed(chunk)
        got = b""
        while (due_s := self.comb.next_due()) is not None:
            self.clock.advance(max(0.0, due_s - self.clock.monotonic()))
            got += self.comb.take()
        return got

    def ask(self, body: str) -> str:
        """Send a body; the answer's body, its framing checked."""
        got = self.send(telegram(body))
        if not got:
            return "silence"
        answer = got[1:-3].decode()
        assert got == telegram(answer)
        return answer

    def settle(self) -> None:
        self.clock.advance(AT_REST_S)


@pytest.fixture
def line() -> Line:
    return Line()


def exchanges() -> Iterator[tuple[bytes, bytes]]:
    """All exchanges of the prose's dialogues in order: (sent, received)."""
    sent = b""
    for text in PROSE.read_text(encoding="utf-8").splitlines():
        if text.startswith("> {"):
            sent = text[2:].encode() + b"\r"
        elif text.startswith("< {"):
            yield sent, text[2:].encode() + b"\r"


@pytest.mark.parametrize("bytewise", [False, True], ids=["whole", "byte by byte"])
def test_the_worked_dialogues_of_the_prose_come_out_byte_for_byte(
    line: Line, bytewise: bool
) -> None:
    """All three dialogues, in one go, with the host waiting for rest where it says so."""
    done = list(exchanges())
    assert len(done) == 24
    for sent, expected in done:
        unit = line.units["five" if sent.startswith(b"{05") else "seventeen"]
        told_at_rest = b"q0" in expected or (b"W" in sent and b"#" not in expected)
        if told_at_rest and unit.relays.moving:
            line.settle()
        assert line.send(sent, bytewise=bytewise) == expected, sent


def test_the_checksum_is_the_exclusive_or_worked_by_hand_in_the_prose() -> None:
    """0x30 ^ 0x35 ^ 0x51 = 0x54, worked by hand."""
    assert telegram("05Q") == b"{05Q54\r"


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param(b"{05Q55\r", id="wrong checksum"),
        pytest.param(b"{05i6c\r", id="checksum in lower case"),
        pytest.param(telegram("06Q"), id="address nobody has"),
        pytest.param(telegram("1FQ"), id="the last address, which nobody has"),
        pytest.param(b"{\r", id="nothing in it"),
        pytest.param(b"05Q54\r", id="no start"),
        pytest.param(telegram("05W" + "0" * 43), id="49 characters"),
    ],
)
def test_what_is_not_for_a_unit_gets_no_answer_at_all(line: Line, raw: bytes) -> None:
    """Section 1: silence, and the line is ready for the next telegram."""
    assert line.send(raw) == b""
    assert line.ask("05Q") == "05q0"


def test_a_longest_telegram_is_still_answered(line: Line) -> None:
    """48 characters are within the limit, so the length is refused by a code."""
    raw = telegram("05W" + "0" * 41)
    assert len(raw) == 48
    assert line.send(raw) == telegram("05-02")


def test_a_start_character_begins_anew_and_noise_between_telegrams_is_ignored(line: Line) -> None:
    """Section 1, with half a telegram and noise in front."""
    assert line.send(b"\x00noise\r{05W1FF" + b"{05Q54\r") == b"{05q044\r"


@given(cuts=st.sets(st.integers(1, 40), max_size=8))
def test_however_the_bytes_are_cut_the_answers_are_the_same(cuts: set[int]) -> None:
    """Framing goes by characters, never by chunks."""
    raw = telegram("05I") + telegram("11R1") + telegram("05W10100") + telegram("05Q")
    line = Line()
    edges = [0, *sorted(cut for cut in cuts if cut < len(raw)), len(raw)]
    for start, stop in pairwise(edges):
        line.comb.feed(raw[start:stop])
    line.clock.advance(0.015)
    got = line.comb.take()
    assert got == (
        telegram("05iFENNICK,COMB,SIM-0512,1.1")
        + telegram("11r10000")
        + telegram("05+")
        + telegram("05q1")
    )


@pytest.mark.parametrize(
    ("body", "answer"),
    [
        ("05X", "-01"),
        ("05w10100", "-01"),
        ("05I1", "-02"),
        ("05R", "-02"),
        ("05W1010", "-02"),
        ("05W101000", "-02"),
        ("05W10a00", "-02"),
        ("05R0", "-03"),
        ("05W40100", "-03"),
        ("05W11818", "-04"),
        ("05W20300", "-05"),
        ("05W3C000", "-05"),
        ("05W10300", "+"),
        ("05W20103", "-04"),
        ("05W201FE", "+"),
    ],
)
def test_each_fault_of_a_telegram_has_its_code(line: Line, body: str, answer: str) -> None:
    """Section 3, and nothing is carried out with a refusal."""
    assert line.ask(body) == f"05{answer}"
    line.settle()
    moved = bool(line.units["five"].relays.closed)
    assert moved == (answer == "+")


def test_contacts_open_before_others_close_and_rest_within_50_ms(line: Line) -> None:
    """Section 4: 15 ms to open, 50 ms to rest; the coils are read on the way."""
    assert line.ask("05W10100") == "05+"
    line.settle()
    line.comb.feed(telegram("05W10200"))
    line.clock.advance(0.014)
    assert line.comb.take() == telegram("05+")
    assert [key.channel for key in line.units["five"].relays.closed] == [1]
    line.clock.advance(0.002)
    assert not line.units["five"].relays.closed
    line.clock.advance(0.033)
    assert line.ask("05Q") == "05q1"
    assert line.ask("05Q") == "05q0"
    assert line.ask("05R1") == "05r10200"


def test_a_write_that_changes_nothing_is_at_rest_at_once(line: Line) -> None:
    """Section 4."""
    line.ask("05W10100")
    line.settle()
    assert line.ask("05W10100") == "05+"
    assert line.ask("05Q") == "05q0"


def test_while_relays_move_only_a_write_is_refused(line: Line) -> None:
    """Section 3: busy to W of the same unit alone; open-all is accepted and wins."""
    assert line.ask("05W10100") == "05+"
    assert line.ask("05W20100") == "05#"
    assert line.ask("11W10001") == "11+"
    assert line.ask("05R2") == "05r20000"
    assert line.ask("05I").startswith("05i")
    assert line.ask("05Z") == "05+"
    line.settle()
    assert not line.units["five"].relays.closed
    assert line.ask("11R1") == "11r10001"


def test_a_bank_takes_exactly_the_masks_and_the_other_banks_stay(line: Line) -> None:
    """Section 3: W replaces one bank."""
    for body in ("05W10106", "05W10180", "05W20140"):
        assert line.ask(body) == "05+"
        line.settle()
    assert line.ask("05R1") == "05r10180"
    assert line.ask("05R2") == "05r20140"


def test_the_read_back_tells_coils_and_is_blind_to_a_welded_contact(line: Line) -> None:
    """Section 3: a welded contact doesn't show, a broken coil shows as 0."""
    unit = line.units["five"]
    unit.relays.weld("high", 3, "source")
    unit.broken_coils.add(("high", 2, "return"))
    assert line.ask("05W1010A") == "05+"
    line.settle()
    assert line.ask("05R1") == "05r10108"
    assert {(k.channel, k.bus) for k in unit.relays.closed} == {
        (1, "source"),
        (3, "source"),
        (4, "return"),
    }


def test_a_failed_coil_supply_drops_all_relays_until_power_off(line: Line) -> None:
    """Section 3, code 06: R, Q and I still work."""
    line.ask("05W10100")
    line.settle()
    line.units["five"].fail_supply()
    assert not line.units["five"].relays.closed
    assert line.ask("05W10100") == "05-06"
    assert line.ask("05Z") == "05-06"
    assert line.ask("05R1") == "05r10000"
    assert line.ask("05Q") == "05q0"
    assert line.ask("11Z") == "11+"
    line.comb.power_cycle()
    line.clock.advance(0.5)
    assert line.ask("05W10100") == "05+"


def test_after_power_off_all_is_open_and_nothing_answers_for_half_a_second(line: Line) -> None:
    """Section 4."""
    line.ask("11W10100")
    line.settle()
    line.comb.power_cycle()
    assert not line.units["seventeen"].relays.closed
    assert line.ask("11Q") == "silence"
    line.clock.advance(0.5)
    assert line.ask("11R1") == "11r10000"


def test_relays_stay_when_the_line_is_lost(line: Line) -> None:
    """Section 4: no watch on the link."""
    line.ask("05W10100")
    line.settle()
    line.comb.link_lost()
    line.clock.advance(60.0)
    assert line.ask("05R1") == "05r10100"


def test_a_unit_without_power_is_silent_and_the_others_answer(line: Line) -> None:
    """Section 1: only the unit addressed answers."""
    line.units["seventeen"].answers = False
    assert line.ask("11Q") == "silence"
    assert line.ask("05Q") == "05q0"


@pytest.mark.parametrize("units", [{"a": 32}, {"a": -1}, {"a": 3, "b": 3}])
def test_addresses_are_0_to_31_each_once(units: dict[str, int]) -> None:
    """Section 1: a switch of five positions."""
    with pytest.raises(ValueError, match="address"):
        Comb(Bench(VirtualClock()), "line", units=units)


def test_a_simulation_confesses_in_its_serial_number() -> None:
    """The project's convention: a real unit's number is refused."""
    with pytest.raises(ValueError, match="SIM-"):
        Comb(Bench(VirtualClock()), "line", units={"a": 5}, serials={"a": "FC-0512"})
