"""The simulated Varrowby Stave does what profiles/stave.md says, byte for byte."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulators.bench import Bench
from drivers.simulators.sprig import Sprig
from drivers.simulators.stave import Stave
from drivers.simulators.stave_wire import line as stave_line
from drivers.simulators.unit import parse_unit
from drivers.simulators.violations import What
from orchestrator.clock import VirtualClock

PROSE = Path(__file__).resolve().parents[3] / "profiles" / "stave.md"
END = stave_line("END")
WAC = "WAC,1500V,50Hz,1.0s,2.0s,0.5s,5.00mA,OFF,RISE"
BOND = "parts: [{between: [A, B], resistance: 42 mohm}"
OPEN = f"{BOND}]"


def with_part(what: str) -> str:
    """A unit with a sound bond between A and B and something between C and D."""
    return f"{BOND}, {{between: [C, D], {what}}}]"


LOADS = {
    1: OPEN,
    2: with_part("resistance: 0.13 ohm"),  # and two leads of 5 mohm
    3: OPEN,
    4: with_part("capacitance: 1.508 nF"),
    5: with_part("resistance: 212 Mohm"),
}


class Rig:
    """A Stave on the bench: high current and sense to points A and B, the rest to C and D."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        stave = self.bench.add("tester", "stave")
        assert isinstance(stave, Stave)
        self.stave = stave
        for terminal, point in (
            ("high-current output", "A"),
            ("sense high", "A"),
            ("high-current return", "B"),
            ("sense low", "B"),
            ("output", "C"),
            ("return", "D"),
        ):
            self.bench.wire_terminal("tester", terminal, point)
        self.load(OPEN)

    def load(self, unit: str) -> None:
        self.bench.load_unit(parse_unit(unit))

    def send(self, raw: bytes, *, bytewise: bool = False) -> bytes:
        """Send, and collect all that comes in answer."""
        for chunk in (bytes((b,)) for b in raw) if bytewise else (raw,):
            self.stave.feed(chunk)
        got = b""
        while (due_s := self.stave.next_due()) is not None:
            self.clock.advance(max(0.0, due_s - self.clock.monotonic()))
            got += self.stave.take()
        return got

    def ask(self, body: str) -> str:
        """Send a body; the bodies of the answer without END, all checksums checked."""
        got = self.send(stave_line(body))
        bodies = [raw.rsplit(b";", 1)[0].decode() for raw in got.splitlines()]
        assert got == b"".join(map(stave_line, bodies))
        assert bodies[-1] == "END"
        return " / ".join(bodies[:-1])

    def fill(self, *slots: str) -> None:
        """Fill the first slots and clear the tail."""
        for number, slot in enumerate(slots, start=1):
            assert self.ask(f"SLOT {number},{slot}") == ""
        assert self.ask(f"CLEAR {len(slots) + 1}") == ""

    def until(self, status: str, *, each: Callable[[], None] = lambda: None) -> None:
        """Let time pass until the status is this; at most 30 s."""
        for _ in range(6000):
            each()
            if self.stave.runner.status() == f"STATUS {status}":
                return
            self.clock.advance(0.005)
        raise AssertionError(f"never {status}; is {self.stave.runner.status()}")

    def run(self, *slots: str, ends: str) -> None:
        """Fill, launch, and wait for the status word at the end."""
        self.fill(*slots)
        assert self.ask("LAUNCH") == ""
        self.until(f"{ends},0")


@pytest.fixture
def rig() -> Rig:
    return Rig()


def exchanges(dialogue: int) -> Iterator[tuple[str, str]]:
    """The exchanges of one of the prose's dialogues, each ended with LF."""
    text = PROSE.read_text(encoding="utf-8").split("```")[2 * dialogue + 1]
    sent, received = "", ""
    for raw in text.splitlines():
        if raw.startswith("> "):
            if sent:
                yield sent, received
            sent, received = raw[2:] + "\n", ""
        elif raw.startswith("< "):
            received += raw[2:] + "\n"
    yield sent, received


STYLES = pytest.mark.parametrize("bytewise", [False, True], ids=["whole", "byte by byte"])


# ---- the prose's dialogues


@STYLES
def test_first_contact_of_the_prose_comes_out_byte_for_byte(rig: Rig, bytewise: bool) -> None:
    """The first dialogue of section 8."""
    done = list(exchanges(0))
    assert len(done) == 3
    for sent, expected in done:
        assert rig.send(sent.encode(), bytewise=bytewise) == expected.encode()


