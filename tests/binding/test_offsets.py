"""Offsets of a fixture: drift, plausibility, age."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.binding.offsets import stale_offsets
from orchestrator.documents import Document
from orchestrator.errors import Refused
from orchestrator.model.fixture import Fixture
from tests.binding.helpers import Bench, Data

MEASURED = date(2026, 1, 5)


def bench_with(offset: Data, **fixture: object) -> Bench:
    bench = Bench()
    whole = {"between": ["cover", "earth"], "measured": str(MEASURED), **offset}
    bench.fixture |= {"offsets": [whole], **fixture}
    return bench


def document(**fixture: object) -> Document[Fixture]:
    return bench_with({"resistance": "20 mohm"}, **fixture).documents()[1]


@pytest.mark.parametrize(
    ("value", "fine"),
    [("20 mohm", True), ("15 mohm", True), ("14.9 mohm", False), ("26 mohm", False)],
)
def test_an_offset_that_has_drifted_is_refused(value: str, fine: bool) -> None:
    """Either way; first value 20 mohm, 5 mohm allowed."""
    offset = {"resistance": value, "first": "20 mohm"}
    bench = bench_with(offset, offset_drift_at_most="5 mohm")
    if fine:
        bench.bind()
        return
    fault = bench.only_fault()
    assert "from its first value 20 mohm" in fault.found
    assert fault.expected == "a drift of at most 5 mohm"
    assert "worn contact" in fault.remedy


def test_drift_needs_both_figures() -> None:
    """One alone would look like a check and be none."""
    alone = bench_with({"resistance": "20 mohm", "first": "20 mohm"}).only_fault()
    assert alone.found == "first without offset_drift_at_most"
    current = bench_with({"current": "1 uA", "first": "20 mohm"}, offset_drift_at_most="5 mohm")
    assert current.only_fault().found == "first without resistance"
    lacking = bench_with({"resistance": "20 mohm"}, offset_drift_at_most="5 mohm").only_fault()
    assert lacking.found == "no first value"
    bench_with({"current": "1 uA"}, offset_drift_at_most="5 mohm").bind()


@pytest.mark.parametrize(
    ("value", "fine"), [("9.9 mohm", True), ("4.96 mohm", True), ("4.9 mohm", False)]
)
def test_an_offset_below_half_of_its_leads_is_refused(value: str, fine: bool) -> None:
    """Two leads of 1 m, 4 mm²: 2 · 4.95 mohm (IEC 60228, class 5, reference C [S29])."""
    leads = {position: {"gauge": "4 mm2", "length": "1 m"} for position in ("hc1", "hc2")}
    bench = bench_with({"resistance": value}, leads=leads)
    if fine:
        bench.bind()
        return
    fault = bench.only_fault()
    assert "its declared leads alone have 9.9 mohm" in fault.found
    assert "4.95 mohm" in fault.expected


def test_a_negative_offset_is_refused() -> None:
    """By the range of the key."""
    with pytest.raises(Refused, match="0 ohm to 10 ohm"):
        bench_with({"resistance": "-1 mohm"}).bind()


def test_an_offset_measured_tomorrow_is_refused() -> None:
    """A wrong date, or a wrong clock."""
    (fault,) = stale_offsets(document(), MEASURED - timedelta(days=1))
    assert "measured 2026-01-05, today is 2026-01-04" in fault.found
    assert str(fault.position).startswith("fixture.yaml:")
    assert stale_offsets(document(), MEASURED) == ()


@given(valid=st.integers(1, 3650), age=st.integers(0, 5000))
def test_an_offset_is_stale_from_the_day_after_its_last(valid: int, age: int) -> None:
    """The last day still counts."""
    found = stale_offsets(document(offsets_valid_days=str(valid)), MEASURED + timedelta(days=age))
    assert bool(found) is (age > valid)
    assert all(f"at most {valid} days ago" in fault.expected for fault in found)


def test_offsets_without_an_end_are_never_stale_and_that_is_told() -> None:
    """By a notice of the schedule; with offsets_valid_days there is none."""
    assert stale_offsets(document(), date(2099, 1, 1)) == ()
    told = "none is ever refused as stale"
    assert any(told in n for n in bench_with({"resistance": "20 mohm"}).bind().notices)
    held = bench_with({"resistance": "20 mohm"}, offsets_valid_days="90").bind()
    assert not any(told in notice for notice in held.notices)
