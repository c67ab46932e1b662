"""From an input that opens to the stop at the tester, while the tester is mute."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import IO, Any

from drivers.adapters.inputs import FileBlock
from drivers.links.tcp import open_link
from orchestrator.assembly.plan import read_plan
from orchestrator.clock import SystemClock
from orchestrator.contract import SafetyTester
from orchestrator.errors import ProtocolFault, TimedOut
from orchestrator.model.station import TcpLink
from orchestrator.running.commands import Converse, Sequence, Watch
from orchestrator.running.engine import SCAN_S, Engine
from orchestrator.running.interlock import Interlock, Trip
from orchestrator.running.ports import Port
from orchestrator.running.rack import Rack, TesterSeat
from tests.bench.doubles import NullStore
from tests.bench.figures import Figure, milli, quantile
from tests.bench.station import TESTER, write_station

GOAL_S = 0.015
SPREAD_US = 25_000
"""Trips fall anywhere within two and a half samplings after a look began."""
ROOT = Path(__file__).resolve().parents[2]
CLOCK = SystemClock()


def trip_figure(folder: Path, *, trips: int) -> Figure:
    """The time from change to stop, over many trips."""
    adapter = read_plan(write_station(folder)).testers[TESTER].adapter
    guard = folder / "guard.txt"
    stop = b"".join(adapter.stop_bytes)
    command = [sys.executable, "-m", "tests.bench.far_mute", str(guard), stop.hex()]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        if process.stdin is None or process.stdout is None:
            raise ValueError("no pipes to the mute tester")
        try:
            port = int(_hear(process.stdout)["port"])
            told = _trips(adapter, guard, port, process.stdin, process.stdout, trips)
        finally:
            process.stdin.close()
    took_s = [float(one["trip_s"]) for one in told]
    high_s = quantile(took_s, 0.99)
    write_s = quantile([float(one["write_s"]) for one in told], 0.5)
    return Figure(
        "trip to stop, tester mute",
        f"{milli(quantile(took_s, 0.5))} p50, {milli(high_s)} p99",
        f"< {milli(GOAL_S)} p99",
        high_s < GOAL_S,
        f"{trips} trips, inputs sampled every {milli(SCAN_S)}. Another process is the tester (a "
        "real TCP socket of this computer that hears and never answers) and the one who opens the "
        "input (a file): one clock, from before the file is written (which takes "
        f"{milli(write_s)} itself) until the last byte of the stop has come in. The engine watches "
        "the tester and holds a look of the shipped profile, so that a read is in flight at each "
        f"trip; trips fall at random within {SPREAD_US / 1000:g} ms after the look was sent. "
        f"Longest {milli(max(took_s))}.",
    )


def _trips(
    adapter: SafetyTester,
    guard: Path,
    tcp_port: int,
    orders: IO[str],
    answers: IO[str],
    trips: int,
) -> list[dict[str, Any]]:
    settings = TcpLink(kind="tcp", host="127.0.0.1", port=tcp_port)
    link = open_link(settings, name=TESTER, clock=CLOCK)
    port = Port(link, CLOCK)
    engine = Engine(_rack(adapter, port, FileBlock("guard", guard, CLOCK)))
    chance = random.Random(1)
    told: list[dict[str, Any]] = []
    try:
        for _ in range(trips):
            orders.write(f"next {chance.randrange(SPREAD_US)}\n")
            orders.flush()
            _hear(answers)
            try:
                engine.drive(_watched(adapter))
            except Trip:
                told.append(_hear(answers))
            port.dirty = False  # nothing can come late from who never answers
    finally:
        link.close()
    return told


def _watched(adapter: SafetyTester) -> Sequence:
    """Look at a tester that doesn't answer, as while a step runs; ends by a trip only."""
    yield Watch(TESTER)
    while True:
        try:
            yield Converse(TESTER, adapter.poll())
        except (TimedOut, ProtocolFault) as error:
            raise ValueError("no trip within a look: the other process is stuck") from error


def _rack(adapter: SafetyTester, port: Port, block: FileBlock) -> Rack:
    return Rack(
        ports={TESTER: port},
        owners={TESTER: adapter},
        testers={TESTER: TesterSeat(TESTER, adapter, TESTER, True)},
        chains={},
        inputs=(block,),
        tester_inputs={},
        interlock=Interlock({block.name: 0.5}),
        clock=CLOCK,
        store=NullStore(),
        safe_ac_v=Decimal(25),
        safe_dc_v=Decimal(60),
        relay_settle_s=0.05,
    )


def _hear(answers: IO[str]) -> dict[str, Any]:
    line = answers.readline()
    if not line:
        raise ValueError("the mute tester's process has ended")
    told: dict[str, Any] = json.loads(line)
    return told
