"""Who is there? Every link of a station opened, everything identified, nothing energised.

Reads only: relays stay as they are, and a tester gets its stop only if it isn't read as off.
One instrument that fails keeps no other from being asked.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

from orchestrator.assembly.bench import make_bench
from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.probing_chains import ChainProbe, Missing, not_reached
from orchestrator.assembly.probing_findings import (
    Note,
    OutputOn,
    ProbeReport,
    SearchBegins,
    SearchStep,
    Tell,
    Told,
)
from orchestrator.assembly.probing_inputs import probe_inputs, probe_io
from orchestrator.assembly.probing_lines import Line, OnlyReading, open_link
from orchestrator.assembly.probing_search import search
from orchestrator.assembly.probing_testers import not_opened, probe_tester
from orchestrator.binding.proofs import worst_bleed_s
from orchestrator.binding.stations import check_station
from orchestrator.clock import Clock, SystemClock
from orchestrator.contract import RelayMatrix, SafetyTester
from orchestrator.errors import OhmwardError, Refused
from orchestrator.model.station import Link as LinkEntry
from orchestrator.records.lock import StationLock
from orchestrator.records.reader import all_alarms
from orchestrator.running.ports import Port
from orchestrator.running.rack import TesterSeat


def probe_station(
    plan: StationPlan,
    *,
    clock: Clock | None = None,
    tell: Tell = lambda _: None,
    bench: Any = None,
    searching: bool = True,
) -> ProbeReport:
    """Probe a station; holds its lock meanwhile.

    Args:
        tell: called with each finding as it is made, and with the progress of a search.
        bench: of the simulated instruments; built from the station file if left out.
        searching: ask other addresses for units that don't answer.

    Raises:
        Refused: faults of the station file. StationBusy: another process holds it.
    """
    faults = tuple(check_station(plan.document, plan.instruments()))
    if faults:
        raise Refused(faults)
    clock = clock or SystemClock()
    with ExitStack() as closing:
        closing.enter_context(StationLock(plan.records, clock))
        if bench is None:
            bench = make_bench(plan, None, clock)
        probe = _Probe(plan, clock, bench, closing, tell)
        return probe.go(searching=searching)


class _Probe:
    def __init__(
        self,
        plan: StationPlan,
        clock: Clock,
        bench: Any,
        closing: ExitStack,
        tell: Tell,
    ) -> None:
        self._plan, self._clock, self._bench = plan, clock, bench
        self._closing, self._show = closing, tell
        self._items: list[Any] = []
        self._notes: list[str] = []
        self._lines: dict[str, Line] = {}
        self._answering: set[str] = set()

    def go(self, *, searching: bool) -> ProbeReport:
        """Testers first: an output that is on must not wait for anything else."""
        for name in self._plan.station.testers:
            self._tester(name)
        blocks = probe_io(
            self._plan,
            clock=self._clock,
            bench=self._bench,
            closing=self._closing,
            tell=self._tell,
        )
        probe_inputs(self._plan, blocks, clock=self._clock, bench=self._bench, tell=self._tell)
        searches: list[tuple[ChainProbe, tuple[Missing, ...]]] = []
        for name in self._plan.station.chains:
            probe = self._chain(name)
            missing = () if probe is None else probe.ask_units()
            if probe is not None and missing:
                searches.append((probe, missing))
        for probe, missing in searches if searching else ():
            search(probe, missing)
        self._latched()
        station = self._plan.station
        return ProbeReport(
            station.name, self._plan.simulated, tuple(self._items), tuple(self._notes)
        )

    def _latched(self) -> None:
        """Alarms that keep the station from running; a probe resets nothing."""
        if not self._plan.records.exists():
            return
        for alarm in all_alarms(self._plan.records):
            if not alarm.reset_utc:
                told = f"alarm {alarm.number} is latched since {alarm.utc}: {alarm.title}"
                self._tell(Note(f"{told}; nothing runs before ohmward reset STATION --by NAME"))

    def _tell(self, told: Told) -> None:
        if isinstance(told, Note):
            self._notes.append(told.text)
        elif not isinstance(told, OutputOn | SearchBegins | SearchStep):
            self._items.append(told)
        self._show(told)

    def _tester(self, name: str) -> None:
        entry, built = self._plan.station.testers[name], self._plan.testers[name]
        due = entry.calibration_due
        if due is not None and due < self._clock.utc().date():
            self._tell(
                Note(f"tester {name!r}: its calibration was due on {due}; no run will start")
            )
        bleed_s = worst_bleed_s(self._plan.station, name, built.adapter.abilities)
        seat = TesterSeat(name, built.adapter, name, entry.simulated, entry.serial, bleed_s)
        try:
            line = self._open(entry.link, name, built.link_defaults, built.adapter, seat)
        except OhmwardError as error:
            not_opened(self._plan, name, error, self._tell)
            return
        if probe_tester(self._plan, line, seat, self._tell):
            self._answering.add(name)

    def _chain(self, name: str) -> ChainProbe | None:
        entry, built = self._plan.station.chains[name], self._plan.chains[name]
        if built.adapter is None:
            told = f"chain {name!r} is switched by tester {entry.built_in!r}: it has no answer"
            self._tell(Note(f"{told} of its own"))
            return None
        if entry.link is None:
            if entry.carried_by not in self._answering:
                found = f"tester {entry.carried_by!r}, which carries it, doesn't answer as declared"
                not_reached(self._plan, name, found, self._tell)
                return None
            return ChainProbe(self._plan, name, self._lines[entry.carried_by], self._tell)
        try:
            owner = OnlyReading(built.adapter)
            line = self._open(entry.link, name, built.link_defaults, owner)
        except OhmwardError as error:
            not_reached(self._plan, name, str(error), self._tell)
            return None
        return ChainProbe(self._plan, name, line, self._tell)

    def _open(
        self,
        entry: LinkEntry,
        name: str,
        defaults: object | None,
        owner: SafetyTester | RelayMatrix,
        seat: TesterSeat | None = None,
    ) -> Line:
        link = open_link(entry, name, defaults, clock=self._clock, bench=self._bench)
        self._closing.callback(link.close)
        self._lines[name] = Line(self._plan, Port(link, self._clock), owner, self._clock, seat)
        return self._lines[name]
