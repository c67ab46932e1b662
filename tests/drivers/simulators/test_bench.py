"""The bench: readings depend on the relays, and what must never happen is logged."""

from __future__ import annotations

import pytest

from drivers.simulators.bench import Bench
from drivers.simulators.lattice import Lattice
from drivers.simulators.orrin import Orrin
from drivers.simulators.output_models import Verdict
from drivers.simulators.violations import What
from orchestrator.clock import VirtualClock
from orchestrator.errors import Refused

from .dialogue import Player, load

UNIT = """
parts:
- {between: [L, PE], resistance: 100 Mohm, capacitance: 4.4 nF}
- {between: [N, PE], resistance: 5 Mohm}
- {between: [PE, CASE], resistance: 42 mohm}
"""
CHANNELS = {1: "L", 2: "N", 3: "PE", 4: "CASE"}
FEEDS = (
    ("output", "hv", "source"),
    ("return", "hv", "return"),
    ("high-current output", "hc", "source"),
    ("high-current return", "hc", "return"),
    ("sense high", "sense", "source"),
    ("sense low", "sense", "return"),
)


class Rig:
    """An Orrin and one Lattice unit, four points wired to each bank."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.tester = Player(self.bench.add("t", "orrin"), self.clock)
        self.matrix = Player(self.bench.add("m", "lattice", units={"u": 1}), self.clock)
        for terminal, bank, bus in FEEDS:
            self.bench.feed("t", terminal, "m/u", bank, bus)
        for bank in ("hv", "hc", "sense"):
            for channel, point in CHANNELS.items():
                self.bench.wire("m/u", bank, channel, point)
        load(self.bench, UNIT)

    def route(self, bank: str, source: str, back: str) -> None:
        line = f"1 SET {bank} source=[{source}] return=[{back}]"
        self.matrix.check(line, ["1 SET OK"])
        self.clock.advance(0.05)

    def set_up(self, *lines: str) -> None:
        for line in lines:
            self.tester.ask(f"TASK:{line}")

    def start(self, *lines: str) -> None:
        self.set_up(*lines)
        self.tester.ask("TASK:BEGIN")
        self.tester.check("SYST:ERR?", ['0,"No error"'])

    def finish(self) -> list[str]:
        for _ in range(3000):
            if self.tester.ask("TASK:STATE?")[0] in {"DONE", "TRIP"}:
                break
            self.clock.advance(0.01)
        return self.tester.ask("TASK:RESULT?")[0].split(",")

    @property
    def orrin(self) -> Orrin:
        assert isinstance(self.tester.instrument, Orrin)
        return self.tester.instrument

    def violations(self) -> set[What]:
        return {violation.what for violation in self.bench.violations}


@pytest.fixture
def rig() -> Rig:
    return Rig()


WITHSTAND = ("KIND STAND_AC", "LEVEL 1500", "RISE 0.5", "DWELL 1", "LIMIT:UPPER 0.01")


def test_a_clean_run_reads_what_the_circuit_gives_and_violates_nothing(rig: Rig) -> None:
    """100 Mohm and 4.4 nF at 1500 V, 50 Hz: 2.0735 mA, 15 uA in phase (reference values E1)."""
    rig.route("hv", "1", "3")
    rig.start(*WITHSTAND)
    fields = rig.finish()
    assert fields[2] == "PASS"
    assert float(fields[4]) == pytest.approx(2.0735054e-3, rel=1e-4)
    assert float(fields[5]) == pytest.approx(15.000e-6, rel=1e-2)
    rig.matrix.check("1 OPEN", ["1 OPEN OK"])
    rig.clock.advance(0.05)
    rig.route("hc", "3", "4")
    rig.route("sense", "3", "4")
    rig.start("KIND BOND_AC", "LEVEL 25", "LIMIT:UPPER 0.1")
    assert float(rig.finish()[6]) == pytest.approx(0.042, rel=1e-4)
    assert rig.bench.violations == ()


def test_readings_depend_on_which_relays_are_closed(rig: Rig) -> None:
    """More points on the source side, more current; none, next to none."""
    seen = []
    for source in ("", "1", "1,2"):
        rig.route("hv", source, "3")
        rig.start(*WITHSTAND)
        seen.append(float(rig.finish()[4]))
    assert seen[0] < 1e-6
    assert seen[0] < seen[1] < seen[2]


def test_a_relay_moved_while_the_output_is_on_is_logged_twice(rig: Rig) -> None:
    """Once for the command, once for the contacts that move."""
    rig.route("hv", "1", "3")
    rig.start(*WITHSTAND)
    rig.clock.advance(0.6)
    rig.matrix.check("1 OPEN", ["1 OPEN OK"])
    rig.clock.advance(0.05)
    assert rig.violations() == {What.RELAY_COMMANDED_HOT, What.RELAY_MOVED_HOT}


def test_a_relay_moved_under_residual_voltage_is_logged(rig: Rig) -> None:
    """The output is off, but the charge is still there."""
    rig.orrin.output.faults.stuck_discharge = True
    rig.route("hv", "1", "3")
    rig.start("KIND STAND_DC", "LEVEL 1000", "LIMIT:UPPER 0.01", "DWELL 0.5")
    rig.clock.advance(1.0)
    assert not rig.bench.state().any_on
    rig.matrix.check("1 OPEN", ["1 OPEN OK"])
    assert rig.violations() == {What.RELAY_COMMANDED_HOT}


def test_an_output_switched_on_while_contacts_move_is_logged(rig: Rig) -> None:
    """A start 5 ms after SET OK."""
    rig.set_up(*WITHSTAND)
    rig.matrix.instrument.feed(b"1 SET hv source=[1] return=[3]\n")
    rig.tester.instrument.feed(b"TASK:BEGIN\n")
    assert What.STARTED_WHILE_MOVING in rig.violations()


def test_energised_with_the_guard_open_is_logged_after_a_testers_time_to_switch_off(
    rig: Rig,
) -> None:
    """An armed tester is off in time; one that isn't armed isn't."""
    rig.route("hv", "1", "3")
    rig.tester.ask("GUARD:WATCH ON")
    rig.start(*WITHSTAND)
    rig.clock.advance(0.7)
    rig.bench.guard_closed = False
    rig.clock.advance(1.0)
    assert rig.violations() == set()
    rig.bench.guard_closed = True
    rig.tester.ask("TASK:CLEAR")
    rig.tester.ask("GUARD:WATCH OFF")
    rig.start(*WITHSTAND)
    rig.bench.after(0.7, lambda: setattr(rig.bench, "guard_closed", False))
    rig.clock.advance(1.0)
    assert rig.violations() == {What.GUARD_OPEN}


def test_contacts_above_their_rating_are_logged_open_ones_too(rig: Rig) -> None:
    """3500 V on hv (5000 V) also stands on the open hc and sense contacts (3000 V)."""
    rig.route("hv", "1", "3")
    rig.start("KIND STAND_AC", "LEVEL 3500", "LIMIT:UPPER 0.05", "DWELL 0.5")
    rig.finish()
    assert rig.violations() == {What.CONTACT_OVER_RATING}
    details = {v.detail.partition(":")[0] for v in rig.bench.violations}
    assert "m/u/hc/1 to return (open)" in details
    assert not any(detail.startswith("m/u/hv") for detail in details)


def test_a_sense_contact_that_carries_the_test_current_is_over_its_rating(rig: Rig) -> None:
    """25 A through contacts for 0.5 A."""
    rig.bench.wire_terminal("t", "sense high", "PE")
    rig.bench.wire_terminal("t", "sense low", "CASE")
    rig.bench.feed("t", "high-current output", "m/u", "sense", "source")
    rig.bench.feed("t", "high-current return", "m/u", "sense", "return")
    rig.route("sense", "3", "4")
    rig.start("KIND BOND_AC", "LEVEL 25", "LIMIT:UPPER 0.1", "DWELL 0.5")
    rig.finish()
    assert any("rated 0.5 A" in v.detail for v in rig.bench.violations)


def test_source_and_return_on_one_point_are_logged(rig: Rig) -> None:
    """Here by a welded contact; the reading shows a short circuit, too."""
    matrix = rig.matrix.instrument
    assert isinstance(matrix, Lattice)
    matrix.relays["u"].weld("hv", 3, "source")
    rig.route("hv", "1", "3")
    assert rig.violations() == {What.BOTH_SIDES}


def test_an_idle_testers_terminal_above_its_rating_is_logged(rig: Rig) -> None:
    """A Pell (4300 V rms) on the net that an Orrin puts at 5000 V."""
    rig.bench.add("idle", "pell")
    rig.bench.wire_terminal("idle", "output", "L")
    rig.route("hv", "1", "3")
    rig.start("KIND STAND_AC", "LEVEL 4800", "LIMIT:UPPER 0.05", "DWELL 0.5")
    rig.finish()
    assert What.TERMINAL_OVER_RATING in rig.violations()


def test_an_output_on_for_longer_than_ordered_is_logged(rig: Rig) -> None:
    """The dwell runs three times as long as ordered."""
    rig.orrin.output.faults.dwell_factor = 3.0
    rig.route("hv", "1", "3")
    rig.start(*WITHSTAND)
    rig.finish()
    assert rig.violations() == {What.TOO_LONG}


def test_a_level_that_is_not_reached_ends_as_a_source_fault(rig: Rig) -> None:
    """Unless the tester is blind to it: then it says PASS, with the level in its result."""
    faults = rig.orrin.output.faults
    faults.level_factor = 0.9
    rig.route("hv", "1", "3")
    faults.blind_to_level = True
    rig.start(*WITHSTAND)
    assert rig.finish()[2:4] == ["PASS", "+1.35000E+03"]
    faults.blind_to_level = False
    rig.start(*WITHSTAND)
    assert rig.finish()[2] == "SOURCE"
    rig.tester.check("SYST:ERR?", ['304,"Source fault"'])


def test_a_dwell_cut_short_shows_in_the_testers_own_figure(rig: Rig) -> None:
    """Half the dwell, and still PASS."""
    rig.orrin.output.faults.dwell_factor = 0.5
    rig.route("hv", "1", "3")
    rig.start(*WITHSTAND)
    fields = rig.finish()
    assert (fields[2], fields[7]) == ("PASS", "+5.00000E-01")


def test_a_wrong_verdict_can_stand_beside_a_right_reading(rig: Rig) -> None:
    """PASS, though the limit is broken by a factor of twenty."""
    rig.orrin.output.faults.verdict_override = Verdict.PASS
    rig.route("hv", "1", "3")
    rig.start(*WITHSTAND, "LIMIT:UPPER 0.0001", "LIMIT:RISE OFF")
    fields = rig.finish()
    assert fields[2] == "PASS"
    assert float(fields[4]) > 0.002


def test_the_status_can_lag_the_start_though_the_output_is_on(rig: Rig) -> None:
    """For as long as the fault says; the output rises meanwhile."""
    rig.orrin.output.faults.start_lag_s = 0.2
    rig.route("hv", "1", "3")
    rig.start(*WITHSTAND)
    assert rig.bench.state().any_on
    rig.tester.check("TASK:STATE?", ["REST"])
    rig.clock.advance(0.2)
    rig.tester.check("TASK:STATE?", ["RISE"])


def test_a_contact_that_opens_during_a_bonding_test_is_an_open_lead(rig: Rig) -> None:
    """The reading at the end is over range and the verdict HIGH."""
    matrix = rig.matrix.instrument
    assert isinstance(matrix, Lattice)
    rig.route("hc", "3", "4")
    rig.route("sense", "3", "4")
    rig.start("KIND BOND_AC", "LEVEL 25", "LIMIT:UPPER 0.1", "DWELL 1")
    rig.bench.after(0.5, lambda: matrix.relays["u"].break_contact("hc", 3, "source"))
    assert rig.finish()[2::4] == ["HIGH", "+9.90000E+37"]


def test_the_charge_drains_through_the_discharge_resistor(rig: Rig) -> None:
    """t = R C ln(U0/U) to 25 V, R 100 kohm (and 100 Mohm beside it), C 4.4 nF and 1 nF of leads."""
    rig.bench.wire_terminal("t", "output", "X")
    rig.bench.wire_terminal("t", "return", "Y")
    load(rig.bench, "parts: [{between: [X, Y], capacitance: 1 uF}]")
    rig.start("KIND STAND_DC", "LEVEL 1000", "RISE 5", "LIMIT:UPPER 0.01", "DWELL 0.5")
    rig.clock.advance(5.5)
    # 1.001 uF, 100 kohm: 0.1001 s * ln(1000 / 25) = 0.369 s
    rig.clock.advance(0.36)
    rig.tester.check("TASK:STATE?", ["BLEED"])
    assert rig.bench.state().outputs["t"].dc_v == pytest.approx(27, abs=1.5)
    rig.clock.advance(0.01)
    rig.tester.check("TASK:STATE?", ["DONE"])


def test_the_result_is_the_same_however_time_is_cut_up(rig: Rig) -> None:
    """One jump of ten seconds or a thousand of ten milliseconds."""
    results = []
    for step_s, times in ((10.0, 1), (0.01, 1000)):
        again = Rig()
        again.route("hv", "1,2", "3")
        again.start(*WITHSTAND)
        for _ in range(times):
            again.clock.advance(step_s)
        results.append(again.finish())
    assert results[0] == results[1]


@pytest.mark.parametrize(
    "text",
    [
        "parts: []",
        "parts: [{between: [A, A], resistance: 1 ohm}]",
        "parts: [{between: [A, B]}]",
        "parts: [{between: [A, B], resistance: 1}]",
        "parts: [{between: [A, B], ohm: 1 ohm}]",
    ],
)
def test_a_unit_file_with_a_fault_is_refused(rig: Rig, text: str) -> None:
    """Strict like every other file."""
    with pytest.raises(Refused):
        load(rig.bench, text)


def test_names_that_do_not_exist_are_refused_while_wiring(rig: Rig) -> None:
    """Unknown kinds, units, banks, channels; a name or a channel used twice."""
    for attempt in (
        lambda: rig.bench.add("x", "nothing"),
        lambda: rig.bench.add("t", "pell"),
        lambda: rig.bench.wire("m/v", "hv", 1, "L"),
        lambda: rig.bench.wire("m/u", "hv", 9, "L"),
        lambda: rig.bench.wire("m/u", "hv", 1, "L"),
        lambda: rig.bench.feed("t", "output", "m/u", "lv", "source"),
        lambda: rig.bench.add("y", "orrin", serial="QO-1"),
    ):
        with pytest.raises(ValueError, match=r".+"):
            attempt()
