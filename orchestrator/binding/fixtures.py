"""What a fixture file can get wrong with a given station under it."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

from orchestrator.binding.offsets import check_offsets
from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.model.fixture import Fixture
from orchestrator.model.station import Station
from orchestrator.quantities import Quantity


def check_fixture(fixture: Document[Fixture], station: Station) -> tuple[Fault, ...]:
    """Every fault of a fixture file that needs no program to be seen."""
    return (
        *_check_positions(fixture, station),
        *_check_leads(fixture, station),
        *_check_offsets(fixture),
        *check_offsets(fixture),
    )


def _check_positions(fixture: Document[Fixture], station: Station) -> Iterator[Fault]:
    """Positions exist in the station, and hold one point each."""
    used: dict[str, str] = {}
    for point, placement in fixture.model.points.items():
        what = f"point {point!r}"
        for key, positions in (("source", placement.source), ("sense", placement.sense)):
            for index, position in enumerate(positions):
                at = fixture.locate("points", point, key, index)
                if position not in station.positions:
                    near = get_close_matches(position, station.positions, n=1)
                    hint = f"did you mean {near[0]!r}?" if near else "correct it or wire it there"
                    expected = f"a position of station {station.name!r}"
                    yield Fault(what, f"position {position!r}", expected, hint, at)
                if position in used:
                    found = f"position {position!r}, that of point {used[position]!r} too"
                    remedy = "give each lead a position of its own"
                    yield Fault(what, found, "one lead at a position", remedy, at)
                used.setdefault(position, point)


def _check_leads(fixture: Document[Fixture], station: Station) -> Iterator[Fault]:
    """Leads are described at positions that the fixture uses."""
    used = {
        position
        for placement in fixture.model.points.values()
        for position in (*placement.source, *placement.sense)
    }
    for position in fixture.model.leads:
        if position in used:
            continue
        there = position in station.positions
        found = "no point there" if there else f"no such position in {station.name!r}"
        remedy = "correct the position or remove the lead"
        at = fixture.locate("leads", position)
        yield Fault(f"lead at {position!r}", found, "a position of a point", remedy, at)


def _check_offsets(fixture: Document[Fixture]) -> Iterator[Fault]:
    """Offsets lie between two different points of the fixture, once each, and hold a figure."""
    seen: set[tuple[frozenset[str], Quantity | None, Quantity | None]] = set()
    for index, offset in enumerate(fixture.model.offsets):
        what = f"offset {' – '.join(offset.between)}"
        for place, point in enumerate(offset.between):
            if point not in fixture.model.points:
                at = fixture.locate("offsets", index, "between", place)
                remedy = "correct the point's name"
                yield Fault(what, f"point {point!r}", "a point of the fixture", remedy, at)
        pair, at = frozenset(offset.between), fixture.locate("offsets", index)
        if len(pair) < 2:
            yield Fault(what, "one point twice", "two points", "correct one of them", at)
        key = (pair, offset.level, offset.frequency)
        if key in seen:
            once = "each path once, or once for each level and frequency"
            yield Fault(what, "the path twice", once, "remove the older one", at)
        if offset.resistance is None and offset.current is None:
            remedy = "add resistance or current, or remove the offset"
            yield Fault(what, "no figure", "resistance or current", remedy, at)
        seen.add(key)
