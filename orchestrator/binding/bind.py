"""Program × fixture × station → schedule, or all faults at once.

Pure: nothing is opened, sent or timed. What isn't in a schedule is never energised.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from orchestrator.binding.batches import cut
from orchestrator.binding.context import Context, Task
from orchestrator.binding.fixtures import check_fixture
from orchestrator.binding.instruments import Instruments
from orchestrator.binding.lead_heat import check_lead_heat
from orchestrator.binding.offsets import offset_notices
from orchestrator.binding.order import check_interlock, check_protective_earth
from orchestrator.binding.proofs import (
    Missing,
    bleed_times_s,
    check_exemptions,
    used_exemptions,
)
from orchestrator.binding.real import is_simulated
from orchestrator.binding.routes import Routing
from orchestrator.binding.searches import search_outcomes
from orchestrator.binding.station_io import io_notices
from orchestrator.binding.stations import check_station
from orchestrator.binding.steps import Attempt, Outcome, bind_step, proof_notices
from orchestrator.binding.wiring import Channel, wire
from orchestrator.documents import Document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.schedule import BoundStep, Schedule
from orchestrator.model.station import Station


def bind(
    program: Document[Program],
    fixture: Document[Fixture],
    station: Document[Station],
    instruments: Instruments,
    wear: Mapping[Channel, int] | None = None,
) -> Schedule:
    """Bind a program to a fixture on a station. ``wear``: see `Context`.

    Raises:
        Refused: with every fault of the three files in this combination, in their order.
    """
    wiring = wire(station.model, fixture.model, instruments)
    context = Context(program, fixture, station, instruments, wiring, wear or {})
    outcomes = tuple(
        bind_step(Task(context, index, step)) for index, step in enumerate(program.model.steps)
    )
    searches = search_outcomes(context)
    attempts = [outcome.attempt for outcome in outcomes if outcome.attempt is not None]
    missing = tuple(gap for outcome in (*outcomes, *searches) for gap in outcome.missing)
    faults = (
        *check_station(station, instruments),
        *check_fixture(fixture, station.model),
        *(fault for outcome in (*outcomes, *searches) for fault in outcome.faults),
        *check_lead_heat(context, _bound(attempts)),
        *check_protective_earth(context),
        *check_interlock(context, _hazardous((*outcomes, *searches))),
        *check_exemptions(context, missing),
    )
    if faults:
        raise Refused(_in_order(faults, (station.file, fixture.file, program.file)))
    steps = [attempt.bound for attempt in attempts if attempt.bound is not None]
    if len(steps) != len(program.model.steps):
        raise Refused((_unexplained(program, outcomes),))
    warnings = (warning for attempt in attempts for warning in attempt.warnings)
    notices = (*warnings, *proof_notices(outcomes))
    return _schedule(context, steps, missing, notices)


def _bound(attempts: Iterable[Attempt]) -> list[tuple[BoundStep, Routing]]:
    return [(a.bound, a.routing) for a in attempts if a.bound is not None and a.routing is not None]


def _hazardous(outcomes: Iterable[Outcome]) -> list[Task]:
    return [outcome.task for outcome in outcomes if outcome.hazardous]


def _unexplained(program: Document[Program], outcomes: Iterable[Outcome]) -> Fault:
    """A step that no rule refused and no tester took: refused all the same."""
    task = next(outcome.task for outcome in outcomes if outcome.attempt is None)
    remedy = "report this with the three files: a step was neither bound nor refused"
    return Fault(task.what, "no tester bound", "a tester that does it", remedy, task.at())


def _in_order(faults: Iterable[Fault], files: tuple[str, ...]) -> list[Fault]:
    """By file, then by place in it; equal faults once."""

    def key(fault: Fault) -> tuple[int, int, int]:
        at = fault.position or Position("")
        rank = files.index(at.file) if at.file in files else len(files)
        return rank, at.line, at.column

    return sorted(dict.fromkeys(faults), key=key)


def _schedule(
    context: Context,
    steps: list[BoundStep],
    missing: tuple[Missing, ...],
    about_steps: tuple[str, ...],
) -> Schedule:
    program, station = context.program.model, context.station.model
    used = used_exemptions(context, missing)
    hashes = {
        "program": context.program.sha256,
        "fixture": context.fixture.sha256,
        "station": context.station.sha256,
    }
    for name, digest in context.instruments.profile_hashes.items():
        hashes[f"profile:{name}"] = digest
    return Schedule(
        program=program.name,
        revision=program.revision,
        fixture=context.fixture.model.name,
        station=station.name,
        batches=cut(context, steps),
        simulated=is_simulated(station),
        safe_ac_v=station.safe_level.ac.value,
        safe_dc_v=station.safe_level.dc.value,
        relay_settle_s=_relay_settle_s(context),
        hashes=hashes,
        exemptions=used,
        no_protective_earth=program.no_protective_earth,
        bleed_s=bleed_times_s(context, steps),
        runs_per_serial=program.runs_per_serial,
        notices=(*program.cautions, *_notices(context, used), *about_steps),
    )


def _relay_settle_s(context: Context) -> float:
    """The station's figure, or the slowest matrix's own if that is longer."""
    own = (matrix.settle_s for matrix in context.instruments.matrices.values())
    return float(max((context.station.model.relay_settle.value, *own)))


def _notices(context: Context, used: dict[tuple[str, str], str]) -> tuple[str, ...]:
    station = context.station.model
    simulated = "simulated station: no verdict of it counts as a test"
    found = [simulated] if is_simulated(station) else []
    found += [*io_notices(station), *offset_notices(context.fixture.model)]
    found += [
        f"exemption {entry.rule} of {entry.instrument} isn't needed here"
        for entry in station.exemptions
        if (entry.rule, entry.instrument) not in used
    ]
    found += [
        f"{rule.replace('_', ' ')} of {instrument} unproved, exempted: {reason}"
        for (rule, instrument), reason in used.items()
    ]
    return tuple(found)
