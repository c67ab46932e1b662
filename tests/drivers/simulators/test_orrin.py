"""The simulated Orrin does what profiles/orrin.md says."""

from __future__ import annotations

import pytest

from drivers.simulators.bench import Bench
from drivers.simulators.orrin import Orrin
from orchestrator.clock import VirtualClock

from .dialogue import Player, blocks, load, nearly, steps, unit_between

WITHSTAND_UNIT = unit_between("L", "PE", resistance="7.353 Mohm", capacitance="1.4475 nF")
POLLS = ("TASK:STATE?",)
MEASURED = ("TASK:LIVE?", "TASK:RESULT?", "TERMINAL:VOLTAGE?")


def near(found: str, told: str) -> bool:
    if found.startswith("+"):  # TERMINAL:VOLTAGE?, accurate to 2 % + 3 V
        return len(found) == len(told) and abs(float(found) - float(told)) <= 3
    if found.startswith("HOLD,"):  # all but the time in this state, which is a moment's
        found, told = found.rpartition(",")[0], told.rpartition(",")[0]
    return nearly(found, told)


@pytest.fixture(params=[False, True], ids=["whole", "byte by byte"])
def player(request: pytest.FixtureRequest) -> Player:
    clock = VirtualClock()
    bench = Bench(clock)
    orrin = bench.add("t", "orrin")
    bench.wire_terminal("t", "output", "L")
    bench.wire_terminal("t", "return", "PE")
    load(bench, WITHSTAND_UNIT)
    return Player(orrin, clock, POLLS, MEASURED, request.param, near)


def started(player: Player, block: str) -> str:
    """The dialogue with start and polling put in, as the prose says they stand."""
    return block.replace("> TASK:RESULT?", "> TASK:BEGIN\n> TASK:STATE?\n< DONE\n> TASK:RESULT?", 1)


def run_of(player: Player, *settings: str, upper: str = "0.005") -> list[str]:
    """Set up, start, wait for the end; the result's fields."""
    for setting in settings:
        player.ask(f"TASK:{setting}")
    if not any(setting.startswith("LIMIT:UPPER") for setting in settings):
        player.ask(f"TASK:LIMIT:UPPER {upper}")
    player.check("TASK:BEGIN", [])
    player.check("SYST:ERR?", ['0,"No error"'])
    for _ in range(3000):
        if player.ask("TASK:STATE?")[0] in {"DONE", "TRIP"}:
            break
        player.clock.advance(0.01)
    return player.ask("TASK:RESULT?")[0].split(",")


def test_the_worked_dialogues_are_played_byte_for_byte(player: Player) -> None:
    """First contact and withstand as printed, then the other kinds with their own units."""
    first, withstand_ac, withstand_dc, insulation, continuity, bonding, _ = blocks("orrin")
    bench = player.instrument.bench
    player.play(first)
    player.play(withstand_ac)
    load(bench, unit_between("L", "PE", resistance="176.75 Mohm"))
    player.play(started(player, withstand_dc))
    load(bench, unit_between("L", "PE", resistance="200 Gohm"))
    player.play(started(player, insulation))
    load(bench, unit_between("L", "PE", resistance="132 mohm"))
    player.play(started(player, continuity))
    player.play(started(player, bonding))
    assert bench.violations == ()


def test_refusals_and_a_stop_are_answered_as_printed(player: Player) -> None:
    """The last dialogue up to its trip: -222, then HALTED from BLEED to DONE."""
    bench = player.instrument.bench
    for terminal, point in (
        ("high-current output", "A"),
        ("high-current return", "B"),
        ("sense high", "A"),
        ("sense low", "B"),
    ):
        bench.wire_terminal("t", terminal, point)
    load(bench, unit_between("A", "B", resistance="42 mohm"))
    for setting in ("KIND BOND_AC", "LEVEL 25", "LIMIT:UPPER 0.1"):
        player.ask(f"TASK:{setting}")
    for sent, told in steps(blocks("orrin")[-1])[:6]:
        if sent == "TASK:HALT":
            player.clock.advance(0.01)
        player.check(sent, told)
    fields = player.ask("TASK:RESULT?")[0].split(",")
    assert fields[:3] == ["1", "BOND_AC", "HALTED"]
    assert fields[4:6] == ["+9.91000E+37", "+9.91000E+37"]
    assert float(fields[6]) == pytest.approx(0.042, rel=1e-3)
    assert fields[7] == "+0.00000E+00"


