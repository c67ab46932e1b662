"""The link of a trial: one instrument, an engine of its own for the stop, every byte kept."""

from __future__ import annotations

from typing import Any, Literal, cast

from orchestrator.assembly.probing_lines import NoJournal
from orchestrator.clock import Clock
from orchestrator.contract import Link, RelayMatrix, SafetyTester, Talk
from orchestrator.errors import InstrumentFault, LinkError, LinkLost
from orchestrator.model.record import OffProof
from orchestrator.model.station import SafeLevel
from orchestrator.model.words import TesterState
from orchestrator.running.commands import Sequence, Stop
from orchestrator.running.controller import quiet
from orchestrator.running.discharge import LOOK_AGAIN_S, TRIES, UNPROVED, graded
from orchestrator.running.engine import Engine
from orchestrator.running.interlock import Interlock
from orchestrator.running.ports import Port
from orchestrator.running.pump import Pump
from orchestrator.running.rack import Rack, RunState, TesterSeat

Way = Literal["sent", "received"]
NAME = "on trial"
QUIET_S = 0.1
"""Silence that shows that nothing late still comes, before the next exchange is tried."""
MOST_QUIET_S = 3.0


class KeptLink:
    """A link that keeps what goes over it, in order; pieces that follow each other are joined."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.name = link.name
        self._kept: list[tuple[Way, bytes]] = []

    def send(self, data: bytes) -> None:
        self._keep("sent", data)
        self._link.send(data)

    def receive(self, within_s: float) -> bytes:
        data = self._link.receive(within_s)
        if data:
            self._keep("received", data)
        return data

    def reopen(self) -> None:
        self._link.reopen()

    def close(self) -> None:
        self._link.close()

    def cut(self) -> tuple[tuple[Way, bytes], ...]:
        """What was kept since the last cut."""
        kept, self._kept = tuple(self._kept), []
        return kept

    def _keep(self, way: Way, data: bytes) -> None:
        # What is sent stays apart: each message is one of its own.
        if way == "received" and self._kept and self._kept[-1][0] == way:
            data = self._kept.pop()[1] + data
        self._kept.append((way, data))


class TrialLine:
    """The wire of a trial; satisfies what the language asks of one.

    An exchange that failed leaves late bytes behind: they are drained before the next one, and
    nothing is resynchronised by queries that may be wrong themselves.
    """

    def __init__(self, link: Link, clock: Clock) -> None:
        self.link = KeptLink(link)
        self._clock = clock
        self._port = Port(self.link, clock)
        self._pump = Pump(clock, lambda: None)
        self._owner: SafetyTester | RelayMatrix | None = None
        self._keep_alive_s: float | None = None

    def use(self, owner: SafetyTester | RelayMatrix) -> None:
        """From now on this adapter owns the link."""
        self._owner = owner
        every = getattr(owner.abilities, "keep_alive_s", None)
        self._keep_alive_s = None if every is None else float(every)

    def ask(self, talk: Talk[Any]) -> Any:
        """Hold a conversation. Raises LinkError, InstrumentFault."""
        owner = self._owner
        if owner is None:
            raise RuntimeError("no adapter owns the link of this trial")
        self.settle()
        return self._pump.converse(self._port, owner, talk)

    def settle(self) -> None:
        """Where late bytes may still come, read until it is quiet. Raises LinkLost."""
        owner = self._owner
        if owner is None or not self._port.dirty:
            return
        until_s = self._clock.monotonic() + MOST_QUIET_S
        try:
            while self._port.listen(QUIET_S) and self._clock.monotonic() < until_s:
                pass
        except LinkLost:
            self._port.reopen()
        owner.absorb(self._port.drain())
        self._port.dirty = False

    def stop_and_confirm(self) -> OffProof:
        """Send the stop and look until off and discharged. Raises LinkError."""
        owner = self._owner
        if owner is None or not hasattr(owner, "stop_bytes"):
            raise RuntimeError("only a tester on trial can be stopped")
        seat = TesterSeat(NAME, cast("SafetyTester", owner), self._port.name, simulated=False)
        safe = SafeLevel()
        rack = Rack(
            ports={self._port.name: self._port},
            owners={self._port.name: owner},
            testers={NAME: seat},
            chains={},
            inputs=(),
            tester_inputs={},
            interlock=Interlock({}),
            clock=self._clock,
            store=NoJournal(),
            safe_ac_v=safe.ac.value,
            safe_dc_v=safe.dc.value,
            relay_settle_s=0.0,
        )
        return self._confirmed(RunState(rack, "", quiet), seat, Engine(rack))

    def _confirmed(self, run: RunState, seat: TesterSeat, engine: Engine) -> OffProof:
        """Stop and look, without the resynchronising of a run: its query may be wrong too.

        Late answers are drained instead, until it is quiet, before each look that follows a stop.
        """
        until_s = self._clock.monotonic() + float(seat.adapter.abilities.off_within_s)
        proof, failures = UNPROVED, 0
        while True:
            if not proof.off and proof.state is not TesterState.DISCHARGING:
                engine.drive(_stop())
            try:
                proof = graded(run, seat, self.ask(seat.adapter.confirm_off()))
                failures = 0
            except (LinkError, InstrumentFault):
                proof, failures = UNPROVED, failures + 1
            over = failures >= TRIES or self._clock.monotonic() >= until_s
            if over or (proof.off and proof.discharged is not False):
                return proof
            self._pump.pause(LOOK_AGAIN_S)

    def cut(self) -> tuple[tuple[Way, bytes], ...]:
        """The bytes since the last cut."""
        return self.link.cut()

    def close(self) -> None:
        """Close the link."""
        self.link.close()


def _stop() -> Sequence:
    yield Stop(NAME)
