"""A process of its own with the simulated station behind TCP.

Prints the two ports as JSON, serves until standard input closes, then prints what must never
have happened on the bench.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from drivers.simulators.serve import serve_tcp
from tests.bench.station import CHAIN, TESTER, make_bench


def main(station_file: str) -> None:
    bench = make_bench(Path(station_file))
    tester, chain = bench.instruments[TESTER], bench.instruments[CHAIN]
    with serve_tcp(tester) as far_tester, serve_tcp(chain) as far_chain:
        _say({TESTER: far_tester.port, CHAIN: far_chain.port})
        sys.stdin.read()
    _say({"violations": [str(violation) for violation in bench.violations]})


def _say(message: dict[str, object]) -> None:
    print(json.dumps(message), flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
