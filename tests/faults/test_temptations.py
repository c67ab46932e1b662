"""Where a toy would slip through: one test for each way of making it easy for oneself.

Two more have their own files: the latency of a trip with the tester mute and the input changed by
another process, and a process that is really killed (test_kill.py). Safe-off on every path:
tests/sweep. Instruments that only tell events, a lost 'safe' line, a trip line between stop and
drain: tests/drivers/adapters/test_events_only.py and tests/profiles/test_tenth_dialect.py.
"""

from __future__ import annotations

import ast
import re
from decimal import Decimal
from pathlib import Path

import pytest

from drivers.simulators.faults import half
from drivers.simulators.output_models import Phase, Verdict
from orchestrator.errors import Refused
from orchestrator.model.words import Outcome
from tests.faults.dialects import CHAINS, TESTERS, rewritten
from tests.faults.fixtures import MakeRig
from tests.faults.stations import (
    PROGRAM,
    SHORT_PROGRAM,
    SHORT_STEPS,
    STATIONS,
    unit_text,
)

ROOT = Path(__file__).parents[2]
NO_EARTH = unit_text(without="[earth, shell]")


def test_simulators_know_nothing_of_profiles_or_their_language() -> None:
    """Written by hand from the prose: what reads a profile would err alike with it."""
    files = sorted((ROOT / "drivers" / "simulators").glob("*.py"))
    assert len(files) > 10
    for file in files:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        modules = {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
        modules |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        forbidden = ("drivers.language", "drivers.adapters", "orchestrator.resources")
        assert not [m for m in modules if m.startswith(forbidden)], file


def test_no_code_outside_the_simulators_and_the_demo_knows_an_instrument() -> None:
    """No Python hides behind a profile: names of shipped instruments occur in no adapter."""
    names = re.compile(r"\b(orrin|pell|stave|lattice|(?<!math\.)comb|sprig)\b", re.IGNORECASE)
    folders = ("drivers/adapters", "drivers/links", "orchestrator")
    for folder in folders:
        for file in (ROOT / folder).rglob("*.py"):
            if "demo" in file.name:
                continue
            found = [
                line for line in file.read_text(encoding="utf-8").splitlines() if names.search(line)
            ]
            assert not found, (file, found)


@pytest.mark.parametrize("station", STATIONS)
def test_the_first_complete_isn_t_believed_where_the_status_lags_by_100_ms(
    make_rig: MakeRig, station: str
) -> None:
    """The last run's 'complete' shows for 100 ms after the start: no step takes its result.

    The two last steps are of one kind, and the unit leaks in the last: an old result would pass.
    """
    rig = make_rig(station, unit=unit_text("{between: [line, coil b], resistance: 1.2 Mohm}"))
    rig.output.faults.start_lag_s = 0.1
    text = SHORT_PROGRAM.replace("kind: withstand_ac\n", "kind: withstand_dc\n").replace(
        "    frequency: 50 Hz\n    fall: 0.2 s\n", ""
    )
    text = text.replace("accept: {total_current: {at_least: 0.2 mA, at_most: 5 mA}}", AT_MOST_5)
    text = text.replace("level: 1250 V", "level: 500 V").replace("others: against", "others: open")
    result = rig.run(text)
    assert result.steps[-1].outcome is not Outcome.PASS
    rig.check(result, (Outcome.FAIL, Outcome.NO_VERDICT))


AT_MOST_5 = "accept: {total_current: {at_most: 5 mA}}"


@pytest.mark.parametrize("station", STATIONS)
def test_one_relay_closed_too_many_is_no_route_in_whatever_order_it_is_told(
    make_rig: MakeRig, station: str
) -> None:
    """The whole list is compared as a set: all that was wanted is there, and one more."""
    rig = make_rig(station)
    dialect = CHAINS[station]
    message, old, new = {
        "orrin": (b"3 CONTACTS? hv", b"CONTACTS hv ", b"CONTACTS hv 8:source "),
        "pell": (b"{05R1", b"r10C", b"r18C"),
        "stave": (b"do=look,bank=mix", b"moving=no", b"moving=no,c09=source"),
    }[station]
    rig.after_step(
        SHORT_STEPS[1],
        lambda: rig.chain.faults.on(
            rewritten(dialect.framing, old, new), message=message, times=None
        ),
    )
    result = rig.run()
    assert rig.output.starts == len(SHORT_STEPS) - 1
    assert "closed too many" in result.reason
    rig.check(result, before=SHORT_STEPS[:2], relays="kept" if result.relays_kept else "open")


@pytest.mark.parametrize("station", STATIONS)
def test_no_timer_makes_a_discharge_confirmed(make_rig: MakeRig, station: str) -> None:
    """A minute in 'discharging': not confirmed, however long one waits."""
    rig = make_rig(station)
    rig.during(
        Phase.HOLD,
        lambda: setattr(rig.output.faults, "stuck_discharge", True),
        step="withstand coil",
    )
    result = rig.run()
    rig.clock.advance(60.0)
    assert rig.bench.state().outputs[rig.make.tester].dc_v > 60.0
    assert "discharg" in result.reason
    rig.check(result, before=SHORT_STEPS[:2], relays="kept", residual=True)


@pytest.mark.parametrize("station", STATIONS)
def test_every_answer_that_comes_in_two_halves_is_read_whole(
    make_rig: MakeRig, station: str
) -> None:
    """Each reply of the whole run crosses several read slices (10 ms): nothing lost or joined."""
    rig = make_rig(station)
    rig.tester.faults.on(half(0.024), times=None)
    rig.chain.faults.on(half(0.024), times=None)
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


@pytest.mark.parametrize("station", STATIONS)
def test_an_over_range_bonding_resistance_fails(make_rig: MakeRig, station: str) -> None:
    """An open earth lead: above the measuring range is above the limit."""
    rig = make_rig(station, unit=NO_EARTH)
    result = rig.run()
    assert result.steps[0].outcome is Outcome.FAIL
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_an_over_range_bonding_resistance_told_as_a_pass_is_no_pass(
    make_rig: MakeRig, station: str
) -> None:
    """The tester says pass beside a reading above its range: our judgement doesn't agree."""
    rig = make_rig(station, unit=NO_EARTH)
    rig.output.faults.verdict_override = Verdict.PASS
    result = rig.run()
    assert result.steps[0].outcome is Outcome.NO_VERDICT
    rig.check(result)


@pytest.mark.parametrize("station", STATIONS)
def test_an_insulation_limit_above_the_end_of_the_range_is_refused(
    make_rig: MakeRig, station: str
) -> None:
    """'Above 2 to 10 Gohm' would say nothing about 20 Gohm."""
    rig = make_rig(station)
    with pytest.raises(Refused) as refused:
        rig.live.bind(rig.program(PROGRAM.replace("at_least: 2 Mohm", "at_least: 20 Gohm")))
    assert "insulation mains" in str(refused.value)


WIRE = {
    # asked 1255 V, 4.9996 mA at most, 0.2001 mA at least
    "orrin": (Decimal(1255), Decimal("0.004999"), Decimal("0.000201")),
    "pell": (Decimal(1260), Decimal("0.00499"), Decimal("0.00021")),
    "stave": (Decimal(1255), Decimal("0.00499"), Decimal("0.00021")),
}
"""Resolutions by the prose: orrin.md 4 (1 V, 1 uA), pell.md 3 (10 V, 10 uA), stave.md 3 (1 V,
10 uA). A level goes up to what the wire can carry, at_most down, at_least up."""


@pytest.mark.parametrize("station", STATIONS)
def test_set_points_off_the_grid_reach_the_instrument_rounded_the_strict_way(
    make_rig: MakeRig, station: str
) -> None:
    """Looked at inside the simulated instrument, not in a message."""
    rig = make_rig(station)
    found: list[tuple[float, float | None, float | None]] = []

    def note() -> None:
        order = rig.output.order
        assert order is not None
        found.append((order.level, order.upper, order.lower))

    rig.during(Phase.HOLD, note, step="withstand mains")
    text = SHORT_PROGRAM.replace("level: 1250 V", "level: 1255 V").replace(
        "{at_least: 0.2 mA, at_most: 5 mA}", "{at_least: 0.2001 mA, at_most: 4.9996 mA}"
    )
    result = rig.run(text)
    level, upper, lower = WIRE[station]
    assert found == [pytest.approx((float(level), float(upper), float(lower)), rel=1e-9)]
    rig.check(result, Outcome.PASS)


@pytest.mark.parametrize("station", STATIONS)
def test_the_stop_goes_out_before_anything_else_is_said(make_rig: MakeRig, station: str) -> None:
    """On a trip nothing is asked first, not even whether the link is in step."""
    rig = make_rig(station)
    opened: list[int] = []

    def open_guard() -> None:
        opened.append(len(rig.tester.faults.seen))
        rig.open_guard()

    rig.during(Phase.HOLD, open_guard, step="withstand mains")
    result = rig.run()
    after = list(rig.tester.faults.seen)[opened[0] :]
    stops = [
        n for n, line in enumerate(after) if line.startswith(TESTERS[station].messages["stop"])
    ]
    # What was in work or was sent within the same 10 ms scan may come before it.
    assert stops[0] <= 3, after[:6]
    rig.check(result, before=SHORT_STEPS[:1])