@STYLES
def test_the_run_of_all_five_kinds_of_the_prose_comes_out_byte_for_byte(
    rig: Rig, bytewise: bool
) -> None:
    """The second dialogue of section 8, with the circuit that each of its slots must have had."""
    loaded = 0

    def load() -> None:
        nonlocal loaded
        number = int(rig.stave.runner.status().rpartition(",")[2])
        if number not in {loaded, 0}:
            loaded = number
            rig.load(LOADS[number])

    done = list(exchanges(1))
    assert len(done) == 19
    for sent, expected in done:
        if expected.startswith("STATUS"):
            rig.until(expected.removeprefix("STATUS ").partition(";")[0], each=load)
        assert rig.send(sent.encode(), bytewise=bytewise) == expected.encode(), sent
        if sent.startswith("LIVE?"):
            # The source drifts by a volt, as the results of the prose say.
            rig.stave.output.faults.level_factor = 1499 / 1500


@STYLES
def test_refusals_a_stop_and_carrying_of_the_prose_come_out_byte_for_byte(
    rig: Rig, bytewise: bool
) -> None:
    """The third dialogue of section 8; the unit on the socket is pulled before the last line."""
    sprig = rig.bench.add("matrix", "sprig", carrier="tester")
    assert isinstance(sprig, Sprig)
    done = list(exchanges(2))
    assert len(done) == 7
    for number, (sent, expected) in enumerate(done):
        if sent.startswith("QUIT"):
            assert rig.ask(f"SLOT 4,{WAC}") == ""
            assert rig.ask("LAUNCH") == ""
            rig.until("0005,4")
        if "08A0" in expected:
            rig.until("08A0,0")
        if number == len(done) - 1:
            rig.stave.plug(None)
        assert rig.send(sent.encode(), bytewise=bytewise) == expected.encode(), sent


# ---- lines


def test_the_checksum_is_the_byte_sum_worked_by_hand_in_the_prose() -> None:
    """0x57 + 0x48 + 0x4F + 0x3F = 0x12D, worked by hand."""
    assert stave_line("WHO?") == b"WHO?;2D\n"


@pytest.mark.parametrize(
    "raw",
    [b"WHO?;2E", b"WHO?", b"WHO?;2d", b"WHO?;2D\r", b"", b";", b"A" * 400, b"\xff\xfe;FD "],
    ids=["wrong", "missing", "lower case", "CR", "empty", "bare", "too long", "not ASCII"],
)
def test_a_line_with_a_bad_checksum_is_refused_and_acknowledged(rig: Rig, raw: bytes) -> None:
    """Section 1, code 01."""
    assert rig.send(raw + b"\n") == stave_line("REFUSED 01 checksum") + END


def test_a_refusal_comes_well_before_its_acknowledge(rig: Rig) -> None:
    """Section 1: a host that takes END alone misses it; up to 30 ms lie between them."""
    rig.stave.feed(stave_line("NONSENSE"))
    rig.clock.advance(0.010)
    assert rig.stave.take() == stave_line("REFUSED 02 unknown")
    rig.clock.advance(0.020)
    assert rig.stave.take() == END


@pytest.mark.parametrize(
    ("body", "answer"),
    [
        ("who?", "REFUSED 02 unknown"),
        ("WHO? ", "REFUSED 03 fields"),
        ("LAUNCH 1", "REFUSED 03 fields"),
        ("CLEAR", "REFUSED 03 fields"),
        ("CLEAR 0", "REFUSED 05 range"),
        ("CLEAR 17", "REFUSED 05 range"),
        ("CLEAR 01", "REFUSED 04 format"),
        ("SLOT? 3", "SLOT 3,EMPTY"),
        ("RESULT? 3", "REFUSED 09 noresult"),
        ("LAUNCH", "REFUSED 08 empty"),
        ("LIVE?", "LIVE 0,NONE,NONE"),
        ("CARRY 1", "REFUSED 03 fields"),
        ("CARRY 2,do=name", "REFUSED 05 range"),
        ("CARRY 1," + "x" * 241, "REFUSED 05 range"),
        ("CARRY 1,a\tb", "REFUSED 04 format"),
        ("CARRY 1,a,b;c=d", "CARRIED 1,SILENT"),
    ],
)
def test_each_fault_of_a_line_has_its_refusal(rig: Rig, body: str, answer: str) -> None:
    """Section 1's table, for everything but SLOT."""
    assert rig.ask(body) == answer


