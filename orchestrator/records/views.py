"""What a reader gets: a run, its steps, readings, events and traffic, built from entries.

A run or step with a damaged entry is shown, but never as a pass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from orchestrator.model import entries
from orchestrator.model.words import Outcome, SearchEnding

UNFINISHED = "unfinished"


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One line of a list. ``outcome``: an outcome's word, or ``unfinished``."""

    run_id: str
    serial: str
    operator: str
    attempt: int
    simulated: bool
    program: str
    revision: str
    fixture: str
    station: str
    started_utc: str
    ended_utc: str
    outcome: str
    reason: str
    damage: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadingView:
    """One value with its limits, as text in the unit's own size; empty where there is none.

    ``at_least``, ``at_most``: what it was held against. ``specified_…``: what the program says.
    """

    quantity: str
    value: str
    bound: str
    unit: str
    at_least: str
    at_most: str
    specified_at_least: str
    specified_at_most: str


@dataclass(frozen=True, slots=True)
class StepView:
    """One step: as ordered (``started``) and as it ended (``ended``), with its readings.

    The two mappings are the whole bodies of the journal; empty where there is no such entry.
    """

    index: int
    name: str
    kind: str
    tester: str
    apply_to: tuple[str, ...]
    against: tuple[str, ...]
    others: tuple[str, ...]
    level: str
    level_unit: str
    started_utc: str
    ended_utc: str
    outcome: str
    reason: str
    discharge: str
    residual_v: str
    readings: tuple[ReadingView, ...]
    started: Mapping[str, Any]
    ended: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SidesView:
    """Two sides of a pair, each of points that were proved to be one conductor."""

    one: tuple[str, ...]
    other: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FoundView(SidesView):
    """A faulty pair, why it is held to be so, and what was open in the step that says so."""

    evidence: str
    left_open: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LocatedView:
    """What a search after a failed step came to. ``ending``: found, not_reproduced or stuck;
    ``body``: as recorded, with the search steps in order."""

    step: int
    name: str
    ending: str
    reason: str
    pairs: tuple[FoundView, ...]
    candidates: tuple[SidesView, ...]
    body: Mapping[str, Any]
    damage: str


@dataclass(frozen=True, slots=True)
class EventView:
    """One event."""

    utc: str
    monotonic_s: float
    what: str
    detail: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class TrafficView:
    """Bytes on one link before a fault: (monotonic seconds, direction, hex, text)."""

    link: str
    lines: tuple[tuple[float, str, str, str], ...]


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm with its reset; ``reset_utc`` is empty while it is latched."""

    seq: int
    run_id: str
    utc: str
    number: int
    title: str
    reason: str
    remedy: str
    reset_utc: str
    reset_by: str
    reset_inputs: tuple[str, ...]
    damage: str


@dataclass(frozen=True, slots=True)
class SignOffView:
    """One commissioning. ``valid``: every item was done; ``body``: as recorded."""

    seq: int
    utc: str
    by: str
    valid: bool
    simulated: bool
    body: Mapping[str, Any]
    damage: str


@dataclass(frozen=True, slots=True)
class RunView:
    """One run whole. ``header`` and ``end``: the bodies of its first and last entry.

    ``steps``: those of the program; ``search_steps``: what searches after failed steps made.
    """

    summary: RunSummary
    header: Mapping[str, Any]
    end: Mapping[str, Any]
    steps: tuple[StepView, ...]
    events: tuple[EventView, ...]
    traffic: tuple[TrafficView, ...]
    relay_counts: Mapping[str, int]
    alarms: tuple[AlarmView, ...]
    search_steps: tuple[StepView, ...] = ()
    located: tuple[LocatedView, ...] = ()

    @property
    def notices(self) -> tuple[str, ...]:
        """What was told with the schedule, the program's cautions first."""
        return _words(self.header.get("notices"))


@dataclass(frozen=True, slots=True)
class Item:
    """One entry as read. ``damage``: what its hash says against it, or empty."""

    seq: int
    run_id: str
    kind: str
    utc: str
    monotonic_s: float
    body: Mapping[str, Any]
    damage: str


def add_counts(totals: dict[str, int], item: Item) -> None:
    """Add the closings that an entry counts."""
    for contact, count in _mapping(item.body.get("contacts")).items():
        if isinstance(count, int):
            totals[str(contact)] = totals.get(str(contact), 0) + count


def summary_of(run_id: str, items: tuple[Item, ...]) -> RunSummary:
    """The line of a list, from the first and last entry of a run or from all of them."""
    start = _last(items, entries.RUN_STARTED)
    end = _last(items, entries.RUN_ENDED)
    header: Mapping[str, Any] = start.body if start else {}
    program = _mapping(header.get("program"))
    ended: Mapping[str, Any] = end.body if end else {}
    damage = tuple(item.damage for item in items if item.damage)
    outcome, reason = _text(ended.get("outcome")) or UNFINISHED, _text(ended.get("reason"))
    if damage and outcome != UNFINISHED:
        outcome, reason = Outcome.NO_VERDICT.value, f"record damaged: {damage[0]}"
    attempt = header.get("attempt")
    return RunSummary(
        run_id=run_id,
        serial=_text(header.get("serial")),
        operator=_text(header.get("operator")),
        attempt=attempt if isinstance(attempt, int) else 0,
        simulated=header.get("simulated") is not False,
        program=_text(program.get("name")),
        revision=_text(program.get("revision")),
        fixture=_text(header.get("fixture")),
        station=_text(header.get("station")),
        started_utc=start.utc if start else "",
        ended_utc=end.utc if end else "",
        outcome=outcome,
        reason=reason,
        damage=damage,
    )


