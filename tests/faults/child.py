"""Run as a program of its own: one long withstand step on a simulated station, in real time.

Prints 'dwelling' once the output stands at its level; the test then kills this process.
"""

from __future__ import annotations

import sys
from pathlib import Path

from orchestrator.assembly.live import open_station
from orchestrator.documents import read_document
from orchestrator.model.program import Program
from orchestrator.running.rack import Notice

LONG_PROGRAM = """\
name: one long step
revision: '1'
no_protective_earth: an invented thing without any, for tests
steps:
  - name: hold
    kind: withstand_dc
    apply_to: [line, neutral]
    against: [coil a, coil b]
    unproved_contact: only for trials
    level: 2120 V
    rise: 0.1 s
    dwell: 60 s
    fall: 0 s
    limits_during_rise: yes
    accept: {total_current: {at_most: 0.5 mA}}
"""


def main(folder: Path) -> None:
    """Run until killed."""
    program = folder / "long.yaml"
    program.write_text(LONG_PROGRAM, encoding="utf-8")

    def show(notice: Notice) -> None:
        if notice.kind == "live" and notice.data["state"] == "dwelling":
            print("dwelling", flush=True)

    with open_station(folder / "station.yaml", show=show) as live:
        live.run(read_document(program, Program), serial="KILLED")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