@pytest.mark.parametrize(
    ("field", "text", "codes"),
    [
        (0, "1,1", "03"),
        (0, "17", "05"),
        (0, "1.0", "04"),
        (1, "WAX", "04"),
        (2, "1500.0V", "04"),
        (2, "1500", "04"),
        (2, "1.5kV", "04"),
        (2, "+1500V", "04"),
        (2, "01500V", "04"),
        (2, "99V", "05"),
        (2, "3001V", "05"),
        (3, "DC", "04"),
        (4, "0.0s", "05"),
        (4, "1s", "04"),
        (5, "0.0s", "05"),
        (5, "600.1s", "05"),
        (6, "100.0s", "05"),
        (7, "5.0mA", "04"),
        (7, "30.01mA", "05"),
        (7, "OFF", "11"),
        (8, "5.00mA", "11"),
        (8, "off", "04"),
        (9, "FALL", "04"),
    ],
)
def test_each_field_of_a_slot_has_one_exact_format(
    rig: Rig, field: int, text: str, codes: str
) -> None:
    """Section 3: nothing is cut or rounded, and a refused slot isn't stored."""
    fields = f"1,{WAC}".split(",")
    fields[field] = text
    assert rig.ask("SLOT " + ",".join(fields))[:10] == f"REFUSED {codes}"
    assert rig.ask("COUNT?") == "COUNT 0"


@pytest.mark.parametrize(
    ("slot", "accepted"),
    [
        ("BOND,30.0A,60Hz,0.1s,0.3s,0.0s,333.3mohm,OFF,DWELL", True),
        ("BOND,30.0A,60Hz,0.1s,0.3s,0.0s,333.4mohm,OFF,DWELL", False),
        ("BOND,10.0A,60Hz,0.1s,0.3s,0.0s,1000.0mohm,0.1mohm,DWELL", True),
        ("BOND,10.0A,60Hz,0.1s,0.3s,0.0s,1000.0mohm,OFF,RISE", False),
        ("CONT,0.10A,DC,99.9s,600.0s,99.9s,20.00ohm,0.01ohm,DWELL", True),
        ("INSU,50V,DC,0.1s,0.3s,0.0s,OFF,2000.00Mohm,DWELL", True),
        ("INSU,50V,DC,0.1s,0.3s,0.0s,2.00Mohm,OFF,DWELL", False),
        ("INSU,50V,DC,0.1s,0.3s,0.0s,2.00Mohm,2.00Mohm,DWELL", False),
        ("WAC,3000V,60Hz,0.1s,0.3s,0.0s,30.00mA,0.01mA,RISE", True),
        ("WDC,4200V,DC,0.1s,0.3s,0.0s,10.00mA,OFF,DWELL", True),
        ("WDC,4200V,50Hz,0.1s,0.3s,0.0s,10.00mA,OFF,DWELL", False),
    ],
)
def test_a_slot_is_read_back_as_it_was_sent(rig: Rig, slot: str, accepted: bool) -> None:
    """Section 3, at the ends of the ranges; compliance 10 V: 30 A x 333.3 mohm = 9.999 V."""
    answer = rig.ask(f"SLOT 16,{slot}")
    assert answer.startswith("REFUSED") != accepted
    assert rig.ask("SLOT? 16") == f"SLOT 16,{slot if accepted else 'EMPTY'}"


@given(cuts=st.sets(st.integers(1, 30), max_size=6))
def test_however_lines_are_cut_they_are_answered_one_after_the_other(cuts: set[int]) -> None:
    """Section 1: lines are worked off in order, whatever chunks they came in."""
    rig = Rig()
    raw = stave_line("WHO?") + stave_line("COUNT?") + stave_line("X")
    edges = [0, *sorted(cut for cut in cuts if cut < len(raw)), len(raw)]
    for start, stop in pairwise(edges[:-1]):
        rig.stave.feed(raw[start:stop])
    assert rig.send(raw[edges[-2] :]) == (
        stave_line("WHO Varrowby,Stave,SIM-2207,3.0")
        + END
        + stave_line("COUNT 0")
        + END
        + stave_line("REFUSED 02 unknown")
        + END
    )


# ---- runs


def test_what_an_earlier_program_left_in_the_memory_is_energised(rig: Rig) -> None:
    """Section 3, the trap: LAUNCH runs every filled slot, after power-off too."""
    rig.fill(WAC, WAC)
    rig.stave.power_cycle()
    rig.clock.advance(2.0)
    assert rig.ask("SLOT 1,WAC,200V,50Hz,0.1s,0.3s,0.0s,5.00mA,OFF,RISE") == ""
    assert rig.ask("LAUNCH") == ""
    rig.until("0005,2")
    assert rig.bench.state().outputs["tester"].ac_v == pytest.approx(1500)


