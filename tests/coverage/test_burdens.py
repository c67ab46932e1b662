"""Stored energy, contacts closed at once, and currents through loads."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.coverage.test_cover import Data, contact, judged, said, withstand

POINTS = ["a", "b", "c", "d"]


def product(**more: Any) -> Data:
    demand = withstand("strength", [], [], between=[["a"], ["b"]])
    made: Data = {
        "name": "invented",
        "revision": "1",
        "nets": {point: point for point in POINTS},
        "demands": [{k: v for k, v in demand.items() if k not in {"apply_to", "against"}}],
        "allow": {"unproved_contact": [{"points": POINTS, "reason": "not the question here"}]},
    }
    allow = {"undeclared_pairs": {"ac": "9 kV", "dc": "9 kV", "reason": "it is so built"}}
    made["allow"] |= {**allow, **more.pop("allow", {})}
    return {**made, **more}


def strays(value: str, percent: str = "0") -> list[Data]:
    return [{"between": [["a"], ["b"]], "value": value, "tolerance_percent": percent}]


AC = withstand("ac", ["a", "c"], ["b", "d"], level_ceiling="1 kV")


def test_more_stored_energy_than_is_allowed_is_named() -> None:
    """½ · 100 nF · (6 kV)² = 1.8 J; EN 50191:2010, clause 1.2 (d) allows 350 mJ."""
    dc = {**withstand("dc", ["a", "c"], ["b", "d"], level="6 kV"), "kind": "withstand_dc"}
    del dc["frequency"]
    found = judged(product(capacitances=strays("100 nF")), AC, {**dc, "level_ceiling": "6 kV"})
    (stored,) = found.stored
    assert (stored.step, stored.energy_j, stored.peak_v) == (2, Decimal("1.8"), Decimal(6000))
    told = "step 2 (dc) may store 1.8 J (½CU² of 100 nF at 6 kV); at most 350 mJ are allowed"
    assert told in said(found)
    assert not found.complete


@pytest.mark.parametrize(("value", "found"), [("291 nF", 0), ("292 nF", 1)])
def test_of_ac_the_peak_counts_and_of_the_capacitance_the_most(value: str, found: int) -> None:
    """½ · 1.2 · 291 nF · (√2 · 1 kV)² = 349 mJ, with 292 nF 350.4 mJ."""
    judgement = judged(product(capacitances=strays(value, "20")), AC)
    assert len(judgement.stored) == found
    assert judgement.complete is not bool(found)


def test_the_level_is_the_most_that_the_wire_may_carry() -> None:
    """3 % above 1 kV: 1.061 times the energy."""
    loose = {k: v for k, v in AC.items() if k != "level_ceiling"}
    assert judged(product(capacitances=strays("340 nF")), AC).stored == ()
    assert judged(product(capacitances=strays("340 nF")), loose).stored != ()


def test_more_contacts_than_may_be_closed_at_once_are_named() -> None:
    """Points on both sides."""
    assert judged(product(allow={"relays_at_most": 4}), AC).complete
    found = judged(product(allow={"relays_at_most": 3}), AC)
    assert (found.crowded[0].contacts, found.crowded[0].allowed) == (4, 3)
    assert "step 1 (ac) closes 4 contacts at once; at most 3 are allowed" in said(found)
    assert not found.complete


def load(name: str, one: str, other: str, level: str) -> Data:
    accept = {"at_most": "100 ohm"}
    return {"name": name, "between": [one, other], "level": level, "accept": accept}


SENSOR = [load("sensor", "a", "c", "1 mA"), load("coil", "c", "d", "2 A")]
PROOF = [
    contact("sensor", "a", "c", level="1 mA", dwell="0.5 s",
            accept={"resistance": {"at_most": "100 ohm"}}),
    contact("coil", "c", "d", level="2 A", dwell="0.5 s",
            accept={"resistance": {"at_most": "100 ohm"}}),
]  # fmt: skip
ALL = withstand("ac", ["a", "c", "d"], ["b"])


def bonding(one: str, other: str, level: str = "25 A") -> Data:
    step: Data = {"name": "oops", "kind": "bonding", "frequency": "50 Hz", "dwell": "1 s"}
    step |= {"apply_to": [one], "against": [other], "level": level}
    return {**step, "accept": {"resistance": {"at_most": "100 ohm"}}}


def test_a_bonding_current_through_a_load_is_named() -> None:
    """25 A through a sensor that 1 mA shows."""
    assert judged(product(loads=SENSOR), *PROOF, ALL).complete
    found = judged(product(loads=SENSOR), bonding("c", "a"), *PROOF, ALL)
    (driven,) = found.too_much
    assert (driven.most_a, driven.ceiling_a) == (Decimal("25.75"), Decimal("0.00103"))
    told = "step 1 (oops) may drive 25.75 A through load sensor; 3 % above its own level is 1.03 mA"
    assert told in said(found)


def test_one_load_behind_the_other_the_weakest_counts() -> None:
    """a – sensor – c – coil – d; 2 A are right for the coil only."""
    found = judged(product(loads=SENSOR), contact("x", "d", "a", level="2 A"), *PROOF, ALL)
    assert [(t.loads, t.ceiling_a) for t in found.too_much] == [
        (("coil", "sensor"), Decimal("0.00103"))
    ]


def test_a_bonding_step_is_no_loads_continuity_step() -> None:
    """Even at the load's own level."""
    steps = [bonding("a", "c", "1 mA"), PROOF[1], ALL]
    found = judged(product(loads=SENSOR), *steps)
    assert "load sensor between a and c" in said(found)
    assert found.too_much == ()
