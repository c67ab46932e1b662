"""Run as a program of its own: a simulated station behind real sockets, with a control channel.

Its first line of output is the station file's path; then each line of input is answered by one
line of JSON: ``state``, or ``quit``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from drivers.simulators.demo_bench import ServedBench, serve_station
from orchestrator.assembly.plan import StationPlan, read_plan
from orchestrator.clock import SystemClock
from tests.faults.stations import GOOD, MAKES, TESTER_INPUT, station_text

PROGRAM = """\
name: short
revision: '1'
defaults:
  all: {rise: 0.1 s, dwell: 0.3 s, fall: 0 s}
steps:
  - name: bond shell
    kind: bonding
    apply_to: [shell]
    against: [earth]
    level: 10 A
    frequency: 50 Hz
    accept: {resistance: {at_most: 100 mohm}}
  - name: withstand coil
    kind: withstand_dc
    apply_to: [line, neutral]
    against: [coil a, coil b]
    unproved_contact: a short program that is killed
    level: 2120 V
    dwell: 0.5 s
    limits_during_rise: yes
    accept: {total_current: {at_most: 0.5 mA}}
"""


def main(folder: Path, station: str) -> None:
    """Serve until told to quit."""
    make = MAKES[station]
    text = station_text(station, inputs=TESTER_INPUT.format(tester=make.tester))
    text = text.replace("simulated_unit: unit.yaml\n", "")
    names = [make.tester] if station == "stave" else [make.tester, make.chain]
    marks = {}
    for port, name in enumerate(names, start=1):
        marks[name] = f"{{kind: tcp, host: 127.0.0.1, port: {port}}}"
        text = text.replace(f"{{kind: simulated, instrument: {name}}}", marks[name])
    path = folder / "station.yaml"
    path.write_text(text, encoding="utf-8")
    (folder / "program.yaml").write_text(PROGRAM, encoding="utf-8")
    (folder / "unit.yaml").write_text(GOOD, encoding="utf-8")
    with _served(read_plan(path)) as bench:
        bench.load_unit(folder / "unit.yaml")
        for name, link in bench.links.items():
            text = text.replace(marks[name], link)
        path.write_text(text, encoding="utf-8")
        print(path, flush=True)
        _answer(bench, make.tester)


def _served(plan: StationPlan) -> ServedBench:
    fixture, clock = plan.station.fixture, SystemClock()
    if fixture is None:
        raise ValueError("the station's file has no fixture")
    addresses = {name: chain.addresses for name, chain in plan.chains.items()}
    return serve_station(plan.station, fixture, addresses, clock=clock)


def _answer(served: ServedBench, tester: str) -> None:
    for line in sys.stdin:
        if line.strip() == "quit":
            return
        state = served.bench.state()
        output = state.outputs[tester]
        told = {
            "phase": output.phase,
            "on": state.any_on,
            "ac_v": output.ac_v,
            "dc_v": output.dc_v,
            "closed": sorted(place for place, _ in state.closed),
            "starts": served.bench.outputs[tester].starts,
            "violations": [str(violation) for violation in served.violations],
        }
        print(json.dumps(told), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