def test_a_cleared_tail_is_not_run(rig: Rig) -> None:
    """Section 3: CLEAR empties from n to the end."""
    rig.fill(WAC, WAC)
    assert rig.ask("CLEAR 2") == ""
    assert rig.ask("LAUNCH") == ""
    rig.until("0060,0")
    assert rig.ask("RESULT? 1").startswith("RESULT 1,WAC,PASS,1500V")
    assert rig.ask("RESULT? 2") == "REFUSED 09 noresult"
    assert rig.stave.output.starts == 1


def test_a_run_goes_through_the_states_of_the_prose(rig: Rig) -> None:
    """Section 4: rise, dwell, fall, discharging, between slots, and again to the end."""
    rig.fill(WAC, "CONT,0.20A,DC,0.1s,0.5s,0.0s,1.00ohm,OFF,DWELL")
    rig.load(with_part("resistance: 0.5 ohm"))
    seen: list[str] = []

    def note() -> None:
        status = rig.stave.runner.status().removeprefix("STATUS ")
        if seen[-1:] != [status]:
            seen.append(status)
        if status == "0003,1":
            rig.load(OPEN)
        if status == "0010,1":
            rig.load(with_part("resistance: 0.5 ohm"))

    assert rig.ask("LAUNCH") == ""
    rig.until("0060,0", each=note)
    first = ["0003,1", "0005,1", "0009,1", "0010,1", "0020,1"]
    assert seen == [*first, "0003,2", "0005,2", "0010,2", "0060,0"]


def test_the_status_says_on_as_soon_as_the_launch_is_acknowledged(rig: Rig) -> None:
    """Section 4: the status never lags, and all results are gone."""
    rig.run(WAC, ends="0060")
    assert rig.ask("LAUNCH") == ""
    assert rig.ask("STATUS?") == "STATUS 0003,1"
    assert rig.ask("RESULT? 1") == "REFUSED 09 noresult"


def test_while_running_the_memory_and_another_start_are_refused(rig: Rig) -> None:
    """Section 3 and 4, code 06; queries work."""
    rig.fill(WAC)
    rig.ask("LAUNCH")
    for body in (f"SLOT 2,{WAC}", "CLEAR 1", "LAUNCH", "RESET"):
        assert rig.ask(body) == "REFUSED 06 running"
    assert rig.ask("COUNT?") == "COUNT 1"


def test_a_current_read_is_that_of_the_capacitance(rig: Rig) -> None:
    """Source: I = U 2 pi f C (reactance of a capacitor, textbook): 1500 V, 50 Hz, 5 nF, 2.36 mA."""
    rig.load(with_part("capacitance: 5 nF"))
    rig.run(WAC, ends="0060")
    by_hand_ma = 1500 * 2 * math.pi * 50 * 5e-9 * 1e3
    assert rig.ask("RESULT? 1") == f"RESULT 1,WAC,PASS,1500V,{by_hand_ma:.2f}mA,2.0s"


def test_at_most_broken_in_the_rise_ends_the_run_above(rig: Rig) -> None:
    """Section 3 and 4: from RISE the limit acts at once; the later slots have no result."""
    rig.load(with_part("resistance: 100 kohm"))
    rig.run(WAC, WAC, ends="00E0")
    assert rig.ask("RESULT? 1").startswith("RESULT 1,WAC,ABOVE,")
    assert rig.ask("RESULT? 1").endswith(",0.0s")
    assert rig.ask("RESULT? 2") == "REFUSED 09 noresult"


def test_at_least_broken_is_told_at_the_end_of_the_dwell(rig: Rig) -> None:
    """Section 3: an open lead draws no current."""
    rig.run("WAC,1500V,50Hz,1.0s,2.0s,0.5s,5.00mA,0.10mA,RISE", ends="00E0")
    assert rig.ask("RESULT? 1") == "RESULT 1,WAC,BELOW,1500V,0.00mA,2.0s"


