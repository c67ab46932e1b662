"""The Quern as a simulation, from QUERN.md alone; ``python -m ohmward_quern.simulator`` serves it.

The load is one resistor that may break down; nothing else of physics is in here.
"""

from __future__ import annotations

import argparse
import select
import socket
from dataclasses import dataclass

from ohmward_quern import frames
from ohmward_quern.frames import Frame, Op
from orchestrator.clock import Clock, SystemClock

STILL_S = 0.2
DISCHARGE_S = 0.3
OFF, RISING, DWELLING, DISCHARGING, ENDED, BROKEN, BARRED = range(7)
RANGES = {1: (50, 1000), 2: (100, 3000)}
OPEN_TO_ALL = {Op.STOP, Op.WHO, Op.CHALLENGE, Op.STATUS, Op.RESULT}


@dataclass
class Setup:
    """What SET holds; seconds and volts."""

    kind: int
    level_v: int
    rise_s: float
    dwell_s: float
    limit: int
    raw: bytes


class SimulatedQuern:
    """The instrument; feed it bytes and take its answers. Time comes from the clock alone.

    Attributes:
        load_ohm: resistance between output and return. breakdown_v: where it breaks down.
    """

    def __init__(self, clock: Clock, serial: int = 417) -> None:
        self.load_ohm = 212e6
        self.breakdown_v = 1e9
        self._clock = clock
        self._serial = serial
        self._challenge = b"\x17\x2a\x90\x4c"
        self._closed = True
        self._trip = self._unlocked = False
        self._setup: Setup | None = None
        self._counter = 0
        self._result = (0, 0, 0, 0)
        self._state = OFF
        self._since_s = self._left_v = 0.0
        self._ends_as = ENDED
        self._held_s = 0.0
        self._inbox = b""
        self._heard_s = 0.0
        self._outbox = b""

    # ---- the world around it

    @property
    def on(self) -> bool:
        """Whether the output is energised."""
        self._catch_up()
        return self._state in {RISING, DWELLING}

    @property
    def interlock_closed(self) -> bool:
        """The input on the back."""
        return self._closed

    @interlock_closed.setter
    def interlock_closed(self, closed: bool) -> None:
        self._catch_up()
        self._closed = closed
        if not closed and self._state in {RISING, DWELLING}:
            self._trip = True
            self._end(0, BARRED)

    def feed(self, data: bytes) -> None:
        """Bytes from the controller."""
        self._catch_up()
        now_s = self._clock.monotonic()
        if now_s - self._heard_s > STILL_S:
            self._inbox = b""
        self._heard_s = now_s
        self._inbox += data
        while (at := self._inbox.find(frames.START)) >= 0:
            self._inbox = self._inbox[at:]
            if len(self._inbox) < frames.LENGTH:
                return
            frame = frames.unpack(self._inbox[: frames.LENGTH])
            self._inbox = self._inbox[1 if frame is None else frames.LENGTH :]
            if frame is not None:
                status, answer = self._carry_out(frame)
                reply = Frame(frame.op | frames.REPLY, frame.sequence, status, answer)
                self._outbox += frames.pack(reply)
        self._inbox = b""

    def take(self) -> bytes:
        """Bytes to the controller."""
        data, self._outbox = self._outbox, b""
        return data

    # ---- operations

    def _carry_out(self, frame: Frame) -> tuple[int, bytes]:
        if frame.op not in set(Op):
            return 8, b""
        op = Op(frame.op)
        if op not in OPEN_TO_ALL and op is not Op.UNLOCK and not self._unlocked:
            return 1, b""
        if op is Op.STOP:
            self._end(0, OFF)
        elif op is Op.WHO:
            return 0, frames.WHO.pack(frames.MODEL, 1, 2, self._serial, 1)
        elif op is Op.CHALLENGE:
            return 0, self._challenge
        elif op is Op.UNLOCK:
            self._unlocked = frame.data[:4] == frames.token(self._challenge)
            return (0 if self._unlocked else 1), b""
        elif op is Op.SET:
            return self._take_setup(frame.data), b""
        elif op is Op.READ_SET:
            return (6, b"") if self._setup is None else (0, self._setup.raw)
        elif op is Op.START:
            return self._start(frame.data[:4]), b""
        elif op is Op.STATUS:
            flags = self._closed | self._trip << 1
            voltage = round(self._voltage() * 10)
            return 0, frames.STATUS.pack(self._state, flags, voltage, round(self._held_s * 100))
        elif op is Op.RESULT:
            verdict, level, reading, held = self._result
            return 0, frames.RESULT.pack(self._counter, verdict, level, reading, held)
        elif not self._closed:
            return 3, b""
        else:
            self._trip = False
        return 0, b""

    def _take_setup(self, data: bytes) -> int:
        if self._state in {RISING, DWELLING, DISCHARGING}:
            return 4
        kind, level, rise, dwell, limit = frames.SETUP.unpack(data)
        least, most = RANGES.get(kind, (1, 0))
        good = least <= level <= most and 10 <= rise <= 6000 and 30 <= dwell <= 60000 and limit
        if not good:
            return 2
        self._setup = Setup(kind, level, rise / 100, dwell / 100, limit, data)
        self._state = OFF
        return 0

    def _start(self, tag: bytes) -> int:
        if self._setup is None:
            return 6
        if self._state in {RISING, DWELLING, DISCHARGING}:
            return 4
        if not self._closed:
            return 3
        if self._trip:
            return 7
        if tag != frames.tag(self._challenge, frames.after(self._counter)):
            return 5
        self._state, self._since_s, self._held_s = RISING, self._clock.monotonic(), 0.0
        return 0

    # ---- the output

    def _voltage(self) -> float:
        """At the output, V."""
        age_s = self._clock.monotonic() - self._since_s
        if self._setup is not None and self._state == RISING:
            return self._setup.level_v * min(1.0, age_s / self._setup.rise_s)
        if self._setup is not None and self._state == DWELLING:
            return float(self._setup.level_v)
        if self._state == DISCHARGING:
            return self._left_v * max(0.0, 1.0 - age_s / DISCHARGE_S)
        return 0.0

    def _catch_up(self) -> None:
        setup, now_s = self._setup, self._clock.monotonic()
        if setup is not None and self._state == RISING:
            if self._breaks(self._voltage()):
                return
            if now_s - self._since_s >= setup.rise_s:
                self._state, self._since_s = DWELLING, self._since_s + setup.rise_s
        if setup is not None and self._state == DWELLING:
            if self._breaks(setup.level_v):
                return
            self._held_s = min(now_s - self._since_s, setup.dwell_s)
            if now_s - self._since_s >= setup.dwell_s:
                good = setup.kind == 2 or self.load_ohm / 1000 >= setup.limit
                self._end(1 if good else 2, ENDED if good else BROKEN)
        if self._state == DISCHARGING and now_s - self._since_s >= DISCHARGE_S:
            self._state = self._ends_as

    def _breaks(self, volts: float) -> bool:
        """Ends the test at a breakdown, or where the most current is passed."""
        setup = self._setup
        if volts > self.breakdown_v:
            self._end(3, BROKEN)
        elif setup is not None and setup.kind == 2 and volts / self.load_ohm * 1e6 > setup.limit:
            self._end(2, BROKEN)
        else:
            return False
        return True

    def _end(self, verdict: int, ends_as: int) -> None:
        if self._state not in {RISING, DWELLING} or self._setup is None:
            return
        volts = self._voltage()
        kohm, micro_a = round(self.load_ohm / 1000), round(volts / self.load_ohm * 1e6)
        reading = micro_a
        if self._setup.kind == 1:
            reading = frames.ABOVE_RANGE if kohm > 4_000_000 else kohm
        self._counter = frames.after(self._counter)
        self._result = (verdict, round(volts), reading, round(self._held_s * 100))
        self._left_v, self._ends_as = volts, ends_as
        self._state, self._since_s = DISCHARGING, self._clock.monotonic()


def serve(quern: SimulatedQuern, listener: socket.socket) -> None:
    """One client after the other, for ever."""
    client: socket.socket | None = None
    while True:
        waiting = [listener] if client is None else [client]
        ready, _, _ = select.select(waiting, [], [], 0.02)
        if client is None:
            client = listener.accept()[0] if ready else None
            continue
        if ready:
            try:
                data = client.recv(4096)
            except OSError:
                data = b""
            if not data:
                client.close()
                client = None
                continue
            quern.feed(data)
            client.sendall(quern.take())


def main() -> None:
    """Serve on a port of this computer."""
    parser = argparse.ArgumentParser(description="A simulated Wexcombe Quern (invented).")
    parser.add_argument("--port", type=int, default=0, help="0 takes a free one")
    listener = socket.create_server(("127.0.0.1", parser.parse_args().port))
    print(f"simulated Quern on port {listener.getsockname()[1]}", flush=True)  # noqa: T201
    serve(SimulatedQuern(SystemClock()), listener)


if __name__ == "__main__":
    main()
