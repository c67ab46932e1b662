"""Random histories of a station, with the same invariants after each run."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from drivers.simulators.faults import late, silent
from drivers.simulators.output_models import Phase
from drivers.simulators.unit import parse_unit
from drivers.simulators.violations import What
from orchestrator.model.record import RunResult
from orchestrator.model.words import Outcome
from orchestrator.records.reader import list_runs
from orchestrator.records.verify import verify
from tests.faults.rig import SAFE_AC_V, SAFE_DC_V, Rig
from tests.faults.stations import GOOD, LEAKY, POOR_EARTH, STATIONS

UNITS = {"good": GOOD, "leaky": LEAKY, "poor earth": POOR_EARTH}
THOROUGH = os.environ.get("OHMWARD_PROPERTY_PROFILE") == "thorough"
MOMENTS = st.sampled_from([Phase.RISE, Phase.HOLD, Phase.FALL, Phase.BLEED])


class Histories(RuleBasedStateMachine):
    """Runs, guards, cancels, mute and power-cycled instruments, units, in any order."""

    station = "orrin"

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="ohmward-history-"))
        self.rig = Rig(self.folder, self.station)
        self.unit = "good"
        self.runs: list[RunResult] = []

    def teardown(self) -> None:
        if hasattr(self, "rig"):
            self.rig.close()
            assert verify(self.folder / "records.sqlite").ok
            told = [(r.run_id, str(r.outcome)) for r in reversed(self.runs)]
            if told:
                kept = list_runs(self.folder / "records.sqlite", limit=1000)
                assert [(r.run_id, r.outcome) for r in kept] == told
            shutil.rmtree(self.folder, ignore_errors=True)

    # ---- what may happen between runs

    @rule(closed=st.booleans())
    def guard(self, closed: bool) -> None:
        self.rig.bench.guard_closed = closed

    @rule(unit=st.sampled_from(sorted(UNITS)))
    def exchange_unit(self, unit: str) -> None:
        if self.rig.bench.state().closed:
            return  # the station says to keep away
        self.unit = unit
        self.rig.bench.load_unit(parse_unit(UNITS[unit]))

    @rule(which=st.sampled_from(["tester", "chain"]), mute=st.booleans())
    def turn_mute(self, which: str, mute: bool) -> None:
        self.rig.instrument(which).faults.mute = mute

    @rule(which=st.sampled_from(["tester", "chain"]))
    def power_cycle(self, which: str) -> None:
        self.rig.instrument(which).power_cycle()

    @rule(seconds=st.sampled_from([0.01, 1.0, 7.0, 100.0]))
    def wait(self, seconds: float) -> None:
        self.rig.clock.advance(seconds)

    @rule()
    def take_over(self) -> None:
        """Whatever stood before: it ends safe or says why not."""
        remedy = "none needed"
        try:
            self.rig.live.take_over()
        except Exception as error:
            remedy = getattr(error, "remedy", "")
        assert remedy

    # ---- runs, and what may happen in them

    @rule()
    def run_undisturbed(self) -> None:
        self._run()

    @rule(moment=MOMENTS)
    def run_with_the_guard_opened(self, moment: Phase) -> None:
        self.rig.during(moment, self.rig.open_guard)
        self._run()

    @rule(moment=MOMENTS)
    def run_cancelled(self, moment: Phase) -> None:
        self.rig.during(moment, lambda: self.rig.live.cancel("stopped by the operator"))
        self._run()

    @rule(moment=MOMENTS, which=st.sampled_from(["tester", "chain"]))
    def run_turned_mute(self, moment: Phase, which: str) -> None:
        faults = self.rig.instrument(which).faults
        self.rig.during(moment, lambda: setattr(faults, "mute", True))
        self._run()

    @rule(moment=MOMENTS)
    def run_with_a_power_cycle(self, moment: Phase) -> None:
        self.rig.during(moment, self.rig.tester.power_cycle)
        self._run()

    @rule(moment=MOMENTS)
    def run_with_a_dropped_link(self, moment: Phase) -> None:
        self.rig.during(moment, self.rig.tester.faults.drop_link)
        self._run()

    @rule(number=st.integers(0, 250), slow=st.booleans())
    def run_with_a_lost_answer(self, number: int, slow: bool) -> None:
        change: Any = late(0.3) if slow else silent
        self.rig.tester.faults.on(change, skip=number)
        self._run()

    def _run(self) -> None:
        outcome = self.rig.run_or_error()
        self.rig._when.clear()
        self.rig.clock.advance(8.0)
        if not isinstance(outcome, RunResult):
            assert getattr(outcome, "remedy", "")
            return
        self.runs.append(outcome)
        if outcome.outcome is Outcome.PASS:
            assert self.unit == "good"
            assert all(step.outcome is Outcome.PASS for step in outcome.steps)
        if outcome.outcome is Outcome.NO_VERDICT:
            assert outcome.reason
            assert outcome.remedy
        if not outcome.relays_kept:
            state = self.rig.bench.state()
            assert not state.closed
            output = state.outputs[self.rig.make.tester]
            assert output.ac_v <= SAFE_AC_V
            assert output.dc_v <= SAFE_DC_V

    # ---- always, between runs

    @invariant()
    def nothing_is_on(self) -> None:
        if hasattr(self, "rig"):
            assert not self.rig.bench.state().any_on

    @invariant()
    def nothing_is_on_the_violation_log(self) -> None:
        if hasattr(self, "rig"):
            # sprig.md 4: contacts drop with the Stave's power, under voltage or not.
            by_nature = {What.RELAY_MOVED_HOT} if self.station == "stave" else set()
            found = {violation.what for violation in self.rig.bench.violations}
            assert found <= by_nature, self.rig.bench.violations


@pytest.mark.slow
@pytest.mark.parametrize("station", STATIONS)
def test_no_history_leads_to_an_unsafe_state_or_a_false_pass(station: str) -> None:
    """Whatever the order of runs, faults and hands: safe after each, told, and on record."""
    machine = type(f"Histories{station}", (Histories,), {"station": station})
    steps = settings(
        max_examples=400 if THOROUGH else 8,
        stateful_step_count=8,
        deadline=None,
        print_blob=True,
    )
    case = machine.TestCase  # type: ignore[attr-defined]
    case.settings = steps
    case("runTest").runTest()