@pytest.mark.parametrize(
    ("slot", "reading"),
    [
        ("BOND,25.0A,50Hz,0.5s,2.0s,0.0s,100.0mohm,OFF,DWELL", "0.0A,OVER,2.0s"),
        ("CONT,0.20A,DC,0.1s,0.5s,0.0s,1.00ohm,OFF,DWELL", "0.00A,OVER,0.5s"),
    ],
)
def test_an_open_lead_is_above_and_over(rig: Rig, slot: str, reading: str) -> None:
    """Section 4: ABOVE with the word OVER, never a number."""
    rig.load("parts: [{between: [A, D], resistance: 1 Mohm}]")
    rig.run(slot, ends="00E0")
    assert rig.ask("RESULT? 1") == f"RESULT 1,{slot[:4]},ABOVE,{reading}"


def test_a_leaky_pair_is_below(rig: Rig) -> None:
    """Section 3: insulation is judged by "at least", at the end of the dwell."""
    rig.load(with_part("resistance: 1.5 Mohm"))
    rig.run("INSU,500V,DC,0.5s,1.0s,0.0s,OFF,2.00Mohm,DWELL", ends="00E0")
    assert rig.ask("RESULT? 1") == "RESULT 1,INSU,BELOW,500V,1.50Mohm,1.0s"


def test_a_level_that_is_not_reached_is_weak(rig: Rig) -> None:
    """Section 3: at 1 mA, 0.3 Mohm never see 500 V, but 300 V."""
    rig.load(with_part("resistance: 0.3 Mohm"))
    rig.run("INSU,500V,DC,0.5s,1.0s,0.0s,OFF,2.00Mohm,DWELL", ends="00E0")
    assert rig.ask("RESULT? 1") == "RESULT 1,INSU,WEAK,300V,0.30Mohm,0.0s"


def test_a_breakdown_trips_at_once_and_stays_latched_until_reset(rig: Rig) -> None:
    """Section 4: 0190, then 01A0; start refused until RESET."""
    rig.load(with_part("breakdown: 1200 V"))
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.until("0190,1")
    rig.until("01A0,0")
    assert rig.ask("RESULT? 1").startswith("RESULT 1,WAC,BREAKDOWN,")
    assert rig.ask("LAUNCH") == "REFUSED 10 tripped"
    assert rig.ask("RESET") == ""
    assert rig.ask("RESULT? 1") == "REFUSED 09 noresult"
    rig.load(OPEN)
    rig.run(WAC, ends="0060")


# ---- stop, interlock, faults


def test_a_stop_takes_the_output_off_at_its_line_end(rig: Rig) -> None:
    """Section 4: within 10 ms, no fall; any number of times, and at rest it changes nothing."""
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.until("0005,1")
    rig.stave.feed(stave_line("QUIT"))
    assert not rig.bench.state().any_on
    rig.until("08A0,0")
    assert rig.stave.take() == END
    assert rig.ask("QUIT") == ""
    assert rig.ask("STATUS?") == "STATUS 08A0,0"
    assert rig.ask("RESULT? 1").startswith("RESULT 1,WAC,STOPPED,1500V,")
    assert rig.ask("RESET") == ""


def test_a_stop_acts_while_a_carry_waits_and_is_acknowledged_in_turn(rig: Rig) -> None:
    """Section 4 and 5: the CARRY holds up other lines for 200 ms, never QUIT."""
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.until("0005,1")
    rig.stave.feed(stave_line("CARRY 1,do=look,bank=mix") + stave_line("STATUS?"))
    rig.clock.advance(0.050)
    rig.stave.feed(stave_line("QUIT"))
    assert not rig.bench.state().any_on
    assert rig.stave.take() == b""
    rig.clock.advance(0.400)
    carried = stave_line("CARRIED 1,SILENT") + END
    assert rig.stave.take() == carried + stave_line("STATUS 08A0,0") + END + END


def test_a_stop_between_two_slots_ends_the_run(rig: Rig) -> None:
    """Section 4: what was passed stays passed (0820); the next slot never starts."""
    rig.fill(WAC, WAC)
    rig.ask("LAUNCH")
    rig.until("0020,1")
    rig.ask("QUIT")
    rig.clock.advance(10.0)
    assert rig.ask("STATUS?") == "STATUS 0820,0"
    assert rig.stave.output.starts == 1


def test_a_stop_with_a_bad_checksum_stops_nothing(rig: Rig) -> None:
    """Section 1: a refused line isn't carried out."""
    rig.fill(WAC)
    rig.ask("LAUNCH")
    assert rig.send(b"QUIT;44\n") == stave_line("REFUSED 01 checksum") + END
    assert rig.bench.state().any_on


