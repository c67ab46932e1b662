"""Offsets of a fixture: possible, not drifted, not stale."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from orchestrator.binding.figures import ohms
from orchestrator.binding.leads import resistance_ohm
from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.model.fixture import Fixture, Offset

LEAST_SHARE = Decimal("0.5")
"""An offset below this share of what its declared leads alone have can't be right (common
practice, no source; the figure leaves room for leads better than their standard)."""

REMEASURE = "measure the empty fixture again and enter value and date"


def check_offsets(fixture: Document[Fixture]) -> Iterator[Fault]:
    """Resistance offsets that have drifted, can't be judged for drift, or can't be true."""
    for index, offset in enumerate(fixture.model.offsets):
        yield from _check_drift(fixture, index, offset)
        yield from _check_plausible(fixture, index, offset)


def _what(offset: Offset) -> str:
    return f"offset {' – '.join(offset.between)}"


def _check_drift(fixture: Document[Fixture], index: int, offset: Offset) -> Iterator[Fault]:
    most, what = fixture.model.offset_drift_at_most, _what(offset)
    if offset.first is not None and (offset.resistance is None or most is None):
        lacks = "resistance" if offset.resistance is None else "offset_drift_at_most"
        at = fixture.locate("offsets", index, "first")
        remedy = f"add {lacks}" + ("" if lacks == "resistance" else " to the fixture")
        yield Fault(what, f"first without {lacks}", "something to compare it with", remedy, at)
        return
    if most is None or offset.resistance is None:
        return
    if offset.first is None:
        at = fixture.locate("offsets", index)
        expected = "its value when the fixture was new: offset_drift_at_most needs it"
        yield Fault(what, "no first value", expected, "add first: <its first value>", at)
        return
    drift = abs(offset.resistance.value - offset.first.value)
    if drift > most.value:
        found = f"{offset.resistance}, {ohms(drift)} from its first value {offset.first}"
        remedy = f"look for a worn contact or a damaged lead, then {REMEASURE}"
        at = fixture.locate("offsets", index, "resistance")
        yield Fault(what, found, f"a drift of at most {most}", remedy, at)


def least_path_ohm(fixture: Fixture, offset: Offset) -> Decimal:
    """What the declared leads between an offset's two points have at least (ohm).

    Of each point the best declared lead that carries current; a point without any counts as 0.
    """
    total = Decimal(0)
    for point in offset.between:
        placement = fixture.points.get(point)
        own = () if placement is None else placement.source
        declared = [fixture.leads[position] for position in own if position in fixture.leads]
        total += min((resistance_ohm(lead) for lead in declared), default=Decimal(0))
    return total


def _check_plausible(fixture: Document[Fixture], index: int, offset: Offset) -> Iterator[Fault]:
    if offset.resistance is None:
        return
    leads = least_path_ohm(fixture.model, offset)
    if offset.resistance.value >= leads * LEAST_SHARE:
        return
    found = f"{offset.resistance}, while its declared leads alone have {ohms(leads)}"
    expected = f"at least half of that, {ohms(leads * LEAST_SHARE)}"
    remedy = f"{REMEASURE}, or correct gauge and length of the leads"
    at = fixture.locate("offsets", index, "resistance")
    yield Fault(_what(offset), found, expected, remedy, at)


def stale_offsets(fixture: Document[Fixture], today: date) -> tuple[Fault, ...]:
    """Offsets measured in the future, or longer ago than `offsets_valid_days`."""
    found, valid = [], fixture.model.offsets_valid_days
    for index, offset in enumerate(fixture.model.offsets):
        days = (today - offset.measured).days
        told = f"measured {offset.measured}, today is {today}"
        at = fixture.locate("offsets", index, "measured")
        if days < 0:
            remedy = "correct the date, or this computer's clock"
            expected = "a date that has come"
            found.append(Fault(_what(offset), told, expected, remedy, at))
        elif valid is not None and days > valid:
            expected = f"at most {valid} days ago (offsets_valid_days)"
            found.append(Fault(_what(offset), f"{told}: {days} days", expected, REMEASURE, at))
    return tuple(found)


def offset_notices(fixture: Fixture) -> tuple[str, ...]:
    """That offsets never grow stale, where nothing says how long they hold."""
    if not fixture.offsets or fixture.offsets_valid_days is not None:
        return ()
    return ("the fixture's offsets have no offsets_valid_days: none is ever refused as stale",)
