"""A live station: lock held, journal open, links open, runs on request."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from orchestrator.assembly.bench import make_bench
from orchestrator.assembly.gate import Confirm, pass_gate, require_runs_left
from orchestrator.assembly.plan import StationPlan, plan_station, read_plan
from orchestrator.assembly.racks import RackBuilder
from orchestrator.assembly.requests import (
    check_calibration,
    check_offsets_age,
    check_person,
    check_request,
)
from orchestrator.assembly.sign_off import require_same_instruments
from orchestrator.assembly.versions import software_version
from orchestrator.assembly.virtual import PatientStore
from orchestrator.binding.stations import check_station
from orchestrator.clock import Clock, SystemClock, VirtualClock
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused
from orchestrator.model.alarms import Alarm
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.record import RunResult
from orchestrator.model.schedule import Schedule
from orchestrator.model.station import Station
from orchestrator.records.lock import StationLock
from orchestrator.records.reader import stressing_runs
from orchestrator.records.store import SqliteStore
from orchestrator.records.traffic_file import TrafficFile
from orchestrator.running.alarming import require_none
from orchestrator.running.controller import Controller, Request, Show, quiet

VIRTUAL = Fault(
    what="virtual time at a station with real instruments",
    found="a VirtualClock",
    expected="the time that passes: no input would ever be stale, no dwell be proved",
    remedy="leave the clock out, or declare every instrument simulated if it is",
)


class LiveStation:
    """An open station; use it as a context manager. One thread uses it, but for `cancel`.

    ``bench`` is the simulated bench of the instruments whose link is ``simulated``, None where
    there are none.
    """

    def __init__(
        self,
        plan: StationPlan,
        *,
        fixture: Document[Fixture] | None = None,
        clock: Clock | None = None,
        show: Show = quiet,
        bench: Any = None,
        traffic: Path | None = None,
    ) -> None:
        self.plan = plan
        self.clock = clock or SystemClock()
        self._fixture = fixture
        self._bound_with: dict[str, Document[Fixture]] = {}
        self._closing = ExitStack()
        if self._virtual and not plan.simulated:
            raise Refused([VIRTUAL])
        faults = tuple(check_station(plan.document, plan.instruments()))
        if faults:
            raise Refused(faults)
        check_calibration(plan, self.clock)
        if fixture is not None:  # a schedule bound elsewhere doesn't tell how old they are
            check_offsets_age(fixture, self.clock)
        try:
            self._closing.enter_context(StationLock(plan.records, self.clock))
            self._store = SqliteStore(plan.records)
            self._closing.callback(self._store.close)
            self.bench = bench if bench is not None else make_bench(plan, fixture, self.clock)
            store = PatientStore(self._store) if self._virtual else self._store
            told = (
                None
                if traffic is None
                else self._closing.enter_context(closing(TrafficFile(traffic, self.clock)))
            )
            self.traffic_file = told
            listener = None if told is None else told.line
            rack = RackBuilder(plan, self.clock, self.bench, self._closing, listener).rack(store)
            self.controller = Controller(rack, version=software_version(), show=show)
        except BaseException:
            self._closing.close()
            raise

    @property
    def _virtual(self) -> bool:
        return isinstance(self.clock, VirtualClock)

    def bind(
        self, program: Document[Program] | Program, fixture: Document[Fixture] | None = None
    ) -> Schedule:
        """Bind a program (read or built in Python). Raises Refused with every fault."""
        if isinstance(program, Program):
            program = Document.built(program, f"program {program.name!r} built in Python")
        chosen = fixture or self._fixture or self.plan.inline_fixture()
        check_offsets_age(chosen, self.clock)
        schedule = self.plan.bind(program, chosen)
        self._bound_with[chosen.sha256] = chosen
        return schedule

    def take_over(self) -> None:
        """First contact: stop, confirm off and discharged, identify, open relays."""
        self.controller.take_over()

    def run(
        self,
        work: Schedule | Document[Program] | Program,
        *,
        serial: str,
        operator: str = "",
        attempt: int = 1,
        confirm: Confirm | None = None,
    ) -> RunResult:
        """Test one unit. A station with real instruments needs ``confirm``.

        Raises Refused before anything is energised; a trip or a failing instrument ends as
        ``no_verdict`` in the result.
        """
        schedule = work if isinstance(work, Schedule) else self.bind(work)
        _check_station(schedule, self.plan)
        require_none(self.controller.alarms)
        request = Request(serial, operator, attempt)
        check_request(request)
        if schedule.runs_per_serial is not None:
            self._store.flush()
            runs = stressing_runs(self.plan.records, serial, schedule.program)
            require_runs_left(schedule, serial, runs)
        stamps = () if schedule.simulated else self._store.sign_offs()
        stamp = pass_gate(schedule, confirm, stamps)
        if stamp is not None:
            self.controller.make_ready()
            require_same_instruments(stamp, self.controller.instruments())
        searching = None
        if any(step.locate is not None for step in schedule.steps):
            # Only here: it brings numpy, which most programs do without.
            from orchestrator.assembly.searching import make_locator

            self._store.flush()
            known = (*self._bound_with.values(), self._fixture)
            searching = make_locator(self.plan, schedule, serial, known, virtual=self._virtual)
        return self.controller.run(schedule, request, searching)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """What is latched; nothing runs before a person has reset it."""
        return self.controller.alarms

    def reset(self, *, by: str) -> tuple[Alarm, ...]:
        """A person's act: take over and clear what is latched, every input closed.

        Nothing starts by it. Raises Refused (no name), Trip, LinkError, InstrumentFault: what was
        latched stays so.
        """
        check_person(by)
        return self.controller.reset(by)

    def idle(self, until: Callable[[], bool]) -> None:
        """Watch the station between runs until ``until()`` says so; the enable is off.

        Raises Found (a Trip) after the station was made safe and an alarm was latched.
        """
        self.controller.idle(until)

    def cancel(self, reason: str) -> None:
        """End a run safely; from a signal handler or another thread."""
        self.controller.cancel(reason)

    def close(self) -> None:
        """Close links, journal and lock. Every run has ended safe by then."""
        self._closing.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _check_station(schedule: Schedule, plan: StationPlan) -> None:
    """Only what was bound to this very station may run here. Raises Refused."""
    hashes = {"station": plan.document.sha256}
    hashes |= {f"profile:{b.profile}": b.sha256 for b in plan.testers.values()}
    hashes |= {f"profile:{b.profile}": b.sha256 for b in plan.chains.values()}
    differing = [name for name, digest in hashes.items() if schedule.hashes.get(name) != digest]
    if differing or schedule.simulated != plan.simulated:
        fault = Fault(
            what="the schedule was not bound to this station",
            found=f"station {schedule.station!r}, other {', '.join(differing) or 'instruments'}",
            expected=f"a schedule bound to {plan.document.file}",
            remedy="bind the program to this station again, then run it",
        )
        raise Refused([fault])


def open_station(
    station: str | Path | Station | StationPlan,
    *,
    folder: Path | None = None,
    fixture: Document[Fixture] | Fixture | None = None,
    clock: Clock | None = None,
    show: Show = quiet,
    bench: Any = None,
    traffic: Path | None = None,
) -> LiveStation:
    """Open a station from its file, from a model built in Python, or from a plan.

    Args:
        folder: where relative paths of a model built in Python begin (default: here).
        fixture: instead of the one within the station.
        clock: a VirtualClock runs simulated instruments in virtual time.
        show: called with each `Notice`: steps, live readings, phases.
        traffic: write every message to this file (and older ones beside it).

    Raises:
        Refused, StationBusy, LinkError, RecordDamaged.
    """
    if isinstance(station, StationPlan):
        plan = station
    elif isinstance(station, Station):
        document = Document.built(station, f"station {station.name!r} built in Python")
        plan = plan_station(document, folder or Path.cwd())
    else:
        plan = read_plan(station)
    if isinstance(fixture, Fixture):
        fixture = Document.built(fixture, f"fixture {fixture.name!r} built in Python")
    return LiveStation(plan, fixture=fixture, clock=clock, show=show, bench=bench, traffic=traffic)
