"""The loop that somebody would write by hand for one station, made from a recorded run."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from unittest import mock

from orchestrator.clock import SystemClock
from orchestrator.contract import Frame, Reply
from orchestrator.running.engine import STORED_LOOK_S
from orchestrator.running.ports import Port
from orchestrator.running.pump import Pump
from tests.bench.station import ADDRESS

START, LOOK, AT_REST = b"TASK:BEGIN\n", b"TASK:STATE?\n", b"MOVING?\n"
ENDED = (b"DONE", b"TRIP")
STILL = (f"{ADDRESS} MOVING no".encode(),)
CLOCK = SystemClock()
CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Tell:
    """Send a line."""

    port: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Hear:
    """Read a line; ``data`` is what it was when recorded."""

    port: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Rest:
    """Wait."""

    seconds: float


Act = Tell | Hear | Rest


USUAL = (Rest(0.01),)


@dataclass(frozen=True, slots=True)
class Looking:
    """Ask until an answer says that it's over; ``between``: by answer, what is done meanwhile."""

    port: str
    ask: bytes
    over: tuple[bytes, ...]
    between: Mapping[bytes, tuple[Act, ...]]


@contextmanager
def recorded() -> Iterator[list[Act]]:
    """Note what the framework sends, takes and waits for meanwhile, but not for the journal."""
    acts: list[Act] = []
    send, take, pause = Port.send, Port.take, Pump.pause

    def sending(port: Port, data: bytes) -> None:
        acts.append(Tell(port.name, data))
        send(port, data)

    def taking(port: Port, frame: Frame) -> Reply | None:
        reply = take(port, frame)
        if reply is not None:
            acts.append(Hear(port.name, reply.data))
        return reply

    def pausing(pump: Pump, seconds: float) -> None:
        if seconds > 0 and seconds != STORED_LOOK_S:
            acts.append(Rest(seconds))
        pause(pump, seconds)

    with (
        mock.patch.object(Port, "send", sending),
        mock.patch.object(Port, "take", taking),
        mock.patch.object(Pump, "pause", pausing),
    ):
        yield acts


def by_hand(acts: Sequence[Act]) -> tuple[Act | Looking, ...]:
    """The same acts, with each stretch of looking turned into a loop that ends by itself.

    Raises:
        ValueError: the recording isn't what a hand-written loop could do.
    """
    program: list[Act | Looking] = []
    place, running = 0, False
    while place < len(acts):
        act = acts[place]
        if isinstance(act, Tell) and act.data.endswith(AT_REST):
            looking, place = _looking(acts, place, STILL)
            program.append(looking)
        elif isinstance(act, Tell) and running and act.data == LOOK:
            looking, place = _looking(acts, place, ENDED)
            program.append(looking)
            running = False
        else:
            running = running or (isinstance(act, Tell) and act.data == START)
            program.append(act)
            place += 1
    return tuple(program)


def _looking(acts: Sequence[Act], first: int, over: tuple[bytes, ...]) -> tuple[Looking, int]:
    """A stretch of looks, and the place behind the look that saw the end."""
    look, place = acts[first], first
    between: dict[bytes, tuple[Act, ...]] = {}
    while True:
        told = acts[place + 1]
        if not isinstance(look, Tell) or not isinstance(told, Hear):
            raise ValueError(f"a look without an answer in the recording: {look}, {told}")
        if told.data.startswith(over):
            return Looking(look.port, look.data, over, between), place + 2
        after = next(i for i in range(place + 1, len(acts)) if acts[i] == look)
        done = tuple(acts[place + 2 : after])
        if _sent(between.setdefault(told.data, done)) != _sent(done):
            raise ValueError(f"looks in one state that differ: {between[told.data]}, {done}")
        place = after


def _sent(acts: Sequence[Act]) -> list[bytes]:
    return [act.data for act in acts if isinstance(act, Tell)]


class BareLoop:
    """Plain sockets, no framework. ``results``: every answer that isn't a look's."""

    def __init__(self, ports: dict[str, int]) -> None:
        self._sockets = {}
        for name, port in ports.items():
            connection = socket.create_connection(("127.0.0.1", port))
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._sockets[name] = connection
        self._rest = dict.fromkeys(ports, b"")
        self.results: list[bytes] = []

    def run(self, program: Sequence[Act | Looking]) -> None:
        self.results.clear()
        for act in program:
            if isinstance(act, Looking):
                self._look(act)
            elif isinstance(act, Hear):
                self.results.append(self._line(act.port))
            else:
                self._do(act)

    def _look(self, looking: Looking) -> None:
        while True:
            self._sockets[looking.port].sendall(looking.ask)
            state = self._line(looking.port)
            if state.startswith(looking.over):
                return
            for act in looking.between.get(state, USUAL):
                if isinstance(act, Hear):
                    self._line(act.port)
                else:
                    self._do(act)

    def _do(self, act: Tell | Rest) -> None:
        if isinstance(act, Tell):
            self._sockets[act.port].sendall(act.data)
        else:
            CLOCK.sleep(act.seconds)

    def _line(self, port: str) -> bytes:
        connection, data = self._sockets[port], self._rest[port]
        while b"\n" not in data:
            came = connection.recv(CHUNK)
            if not came:
                raise ConnectionError(f"{port}: closed by the other end")
            data += came
        line, _, self._rest[port] = data.partition(b"\n")
        return line

    def close(self) -> None:
        for connection in self._sockets.values():
            connection.close()
