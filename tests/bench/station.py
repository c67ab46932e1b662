"""The station that the timings are taken on: an Orrin, one Lattice unit, a unit of few parts."""

from __future__ import annotations

import re
from pathlib import Path

from drivers.simulators.bench import Bench
from drivers.simulators.build import wire
from drivers.simulators.unit import read_unit
from orchestrator.clock import SystemClock
from orchestrator.documents import read_document
from orchestrator.model.station import Station
from orchestrator.resources import resource_folder

TESTER, CHAIN, UNIT, ADDRESS = "orrin", "lattice", "u1", 3
SIMULATED = {
    TESTER: "{kind: simulated, instrument: orrin}",
    CHAIN: "{kind: simulated, instrument: lattice}",
}

STATION = """\
name: timing bench
testers:
  orrin: {{profile: {tester_profile}, link: {orrin}, simulated: yes}}
chains:
  lattice:
    profile: {chain_profile}
    link: {lattice}
    simulated: yes
    units:
      - name: u1
        address: 3
        feeds:
          hv: {{source: orrin.output, return: orrin.return}}
          hc: {{source: orrin.high_current_output, return: orrin.high_current_return}}
          sense: {{source: orrin.sense_high, return: orrin.sense_low}}
positions:
  v1: lattice/u1/hv/1
  v2: lattice/u1/hv/2
  v3: lattice/u1/hv/3
  v4: lattice/u1/hv/4
  c1: lattice/u1/hc/1
  c2: lattice/u1/hc/2
  s1: lattice/u1/sense/1
  s2: lattice/u1/sense/2
interlock:
  - {{name: door, source: {{kind: tester, tester: orrin}}}}
relay_settle: 50 ms
simulated_unit: unit.yaml
fixture:
  name: timing fixture
  points:
    PE: {{source: [v1, c1], sense: s1}}
    CASE: {{source: [v2, c2], sense: s2}}
    L: v3
    N: v4
"""

PROGRAM = """\
name: timing program
revision: '1'
defaults:
  all: {rise: 0.1 s, dwell: 0.3 s}
steps:
  - name: earth of the case
    kind: bonding
    apply_to: [CASE]
    against: [PE]
    level: 10 A
    frequency: 50 Hz
    accept: {resistance: {at_most: 100 mohm}}
  - name: insulation
    kind: insulation
    apply_to: [L, N]
    against: [PE]
    level: 500 V
    accept: {resistance: {at_least: 10 Mohm}}
    unproved_contact: a simulated unit, timings only
  - name: withstand ac
    kind: withstand_ac
    apply_to: [L, N]
    against: [PE]
    level: 1500 V
    frequency: 50 Hz
    accept: {total_current: {at_most: 5 mA}}
    unproved_contact: a simulated unit, timings only
  - name: withstand dc
    kind: withstand_dc
    apply_to: [L, N]
    against: [PE]
    level: 2000 V
    accept: {total_current: {at_most: 1 mA}}
    unproved_contact: a simulated unit, timings only
"""

UNIT_PARTS = """\
name: timing unit
parts:
  - {between: [PE, CASE], resistance: 20 mohm}
  - {between: [L, N], resistance: 1 kohm}
  - {between: [L, PE], resistance: 5 Gohm, capacitance: 1 nF}
  - {between: [N, PE], resistance: 5 Gohm, capacitance: 1 nF}
"""


def write_station(
    folder: Path, links: dict[str, str] | None = None, *, look: str = "10 ms"
) -> Path:
    """Write station, unit and copies of the profiles; returns the station file.

    ``links``: instrument → its link as the station file has it; simulated ones by default.
    ``look``: how often the tester is looked at; the relays are every 10 ms.
    """
    every = {"orrin": look, "lattice": "10 ms"}
    profiles = {}
    for key, name in (("tester_profile", "orrin"), ("chain_profile", "lattice")):
        file = folder / f"timed_{name}.yaml"
        file.write_text(_looked_at(name, every[name]), encoding="utf-8")
        profiles[key] = file.name
    station = folder / "station.yaml"
    station.write_text(STATION.format(**profiles, **(links or SIMULATED)), encoding="utf-8")
    (folder / "unit.yaml").write_text(UNIT_PARTS, encoding="utf-8")
    (folder / "program.yaml").write_text(PROGRAM, encoding="utf-8")
    return station


def make_bench(station_file: Path, *, latency_s: float = 0.002) -> Bench:
    """The station's simulators on the system's clock, wired, with the unit in."""
    station = read_document(station_file, Station).model
    bench = Bench(SystemClock())
    bench.add(TESTER, "orrin", latency_s=latency_s)
    bench.add(CHAIN, "lattice", units={UNIT: ADDRESS}, latency_s=latency_s)
    wire(bench, station, station.fixture)
    bench.load_unit(read_unit(station_file.parent / "unit.yaml"))
    return bench


def tcp(port: int) -> str:
    """A TCP link to this computer, as the station file has it."""
    return f"{{kind: tcp, host: 127.0.0.1, port: {port}}}"


def _looked_at(name: str, every: str) -> str:
    """The shipped profile with another time between two looks."""
    text = (resource_folder("profiles") / f"{name}.yaml").read_text(encoding="utf-8")
    changed, found = re.subn(r"poll: \d+ ms", f"poll: {every}", text)
    if found != 1:
        raise ValueError(f"profile {name!r} says its polling {found} times: mend this bench")
    return changed