def test_bonding_is_measured_between_the_sense_leads(player: Player) -> None:
    """Four-wire: the leads' resistance stays out; an open sense lead reads as over range."""
    bench = player.instrument.bench
    bench.wire_terminal("t", "high-current output", "A")
    bench.wire_terminal("t", "high-current return", "B")
    bench.wire_terminal("t", "sense high", "A")
    load(bench, unit_between("A", "B", resistance="42 mohm"))
    wanted = ("KIND BOND_AC", "LEVEL 25", "DWELL 1", "LIMIT:UPPER 0.1")
    assert run_of(player, *wanted)[2::4] == ["HIGH", "+9.90000E+37"]
    bench.wire_terminal("t", "sense low", "B")
    fields = run_of(player, *wanted)
    assert fields[2] == "PASS"
    assert float(fields[6]) == pytest.approx(0.042, rel=1e-6)
    assert float(fields[3]) == pytest.approx(25.0)


def test_a_broken_limit_ends_the_test_in_the_rise_only_where_told(player: Player) -> None:
    """TASK:LIMIT:RISE says whether the upper limit acts before the dwell."""
    wanted = ("KIND STAND_AC", "LEVEL 1500", "RISE 2", "LIMIT:UPPER 0.0003")
    fields = run_of(player, *wanted, "LIMIT:RISE ON")
    assert fields[2] == "HIGH"
    assert float(fields[3]) < 700
    fields = run_of(player, *wanted, "LIMIT:RISE OFF")
    assert fields[2] == "HIGH"
    assert float(fields[3]) == pytest.approx(1500)


def test_a_gap_that_breaks_down_is_a_flash_over_or_trips_the_hardware(player: Player) -> None:
    """With a flash-over limit FLASH; without one the trip current gives HIGH."""
    load(player.instrument.bench, unit_between("L", "PE", breakdown="1.2 kV"))
    wanted = ("KIND STAND_AC", "LEVEL 1500", "RISE 1", "LIMIT:UPPER 0.05")
    assert run_of(player, *wanted, "FLASH 0.02")[2] == "FLASH"
    fields = run_of(player, *wanted)
    assert fields[2] == "HIGH"
    assert fields[4] == "+9.90000E+37"


def test_an_armed_door_contact_trips_and_stays_tripped_until_cleared(player: Player) -> None:
    """BARRED, TRIP; cleared only with the door closed. Unarmed, an open door stops nothing."""
    bench = player.instrument.bench
    for setting in ("LEVEL 1500", "DWELL 5", "LIMIT:UPPER 0.005"):
        player.ask(f"TASK:{setting}")
    player.ask("GUARD:WATCH ON")
    player.check("TASK:BEGIN", [])
    player.check("TASK:STATE?", ["HOLD"])
    bench.guard_closed = False
    player.clock.advance(0.021)
    assert not bench.state().any_on
    player.check("TASK:STATE?", ["TRIP"])
    assert ",BARRED," in player.ask("TASK:RESULT?")[0]
    player.ask("TASK:CLEAR")
    player.check("SYST:ERR?", ['302,"Trip latched"'])
    bench.guard_closed = True
    player.ask("TASK:CLEAR")
    player.check("TASK:STATE?", ["DONE"])
    assert bench.violations == ()


def test_the_watch_is_off_after_power_up_and_an_open_door_is_then_ignored(player: Player) -> None:
    """The bench notes what the instrument doesn't prevent."""
    bench = player.instrument.bench
    bench.guard_closed = False
    assert run_of(player, "LEVEL 500")[2] == "PASS"
    assert [v.what for v in bench.violations] == ["energised with the guard open"]


def test_power_cycling_forgets_what_the_prose_says(player: Player) -> None:
    """Off, watch off, counter 0, no result, event register 128."""
    player.ask("GUARD:WATCH ON")
    run_of(player, "LEVEL 500")
    player.check("TASK:BEGIN", [])
    player.instrument.power_cycle()
    assert not player.instrument.bench.state().any_on
    player.check("*ESR?", ["128"])
    player.check("TASK:COUNT?", ["0"])
    player.check("GUARD:WATCH?", ["OFF"])
    player.check("TASK:RESULT?", [])
    player.check("SYST:ERR?", ['-230,"Data corrupt or stale"'])


