"""A process of its own with the simulated station behind TCP.

Prints the two ports as JSON, serves until standard input closes, then prints what must never
have happened on the bench.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from drivers.simulators.bench import Bench
from drivers.simulators.build import wire
from drivers.simulators.serve import serve_tcp
from drivers.simulators.unit import read_unit
from orchestrator.clock import SystemClock
from orchestrator.documents import read_document
from orchestrator.model.station import Station
from tests.bench.station import ADDRESS, CHAIN, TESTER, UNIT


def main(station_file: str) -> None:
    station = read_document(station_file, Station).model
    bench = Bench(SystemClock())
    tester = bench.add(TESTER, "orrin")
    chain = bench.add(CHAIN, "lattice", units={UNIT: ADDRESS})
    wire(bench, station, station.fixture)
    bench.load_unit(read_unit(Path(station_file).parent / "unit.yaml"))
    with serve_tcp(tester) as far_tester, serve_tcp(chain) as far_chain:
        _say({TESTER: far_tester.port, CHAIN: far_chain.port})
        sys.stdin.read()
    _say({"violations": [str(violation) for violation in bench.violations]})


def _say(message: dict[str, object]) -> None:
    print(json.dumps(message), flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
