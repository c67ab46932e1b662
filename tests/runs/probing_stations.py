"""Stations for the tests of `probe`: invented, simulated, units at any address a test says."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drivers.simulators.bench import Bench
from drivers.simulators.build import build_bench
from orchestrator.assembly.plan import StationPlan, read_plan
from orchestrator.assembly.probing import probe_station
from orchestrator.assembly.probing_findings import Answer, ProbeReport, SearchFound, Told
from orchestrator.clock import Clock, VirtualClock
from orchestrator.model.station import Station

COMB = """\
name: Wrenfold cell
testers:
  t1: {profile: pell, link: {kind: simulated, instrument: pell}, simulated: yes}
chains:
  c1:
    profile: comb
    link: {kind: simulated, instrument: comb}
    simulated: yes
    units:
      - name: left
        switches: up up down up down
        feeds: {high: {source: t1.output, return: t1.return}}
      - {name: right, address: 17}
positions: {p1: c1/left/high/1, p2: c1/left/high/2}
interlock:
  - {name: door, source: {kind: tester, tester: t1}}
  - {name: guard, source: {kind: simulated}}
exemptions:
  - {rule: relay_position, instrument: c1, reason: an invented station for tests}
"""

LATTICE = (
    COMB.replace("profile: comb", "profile: lattice")
    .replace("instrument: comb", "instrument: lattice")
    .replace("switches: up up down up down", "address: 2")
    .replace("address: 17", "address: 9")
    .replace("high: {", "hv: {")
    .replace("/high/", "/hv/")
)

DECLARED = {"left": 5, "right": 17}


class Heard(list[Told]):
    """Everything that a probe told, in order."""

    def take(self, told: Told) -> None:
        self.append(told)

    def of(self, kind: type[Any]) -> list[Any]:
        return [told for told in self if isinstance(told, kind)]


def write(folder: Path, text: str = COMB) -> Path:
    path = folder / "station.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def plan_of(folder: Path, text: str = COMB) -> StationPlan:
    return read_plan(write(folder, text))


def bench_at(plan: StationPlan, addresses: Mapping[str, int], clock: Clock) -> Bench:
    """The station's bench with the units of chain c1 at these addresses."""
    station: Station = plan.station
    return build_bench(station, None, {"c1": addresses}, clock=clock, folder=plan.folder)


def probed(
    folder: Path, addresses: Mapping[str, int], text: str = COMB
) -> tuple[ProbeReport, Heard, Bench]:
    """A probe in virtual time of a chain whose units stand at these addresses."""
    plan, clock, heard = plan_of(folder, text), VirtualClock(), Heard()
    bench = bench_at(plan, addresses, clock)
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take)
    return report, heard, bench


def search_for(report: ProbeReport, unit: str) -> SearchFound:
    found = [s for s in report.items if isinstance(s, SearchFound) and s.unit == unit]
    assert len(found) == 1
    return found[0]


def answer_of(report: ProbeReport, name: str) -> Answer:
    found = [a for a in report.items if isinstance(a, Answer) and a.name == name]
    assert len(found) == 1
    return found[0]