@pytest.mark.parametrize(
    ("sent", "number", "bit"),
    [
        ("TASK:FOO 1", -113, 32),
        ("TASK:LEVEL 1500;TASK:RISE 1", -102, 32),
        ("TASK:LEVEL HIGH", -104, 32),
        ("TASK:KIND 1", -104, 32),
        ("TASK:LEVEL 1,2", -108, 32),
        ("TASK:COUNT? 1", -108, 32),
        ("TASK:LEVEL", -109, 32),
        ("TASK:LEVEL 1500V", -138, 32),
        ("TASK:LEVEL 6000", -222, 16),
        ("TASK:DWELL 0.2", -222, 16),
        ("TASK:KIND STAND", -224, 16),
        ("TASK:RESULT?", -230, 16),
        ("TASK:BEGIN", -221, 16),
        ("X" * 121, -102, 32),
    ],
)
def test_each_error_has_its_number_and_its_event_bit(sent: str, number: int, bit: int) -> None:
    """Numbers of the prose; bits by class (SCPI-1999 vol. 2, 21.8; IEEE 488.2, 11.5.1)."""
    clock = VirtualClock()
    player = Player(Bench(clock).add("t", "orrin"), clock)
    player.ask("*ESR?")
    player.check(sent, [])
    assert player.ask("SYST:ERR?")[0].startswith(f'{number},"')
    player.check("*ESR?", [str(bit)])


def test_a_number_is_rounded_half_away_from_zero_before_its_range_is_checked() -> None:
    """1500.5 is set as 1501 without a word; 5000.4 still fits, 5000.5 doesn't."""
    clock = VirtualClock()
    player = Player(Bench(clock).add("t", "orrin"), clock)
    for sent, told in (
        ("1500.4", "+1.50000E+03"),
        ("1500.5", "+1.50100E+03"),
        ("1.5E3", "+1.50000E+03"),
        ("5000.4", "+5.00000E+03"),
        ("5000.5", "+5.00000E+03"),
    ):
        player.ask(f"task:level {sent}")
        player.check("TASK:LEVEL?", [told])
    player.check("SYSTEM:ERROR:NEXT?", ['-222,"Data out of range"'])


def test_the_error_queue_is_first_in_first_out_and_overflows_with_350() -> None:
    """16 entries; then the newest becomes -350 (SCPI-1999 vol. 2, 21.8.1)."""
    clock = VirtualClock()
    player = Player(Bench(clock).add("t", "orrin"), clock)
    player.ask("FOO")
    for _ in range(20):
        player.ask("TASK:LEVEL 9999")
    entries = [player.ask("SYST:ERR?")[0] for _ in range(17)]
    assert entries[0] == '-113,"Undefined header"'
    assert entries[14] == '-222,"Data out of range"'
    assert entries[15:] == ['-350,"Queue overflow"', '0,"No error"']


def test_a_closed_connection_stops_the_test_within_fifty_milliseconds() -> None:
    """Over TCP the Orrin watches its link; over GPIB it doesn't."""
    for watches in (True, False):
        clock = VirtualClock()
        bench = Bench(clock)
        orrin = bench.add("t", "orrin", link_watch=watches)
        player = Player(orrin, clock)
        for line in ("TASK:LEVEL 500", "TASK:LIMIT:UPPER 0.01", "TASK:BEGIN"):
            player.ask(line)
        orrin.link_lost()
        clock.advance(0.05)
        assert bench.state().any_on is not watches


def test_a_hanging_discharge_stays_in_bleed_and_is_reported_overdue(player: Player) -> None:
    """303 after 10 s above 25 V; the terminal voltage shows why."""
    assert isinstance(player.instrument, Orrin)
    player.instrument.output.faults.stuck_discharge = True
    for setting in ("KIND STAND_DC", "LEVEL 1000", "LIMIT:UPPER 0.01", "DWELL 0.5"):
        player.ask(f"TASK:{setting}")
    player.check("TASK:BEGIN", [])
    player.clock.advance(12.0)
    player.check("TASK:STATE?", ["BLEED"])
    assert float(player.ask("TERMINAL:VOLTAGE?")[0]) == pytest.approx(1000)
    player.check("SYST:ERR?", ['303,"Discharge overdue"'])
    player.instrument.output.release_discharge()
    player.check("TASK:STATE?", ["DONE"])


def test_an_hour_of_dwell_takes_the_bench_no_time() -> None:
    """Indefinite dwell runs on; two advances of the clock stand for the hour."""
    clock = VirtualClock()
    bench = Bench(clock)
    player = Player(bench.add("t", "orrin"), clock)
    for line in ("TASK:DWELL 0", "TASK:LIMIT:UPPER 0.01", "TASK:BEGIN"):
        player.ask(line)
    clock.advance(3600.0)
    player.check("TASK:STATE?", ["HOLD"])
    player.ask("TASK:HALT")
    assert not bench.state().any_on
