"""How evenly the thread of a remote I/O block keeps its 10 ms, and how fast enable drops."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
from itertools import pairwise
from pathlib import Path

from drivers.io.modbus import ModbusBlock
from drivers.io.wire import Wire
from orchestrator.clock import SystemClock
from orchestrator.model.station import IoEntry
from tests.bench.figures import Figure, milli, quantile

GOAL_S = 0.012
"""p99 of a period of 10 ms: two tenths late at most."""
DROP_GOAL_S = 0.005
ROOT = Path(__file__).resolve().parents[2]
CLOCK = SystemClock()


def io_figures(*, rounds: int, drops: int) -> list[Figure]:
    """The period as kept and the time of a drop, at a served simulator in another process."""
    command = [sys.executable, "-m", "drivers.simulators.io_serve", "--drops-after", "5"]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        if process.stdin is None or process.stdout is None:
            raise ValueError("no pipes to the simulator")
        try:
            port = int(process.stdout.readline().rsplit(maxsplit=1)[1])
            return [_period(port, rounds), _drop(port, drops)]
        finally:
            process.stdin.close()


def _block(port: int) -> ModbusBlock:
    entry = IoEntry.model_validate({"host": "127.0.0.1", "port": str(port), "drops_after": "5 s"})
    wire = Wire(entry.host, port, entry.unit, connect_s=1.0, clock=CLOCK)
    return ModbusBlock(entry, "bench", wire, CLOCK)


def _period(port: int, rounds: int) -> Figure:
    ends_s: list[float] = []
    block = _block(port)
    block.start(after_round=lambda: ends_s.append(CLOCK.monotonic()))
    try:
        while len(ends_s) <= rounds:
            CLOCK.sleep(0.05)
    finally:
        block.close()
    took_s = [after - before for before, after in pairwise(ends_s)]
    bare_s = _bare(rounds // 4)
    high_s = quantile(took_s, 0.99)
    return Figure(
        "I/O block, period of 10 ms",
        f"{milli(quantile(took_s, 0.5))} p50, {milli(high_s)} p99",
        f"< {milli(GOAL_S)} p99",
        high_s < GOAL_S,
        f"{len(took_s)} rounds, each from the end of one to the end of the next: write all "
        "outputs, read all inputs, read the outputs back, over a real TCP socket of this computer "
        f"to the simulator in another process. Longest {milli(max(took_s))}. For comparison, a "
        f"thread that only waits 10 ms here: {milli(quantile(bare_s, 0.99))} p99, longest "
        f"{milli(max(bare_s))}.",
    )


def _bare(rounds: int) -> list[float]:
    """What waiting 10 ms takes on this computer now, with nothing to do."""
    wake = threading.Event()
    took_s = []
    for _ in range(rounds):
        begin_s = CLOCK.monotonic()
        wake.wait(0.01)
        took_s.append(CLOCK.monotonic() - begin_s)
    return took_s


def _drop(port: int, drops: int) -> Figure:
    block = _block(port)
    block.start()
    enable = block.output("enable", 0)
    took_s: list[float] = []
    chance = random.Random(1)
    try:
        for _ in range(drops):
            _until(block, wanted=True)
            block.refresh(0, True)
            CLOCK.sleep(chance.uniform(0.0, 0.01))  # anywhere within a period
            begin_s = CLOCK.monotonic()
            enable.drop()
            _until(block, wanted=False)
            took_s.append(CLOCK.monotonic() - begin_s)
    finally:
        block.close()
    high_s = quantile(took_s, 0.99)
    return Figure(
        "drop of enable, until the coupler reports it off",
        f"{milli(quantile(took_s, 0.5))} p50, {milli(high_s)} p99",
        f"< {milli(DROP_GOAL_S)} p99",
        high_s < DROP_GOAL_S,
        f"{drops} drops at the same simulator, anywhere within a period, from the call until the "
        "read back says off (looked "
        f"at every 0.1 ms): write, read, read back. Longest {milli(max(took_s))}.",
    )


def _until(block: ModbusBlock, *, wanted: bool) -> None:
    deadline_s = CLOCK.monotonic() + 2.0
    while block.seen(0) is not wanted:
        if CLOCK.monotonic() > deadline_s:
            raise ValueError(f"output 0 doesn't read {wanted} within 2 s")
        if wanted:
            block.refresh(0, True)
        CLOCK.sleep(0.0001)
