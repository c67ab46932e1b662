"""The simulated Pell does what profiles/pell.md says."""

from __future__ import annotations

import re

import pytest

from drivers.simulators.bench import Bench
from drivers.simulators.pell import Pell
from orchestrator.clock import VirtualClock

from .dialogue import PROFILES, Player, blocks, load, steps, unit_between

TERMINALS = ("high-current output", "high-current return", "sense high", "sense low")
RUN = {
    "bonding": unit_between("A", "B", resistance="42 mohm"),
    "continuity": unit_between("A", "B", resistance="142 mohm"),
    "insulation": unit_between("L", "PE", resistance="20 Gohm"),
    "withstand DC": unit_between("L", "PE", resistance="213 Mohm"),
}


def near(found: str, told: str) -> bool:
    """QL and QR: all but the time exactly; the last three digits are a moment's in QL."""
    return found == told or (found[:2] in {"11", "12"} and len(found) == len(told))


@pytest.fixture(params=[False, True], ids=["whole", "byte by byte"])
def player(request: pytest.FixtureRequest) -> Player:
    clock = VirtualClock()
    bench = Bench(clock)
    pell = bench.add("t", "pell")
    bench.wire_terminal("t", "output", "L")
    bench.wire_terminal("t", "return", "PE")
    for terminal, point in zip(TERMINALS, "ABAB", strict=True):
        bench.wire_terminal("t", terminal, point)
    load(bench, unit_between("L", "PE", resistance="2.1127 Mohm"))
    return Player(pell, clock, ("QT",), ("QL",), request.param, near)


def ask(player: Player, line: str) -> list[str]:
    """The answer without its echo."""
    echo, *rest = player.ask(line)
    assert echo == line
    return rest


def prepare(player: Player, *lines: str) -> None:
    for line in lines:
        assert ask(player, line) == ["K"], line


WITHSTAND = ("RM1", "SK4", "SL0150", "SR010", "SD020", "SW000", "SH00500")


def state(player: Player) -> str:
    return ask(player, "QT")[0]


def until(player: Player, *wanted: str) -> str:
    for _ in range(1000):
        found = state(player)
        if found in wanted:
            return found
        player.clock.advance(0.01)
    raise AssertionError(f"never in {wanted}")


def test_the_dialogues_of_first_contact_and_withstand_are_played_byte_for_byte(
    player: Player,
) -> None:
    """As printed: echo, data line, acknowledge; 00 lags the start."""
    first, withstand, _ = blocks("pell")
    player.play(first)
    player.play(withstand)
    assert player.instrument.bench.violations == ()


def test_the_level_and_reading_told_live_are_those_of_the_moment(player: Player) -> None:
    """QL in the dwell: 1500 V, 0.71 mA."""
    prepare(player, *WITHSTAND, "GO")
    until(player, "12")
    assert ask(player, "QL")[0][:11] == "12015000071"


def rows() -> list[tuple[str, list[str], str, str]]:
    """The table of the other kinds: kind, lines, QS, QR."""
    text = (PROFILES / "pell.md").read_text(encoding="utf-8")
    found = []
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 4 and cells[1].startswith("`SK"):
            told = [re.findall(r"`([^`]+)`", cell) for cell in cells[1:]]
            found.append((cells[0], told[0], told[1][0], told[2][0]))
    return found


@pytest.mark.parametrize(("kind", "lines", "setup", "result"), rows(), ids=[r[0] for r in rows()])
def test_the_other_kinds_give_the_set_up_and_result_of_the_table(
    player: Player, kind: str, lines: list[str], setup: str, result: str
) -> None:
    """QS and QR byte for byte as printed, each on a unit of that resistance."""
    load(player.instrument.bench, next(unit for name, unit in RUN.items() if kind.startswith(name)))
    prepare(player, "RM1", *lines)
    assert ask(player, "QS") == [setup, "K"]
    prepare(player, "GO")
    until(player, "11")
    until(player, "30")
    assert ask(player, "QR") == [result, "K"]


def test_refusals_and_a_lapse_are_answered_as_printed(player: Player) -> None:
    """After 6 s of silence: tripped, verdict E, no longer in remote mode."""
    prepare(player, *WITHSTAND)
    prepare(player, "SD999")
    for sent, told in steps(blocks("pell")[-1]):
        if sent.startswith("("):
            player.clock.advance(6.0)
        elif sent == "QR":
            data = ask(player, sent)[0]
            assert re.fullmatch(r"4E015000071\d{3}", data)
        else:
            player.check(sent, told)


