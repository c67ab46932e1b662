"""A planned program on simulated instruments: sound units pass, every single leak is located."""

from __future__ import annotations

from itertools import product as pairs_of
from pathlib import Path

import pytest

from orchestrator.coverage.cover import cover
from orchestrator.documents import parse_document
from orchestrator.model.program import Program
from orchestrator.model.resolve import read_demands
from orchestrator.model.words import Outcome, SearchEnding
from orchestrator.planning.planner import plan
from orchestrator.planning.writing import program_text
from tests.faults.fixtures import MakeRig
from tests.faults.stations import STATIONS, unit_text
from tests.runs.test_locating import leak

PRODUCT = """\
name: Brindle kettle warmer, planned (invented)
revision: "1"
nets: {earth: earth, shell: shell, line: line, neutral: neutral, coil a: coil a, coil b: coil b}
circuits:
  mains: {nets: [line, neutral]}
  coil: {nets: [coil a, coil b]}
protective_earth: earth
accessible_parts: shell
loads:
  - {name: heater, between: [line, neutral], level: 0.2 A, dwell: 0.3 s,
     accept: {at_least: 5 ohm, at_most: 18 ohm}}
  - {name: coil winding, between: [coil a, coil b], level: 0.2 A, dwell: 0.3 s,
     accept: {at_most: 10 ohm}}
never_above:
  - {between: [mains, all_others], ac: 1500 V, dc: 2200 V}
  - {between: [coil, protective_earth], ac: 500 V, dc: 700 V}
demands:
  - {name: bond, kind: bonding, level: 10 A, frequency: 50 Hz, rise: 0.1 s, dwell: 0.3 s, fall: 0 s,
     accept: {resistance: {at_most: 100 mohm}}}
  - {name: insulation, kind: insulation, between: [mains, all_others], level: 500 V, rise: 0.2 s,
     dwell: 0.4 s, fall: 0 s, accept: {resistance: {at_least: 2 Mohm}}}
  - {name: withstand, kind: withstand_dc, between: [mains, all_others], level: 2120 V, rise: 0.3 s,
     dwell: 0.6 s, fall: 0 s, limits_during_rise: yes, accept: {total_current: {at_most: 5 mA}}}
"""


MAY_FLOAT = """\
allow:
  floating:
    - {nets: [earth, shell, line, neutral, coil a, coil b], up_to_dc: 500 V,
       reason: nothing in it holds a charge}
"""


def planned(folder: Path, allow: str = MAY_FLOAT) -> str:
    file = folder / "product.yaml"
    file.write_text(PRODUCT + allow, encoding="utf-8")
    demands = read_demands(file)
    text = program_text(plan(demands), demands)
    assert cover(demands, parse_document(text, "planned.yaml", Program)).complete
    return text


@pytest.mark.parametrize("station", STATIONS)
def test_a_sound_unit_passes_the_planned_program(
    make_rig: MakeRig, station: str, tmp_path: Path
) -> None:
    """The same program at every station."""
    rig = make_rig(station)
    result = rig.run(planned(tmp_path))
    rig.check(result, Outcome.PASS)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize(
    ("one", "other"),
    list(pairs_of(("line", "neutral"), ("earth", "shell", "coil a", "coil b"))),
)
def test_every_single_leak_is_detected_and_its_circuits_are_named(
    make_rig: MakeRig, station: str, tmp_path: Path, one: str, other: str
) -> None:
    """1.9 Mohm, under the 2 Mohm of one pair; nothing is withstood once more for it."""
    rig = make_rig(station, unit=unit_text(leak(one, other, "1.9 Mohm")))
    result = rig.run(planned(tmp_path))
    assert result.outcome is Outcome.FAIL
    (found,) = result.located
    named = {frozenset((*pair.one, *pair.other)) for pair in found.pairs}
    assert found.ending is SearchEnding.FOUND, found.reason
    assert any({one, other} <= points for points in named), named
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_where_no_net_may_float_the_search_says_what_holds_it_up(
    make_rig: MakeRig, station: str, tmp_path: Path
) -> None:
    """Earth and coil are never opposed, and none may be left open: both stay candidates."""
    rig = make_rig(station, unit=unit_text(leak("line", "coil a", "1.9 Mohm")))
    result = rig.run(planned(tmp_path, ""))
    (found,) = result.located
    assert found.ending is SearchEnding.STUCK
    assert "stand together" in found.reason
    assert len(found.candidates) == 2
    rig.check(result, Outcome.FAIL)
