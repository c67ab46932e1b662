"""A station with two testers and two chains: each step goes to the one that can do it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import VirtualClock
from orchestrator.documents import read_document
from orchestrator.model.program import Program
from orchestrator.model.words import Outcome, StepKind
from orchestrator.records.verify import verify
from tests.faults.stations import GOOD, GUARD_INPUT, POINTS, PROGRAM, STEPS, TESTER_INPUT

STATION = """\
name: two testers
testers:
  orrin: {profile: orrin, simulated: yes, link: {kind: simulated, instrument: orrin}}
  pell: {profile: pell, simulated: yes, link: {kind: simulated, instrument: pell}}
chains:
  lattice:
    profile: lattice
    simulated: yes
    link: {kind: simulated, instrument: lattice}
    units:
      - name: upper
        address: 3
        feeds:
          hv: {source: orrin.output, return: orrin.return}
  comb:
    profile: comb
    simulated: yes
    link: {kind: simulated, instrument: comb}
    units:
      - name: left
        address: 5
        feeds:
          bond: {source: pell.high_current_output, return: pell.high_current_return}
          sense: {source: pell.sense_high, return: pell.sense_low}
exemptions:
  - {rule: relay_position, instrument: comb, reason: the Comb reads back coil currents}
simulated_unit: unit.yaml
interlock:
"""


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveStation]:
    """The station, opened in virtual time."""
    lines = [STATION + TESTER_INPUT.format(tester="orrin").replace("door contact", "Orrin's door")]
    lines.append(TESTER_INPUT.format(tester="pell").replace("door contact", "Pell's door"))
    lines.append(GUARD_INPUT + "positions:\n")
    for letter, place in (
        ("H", "lattice/upper/hv"),
        ("C", "comb/left/bond"),
        ("S", "comb/left/sense"),
    ):
        lines += [f"  {letter}{n}: {place}/{n}\n" for n in range(1, len(POINTS) + 1)]
    lines.append("fixture:\n  name: Brindle cradle\n  points:\n")
    lines += [
        f"    {point}: {{source: [H{n}, C{n}], sense: S{n}}}\n" for n, point in enumerate(POINTS, 1)
    ]
    (tmp_path / "unit.yaml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "program.yaml").write_text(PROGRAM, encoding="utf-8")
    path = tmp_path / "station.yaml"
    path.write_text("".join(lines), encoding="utf-8")
    with open_station(path, clock=VirtualClock()) as opened:
        yield opened


def test_bonding_goes_to_one_tester_and_high_voltage_to_the_other(
    live: LiveStation, tmp_path: Path
) -> None:
    """Only the Pell feeds high-current buses, only the Orrin the high-voltage one."""
    schedule = live.bind(read_document(tmp_path / "program.yaml", Program))
    testers = {step.name: step.tester for step in schedule.steps}
    assert testers["bond shell"] == "pell"
    high = [s.tester for s in schedule.steps if s.kind is StepKind.WITHSTAND_AC]
    assert high == ["orrin"]
    result = live.run(schedule, serial="K1")
    assert [(s.name, s.outcome) for s in result.steps] == [(n, Outcome.PASS) for n in STEPS]
    state = live.bench.state()
    assert not state.any_on
    assert not state.closed
    assert live.bench.violations == ()


def test_a_trip_at_one_tester_stops_both(live: LiveStation, tmp_path: Path) -> None:
    """Safe-off asks every tester, the idle one too, before a relay of any chain moves."""
    bench = live.bench

    def watch(_: float) -> None:
        if bench.outputs["orrin"].phase is Phase.HOLD and bench.guard_closed:
            bench.guard_closed = False

    live.clock.on_advance(watch)  # type: ignore[attr-defined]
    result = live.run(read_document(tmp_path / "program.yaml", Program), serial="K1")
    assert result.outcome is Outcome.NO_VERDICT
    assert any(line.startswith(b"ST") for line in list(bench.instruments["pell"].faults.seen)[-40:])
    assert b"TASK:HALT" in list(bench.instruments["orrin"].faults.seen)[-40:]
    assert not bench.state().closed
    assert bench.violations == ()
    live.close()
    assert verify(tmp_path / "records.sqlite").ok


def test_an_idle_tester_that_turns_mute_keeps_all_relays(live: LiveStation, tmp_path: Path) -> None:
    """Unknown counts as energised, whichever tester it is."""
    bench = live.bench

    def watch(_: float) -> None:
        if bench.outputs["orrin"].phase is Phase.HOLD:
            bench.instruments["pell"].faults.mute = True

    live.clock.on_advance(watch)  # type: ignore[attr-defined]
    result = live.run(read_document(tmp_path / "program.yaml", Program), serial="K1")
    assert result.outcome is Outcome.NO_VERDICT
    assert result.relays_kept
    assert "keep away" in result.remedy
    assert not bench.state().any_on
    assert bench.violations == ()