@pytest.mark.parametrize(
    ("before", "sent", "code"),
    [
        ((), "XX", "R01"),
        ((), "qt", "R01"),
        ((), "QT1", "R02"),
        (("RM1", "SK4"), "SL01500", "R02"),
        (("RM1", "SK4"), "SL01 0", "R02"),
        ((), "SK4", "R03"),
        ((), "GO", "R03"),
        ((), "KA", "R03"),
        (("RM1", "SK4"), "SL0401", "R04"),
        (("RM1", "SK3"), "SF60", "R04"),
        (("RM1",), "SK6", "R04"),
        (("RM1", "SK4"), "SD002", "R04"),
        ((*WITHSTAND, "GO"), "SL0100", "R05"),
        ((*WITHSTAND, "GO"), "GO", "R05"),
        (("RM1", "SK4"), "GO", "R07"),
        ((*WITHSTAND, "SM00600"), "GO", "R07"),
        ((), "QR", "R08"),
        ((), "A" * 25, "R11"),
    ],
)
def test_each_refusal_has_its_code_in_place_of_the_acknowledge(
    player: Player, before: tuple[str, ...], sent: str, code: str
) -> None:
    """Echo, no data line, Rnn; the echo of a line too long is its first 24 characters."""
    prepare(player, *before)
    assert player.ask(sent) == [sent[:24], code]


def test_an_open_interlock_refuses_the_start_and_trips_a_run(player: Player) -> None:
    """R06 at rest; in a run off within 20 ms, verdict D, state 40, R09 until CL."""
    bench = player.instrument.bench
    prepare(player, *WITHSTAND)
    bench.guard_closed = False
    assert ask(player, "GO") == ["R06"]
    assert ask(player, "QI") == ["0", "K"]
    bench.guard_closed = True
    prepare(player, "GO")
    until(player, "11")
    bench.guard_closed = False
    player.clock.advance(0.021)
    assert not bench.state().any_on
    until(player, "40")
    assert ask(player, "QR")[0][1] == "D"
    assert ask(player, "CL") == ["R06"]
    bench.guard_closed = True
    assert ask(player, "GO") == ["R09"]
    prepare(player, "CL")
    assert state(player) == "00"
    assert bench.violations == ()


def test_a_stop_acts_at_once_though_half_a_line_stands_in_the_input(player: Player) -> None:
    """CR S T CR: the half line is refused first, the output is off before any answer."""
    bench = player.instrument.bench
    prepare(player, *WITHSTAND, "GO")
    until(player, "12")
    player.instrument.feed(b"SL01\rST\r")
    assert not bench.state().any_on
    player.clock.advance(0.3)
    assert player.instrument.take() == b"SL01\rR02\rST\rK\r"


def test_lines_that_come_early_are_kept_up_to_four(player: Player) -> None:
    """The rest is lost; a CR alone and a LF are ignored."""
    player.instrument.feed(b"QT\r\n\r" * 7)
    player.clock.advance(1.0)
    assert player.instrument.take() == b"QT\r00\rK\r" * 5


def test_the_state_lags_the_start_but_not_beyond_100_ms_after_the_acknowledge(
    player: Player,
) -> None:
    """The output is on already while QT still says 30 of the run before."""
    prepare(player, *WITHSTAND, "GO")
    until(player, "11")
    until(player, "30")
    prepare(player, "GO")
    assert player.instrument.bench.state().any_on
    assert state(player) == "30"
    player.clock.advance(0.1)
    assert state(player) == "11"


def test_entering_remote_mode_wipes_the_set_up(player: Player) -> None:
    """RM1 in remote mode wipes, too."""
    prepare(player, *WITHSTAND, "RM1")
    assert ask(player, "QS")[0] == "-----00---------" + "9999900000"


def test_an_open_lead_in_bonding_reads_over_range_and_high(player: Player) -> None:
    """Verdict H, reading five carets, not N."""
    load(player.instrument.bench, unit_between("L", "PE", resistance="1 Mohm"))
    prepare(player, "RM1", "SK1", "SL0250", "SR005", "SD005", "SW000", "SH01000", "GO")
    until(player, "11")
    until(player, "30")
    assert ask(player, "QR")[0] == "1H0000^^^^^005"


def test_after_power_up_it_is_deaf_for_a_moment_and_local(player: Player) -> None:
    """1.5 s of silence; then 00, set-up unset, remote mode off."""
    assert isinstance(player.instrument, Pell)
    prepare(player, *WITHSTAND, "GO")
    player.instrument.power_cycle()
    assert not player.instrument.bench.state().any_on
    player.instrument.feed(b"QT\r")
    player.clock.advance(1.5)
    assert player.instrument.take() == b""
    assert ask(player, "QT") == ["00", "K"]
    assert ask(player, "QM") == ["0", "K"]
