"""What is not believed: figures of another start, marks that mark nothing, another's schedule."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from drivers.adapters.identity import identity_of
from drivers.adapters.results import contradiction
from drivers.language.profile_common import Identify
from orchestrator.assembly.live import open_station
from orchestrator.clock import VirtualClock
from orchestrator.contract import StartMark
from orchestrator.documents import read_document
from orchestrator.errors import Refused
from orchestrator.model.program import Program
from orchestrator.model.record import Reading
from orchestrator.model.words import Measured, Outcome
from orchestrator.running.judge import judge
from tests.faults.stations import SHORT_PROGRAM, write_station
from tests.running.test_judge import ABILITIES, GOOD, PROVED, STEP

SENT = {"kind": "withstand_ac", "slot": 2}


@pytest.mark.parametrize(
    ("fields", "mark", "after", "told"),
    [
        ({"kind": "insulation"}, StartMark(), None, "of kind insulation"),
        ({"slot": 1}, StartMark(), None, "of slot 1"),
        ({"counter": 7}, StartMark(counter=7), 7, "still shows 7"),
        ({}, StartMark(counter=7), 7, "still shows 7"),
        ({"counter": 8}, StartMark(counter=7), 9, "the tester is at 9"),
        ({"kind": "withstand_ac", "slot": 2, "counter": 8}, StartMark(counter=7), 8, ""),
        ({}, StartMark(), None, ""),
    ],
)
def test_a_result_that_names_another_step_or_start_is_not_this_ones(
    fields: dict[str, Any], mark: StartMark, after: int | None, told: str
) -> None:
    """Also where an active state was seen: that proves a start, not whose figures these are."""
    found = contradiction(fields, SENT, mark, after)
    assert told in found
    assert bool(found) is bool(told)


@pytest.mark.parametrize("mark", [None, ""])
def test_an_instrument_without_a_mark_is_real(mark: str | None) -> None:
    """Every serial number begins with an empty text."""
    model = Identify.model_construct(expect={}, simulated_serial=mark)
    assert not identity_of("it", model, {"serial": "S-4711"}).simulated


@pytest.mark.parametrize(
    ("volts", "outcome"), [("1545", Outcome.PASS), ("1600", Outcome.NO_VERDICT)]
)
def test_a_withstand_level_far_above_the_ordered_one_is_no_pass(
    volts: str, outcome: Outcome
) -> None:
    """1500 V ordered: 3 % and the reading's own 1 % + 5 V are 1565 V; above, the set-up failed."""
    values = {**GOOD.values, Measured.VOLTAGE: Reading(Decimal(volts))}
    found = judge(STEP, replace(GOOD, values=values), PROVED, ABILITIES)
    assert found.outcome is outcome, found.reason


def test_a_time_told_only_as_a_bound_above_it_proves_no_dwell() -> None:
    """'Below 2 s' may be nothing at all."""
    values = {**GOOD.values, Measured.TIME: Reading(Decimal(2), "below")}
    found = judge(STEP, replace(GOOD, values=values), PROVED, ABILITIES)
    assert found.outcome is Outcome.NO_VERDICT


def test_a_schedule_bound_to_another_station_is_refused(tmp_path: Path) -> None:
    """Else one bound to a simulated copy would pass the gate of a real station unasked."""
    path = write_station(tmp_path, "orrin")
    (tmp_path / "short.yaml").write_text(SHORT_PROGRAM, encoding="utf-8")
    program = read_document(tmp_path / "short.yaml", Program)
    with open_station(path, clock=VirtualClock()) as live:
        schedule = live.bind(program)
    path.write_text(path.read_text(encoding="utf-8") + "# moved a wire\n", encoding="utf-8")
    with open_station(path, clock=VirtualClock()) as live:
        for other in (schedule, replace(live.bind(program), simulated=False)):
            with pytest.raises(Refused, match="not bound to this station"):
                live.run(other, serial="K1", confirm=lambda _cautions, _real: True)
        assert live.run(live.bind(program), serial="K1").outcome is Outcome.PASS


def test_virtual_time_is_refused_where_an_instrument_is_real(tmp_path: Path) -> None:
    """In it no input is ever stale and no dwell ever proved."""
    path = write_station(tmp_path, "orrin")
    text = path.read_text(encoding="utf-8").replace("simulated: yes", "simulated: no")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Refused, match="virtual time"):
        open_station(path, clock=VirtualClock())