def view_of(run_id: str, items: tuple[Item, ...], alarms: tuple[AlarmView, ...] = ()) -> RunView:
    """A run whole, from all its entries; ``alarms``: those that it latched."""
    start, end = _last(items, entries.RUN_STARTED), _last(items, entries.RUN_ENDED)
    counts: dict[str, int] = {}
    for item in items:
        if item.kind == entries.RELAY_COUNTS:
            add_counts(counts, item)
    steps = _steps(items)
    return RunView(
        summary=summary_of(run_id, items),
        header=start.body if start else {},
        end=end.body if end else {},
        steps=tuple(step for step in steps if not _searches(step)),
        events=tuple(
            EventView(
                item.utc,
                item.monotonic_s,
                _text(item.body.get("what")),
                _mapping(item.body.get("detail")),
            )
            for item in items
            if item.kind == entries.EVENT
        ),
        traffic=tuple(
            TrafficView(
                _text(item.body.get("link")),
                tuple(
                    (float(line[0]), str(line[1]), str(line[2]), str(line[3]))
                    for line in _sequence(item.body.get("lines"))
                    if isinstance(line, list) and len(line) == 4 and not item.damage
                ),
            )
            for item in items
            if item.kind == entries.TRAFFIC
        ),
        relay_counts=counts,
        alarms=alarms,
        search_steps=tuple(step for step in steps if _searches(step)),
        located=tuple(_located(item) for item in items if item.kind == entries.LOCATED),
    )


def _searches(step: StepView) -> bool:
    return "search_of" in step.started or "search_of" in step.ended


def _located(item: Item) -> LocatedView:
    body, number = item.body, item.body.get("step")
    ending, reason = _text(body.get("ending")), _text(body.get("reason"))
    if item.damage:
        ending, reason = SearchEnding.STUCK.value, f"record damaged: {item.damage}"
    return LocatedView(
        step=number if isinstance(number, int) else -1,
        name=_text(body.get("name")),
        ending=ending,
        reason=reason,
        pairs=tuple(
            FoundView(
                _words(pair.get("one")),
                _words(pair.get("other")),
                _text(pair.get("evidence")),
                _words(pair.get("left_open")),
            )
            for pair in map(_mapping, _sequence(body.get("pairs")))
        ),
        candidates=tuple(
            SidesView(_words(pair.get("one")), _words(pair.get("other")))
            for pair in map(_mapping, _sequence(body.get("candidates")))
        ),
        body=body,
        damage=item.damage,
    )


def _steps(items: tuple[Item, ...]) -> tuple[StepView, ...]:
    pairs: dict[int, dict[str, Item]] = {}
    for item in items:
        if item.kind in (entries.STEP_STARTED, entries.STEP_ENDED):
            index = item.body.get("index")
            pairs.setdefault(index if isinstance(index, int) else -1, {})[item.kind] = item
    return tuple(
        _step(index, pair.get(entries.STEP_STARTED), pair.get(entries.STEP_ENDED))
        for index, pair in sorted(pairs.items())
    )


def _step(index: int, start: Item | None, end: Item | None) -> StepView:
    started: Mapping[str, Any] = start.body if start else {}
    ended: Mapping[str, Any] = end.body if end else {}
    order = _mapping(started.get("order"))
    outcome, reason = _text(ended.get("outcome")) or UNFINISHED, _text(ended.get("reason"))
    damage = next((item.damage for item in (start, end) if item and item.damage), "")
    if damage and outcome != UNFINISHED:
        outcome, reason = Outcome.NO_VERDICT.value, f"record damaged: {damage}"
    return StepView(
        index=index,
        name=_text(started.get("name")) or _text(ended.get("name")),
        kind=_text(started.get("kind")),
        tester=_text(started.get("tester")),
        apply_to=_words(started.get("apply_to")),
        against=_words(started.get("against")),
        others=_words(started.get("others")),
        level=_text(order.get("level")),
        level_unit=_text(order.get("level_unit")),
        started_utc=start.utc if start else "",
        ended_utc=end.utc if end else "",
        outcome=outcome,
        reason=reason,
        discharge=_text(ended.get("discharge")),
        residual_v=_text(ended.get("residual_v")),
        readings=_readings(ended, order, _mapping(started.get("asked"))),
        started=started,
        ended=ended,
    )


def _readings(
    ended: Mapping[str, Any], order: Mapping[str, Any], asked: Mapping[str, Any]
) -> tuple[ReadingView, ...]:
    held, specified = _limits(order), _limits(asked)
    found = []
    for value in map(_mapping, _sequence(ended.get("values"))):
        quantity = _text(value.get("quantity"))
        low, high = (quantity, "at_least"), (quantity, "at_most")
        found.append(
            ReadingView(
                quantity=quantity,
                value=_text(value.get("value")),
                bound=_text(value.get("bound")),
                unit=_text(value.get("unit")),
                at_least=held.get(low, ""),
                at_most=held.get(high, ""),
                specified_at_least=specified.get(low, ""),
                specified_at_most=specified.get(high, ""),
            )
        )
    return tuple(found)


def _limits(order: Mapping[str, Any]) -> dict[tuple[str, str], str]:
    return {
        (_text(limit.get("quantity")), _text(limit.get("edge"))): _text(limit.get("value"))
        for limit in map(_mapping, _sequence(order.get("limits")))
    }


def _last(items: tuple[Item, ...], kind: str) -> Item | None:
    return next((item for item in reversed(items) if item.kind == kind), None)


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _words(value: object) -> tuple[str, ...]:
    return tuple(str(item) for item in _sequence(value))


def _sequence(value: object) -> tuple[Any, ...]:
    return tuple(value) if isinstance(value, list) else ()


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}