@pytest.mark.parametrize("when", ["0003,1", "0005,1", "0009,1", "0010,1", "0020,1"])
def test_an_open_interlock_in_any_phase_of_a_run_trips(rig: Rig, when: str) -> None:
    """Section 6: off within 20 ms, GUARD, latched until RESET with the interlock closed."""
    rig.fill(WAC, WAC)
    rig.ask("LAUNCH")
    rig.until(when)
    rig.bench.guard_closed = False
    rig.clock.advance(0.020)
    assert not rig.bench.state().any_on
    rig.until("03A0,0")
    if when != "0020,1":
        assert ",GUARD," in rig.ask("RESULT? 1")
    assert rig.ask("LAUNCH") == "REFUSED 07 interlock / REFUSED 10 tripped"
    assert rig.ask("RESET") == "REFUSED 07 interlock"
    rig.bench.guard_closed = True
    assert rig.ask("STATUS?") == "STATUS 01A0,0"
    assert rig.ask("RESET") == ""
    assert rig.bench.violations == ()


def test_an_open_interlock_at_rest_is_shown_and_nothing_is_latched(rig: Rig) -> None:
    """Section 6."""
    rig.bench.guard_closed = False
    assert rig.ask("STATUS?") == "STATUS 0220,0"
    rig.bench.guard_closed = True
    assert rig.ask("STATUS?") == "STATUS 0020,0"


def test_a_discharge_that_hangs_is_never_shown_as_discharged(rig: Rig) -> None:
    """Section 6: 0010 stays, after 10 s with the error bit; no result, no reset, no start."""
    rig.stave.output.faults.stuck_discharge = True
    rig.stave.output.faults.stuck_at_v = 400.0
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.until("0010,1")
    rig.until("0410,1")
    rig.clock.advance(3600.0)
    assert rig.ask("STATUS?") == "STATUS 0410,1"
    assert rig.ask("RESULT? 1") == "REFUSED 09 noresult"
    assert rig.ask("RESET") == "REFUSED 06 running"
    rig.stave.output.release_discharge()
    rig.until("0420,0")
    assert rig.ask("LAUNCH") == "REFUSED 10 tripped"
    assert rig.ask("RESET") == ""


def test_a_lost_connection_stops_nothing(rig: Rig) -> None:
    """Section 6: the run goes on to its end; half a line is forgotten."""
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.stave.feed(b"QU")
    rig.stave.link_lost()
    assert rig.bench.state().any_on
    rig.until("0060,0")
    assert rig.ask("STATUS?") == "STATUS 0060,0"


def test_power_off_keeps_the_slots_alone(rig: Rig) -> None:
    """Section 6: deaf for 2 s, then at rest, no results, slots as they were."""
    rig.run(WAC, ends="0060")
    rig.ask("LAUNCH")
    rig.stave.power_cycle()
    assert not rig.bench.state().any_on
    assert rig.send(stave_line("STATUS?")) == b""
    rig.clock.advance(2.0)
    assert rig.ask("STATUS?") == "STATUS 0020,0"
    assert rig.ask("RESULT? 1") == "REFUSED 09 noresult"
    assert rig.ask("SLOT? 1") == f"SLOT 1,{WAC}"


def test_power_off_with_a_charge_left_shows_discharging_first(rig: Rig) -> None:
    """Section 6: 0020, or 0010 first; no start meanwhile."""
    rig.stave.output.faults.stuck_discharge = True
    rig.stave.output.faults.stuck_at_v = 400.0
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.until("0005,1")
    rig.stave.power_cycle()
    rig.clock.advance(2.0)
    assert rig.ask("STATUS?") == "STATUS 0010,0"
    assert rig.ask("LAUNCH") == "REFUSED 06 running"


def test_the_stave_lets_carried_relays_move_under_voltage_and_the_bench_notes_it(
    rig: Rig,
) -> None:
    """Section 5: the Stave doesn't look into the text."""
    rig.bench.add("matrix", "sprig", carrier="tester")
    rig.bench.feed("tester", "output", "matrix/1", "mix", "source")
    rig.fill(WAC)
    rig.ask("LAUNCH")
    rig.until("0005,1")
    assert rig.ask("CARRY 1,do=put,bank=mix,c01=source") == "CARRIED 1,ok=put,bank=mix"
    assert What.RELAY_COMMANDED_HOT in {v.what for v in rig.bench.violations}


def test_a_simulation_confesses_in_its_serial_number() -> None:
    """The project's convention: a real unit's number is refused."""
    with pytest.raises(ValueError, match="SIM-"):
        Stave(Bench(VirtualClock()), "tester", serial="VS-2207")
