"""Run as a program of its own: takes over a station whose process was killed, then tests a unit.

One line of JSON when the station is safe and ready, with times on the clock that all processes of a
computer share; goes on when a line of input comes: a person's reset where an alarm is latched,
then a run, whose outcome is the second line.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import SystemClock
from orchestrator.documents import read_document
from orchestrator.errors import OhmwardError
from orchestrator.model.program import Program
from orchestrator.model.words import Outcome
from orchestrator.running.interlock import Trip

TRIES = 3
"""In real time, on a loaded computer, an answer may come too late: no verdict, try again."""


def main(folder: Path, serial: str) -> None:
    """Take over, reset what is latched, run."""
    clock = SystemClock()
    program = read_document(folder / "program.yaml", Program)
    with open_station(folder / "station.yaml", clock=clock) as live:
        refused = _take_over(live)
        told = {
            "first_byte_s": _first_byte_s(live),
            "ready_s": clock.monotonic(),
            "refused": refused,
            "alarms": [alarm.kind.name for alarm in live.alarms],
        }
        print(json.dumps(told), flush=True)
        sys.stdin.readline()
        for _ in range(TRIES):
            if live.alarms:
                live.reset(by="the kill test")
            result = live.run(program, serial=serial)
            if result.outcome is not Outcome.NO_VERDICT:
                break
        print(json.dumps({"outcome": result.outcome, "reason": result.reason}), flush=True)


def _take_over(live: LiveStation) -> str:
    """Why it was refused; empty where it wasn't. Ends at once where an alarm is latched."""
    refused = ""
    for _ in range(TRIES):
        try:
            live.take_over()
        except (OhmwardError, Trip) as error:
            refused = f"{type(error).__name__}: {error}"
            if live.alarms:
                break
        else:
            return ""
    return refused


def _first_byte_s(live: LiveStation) -> float:
    ports = live.controller.rack.ports.values()
    return min(line.at_s for port in ports for line in port.traffic() if line.way == "sent")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
