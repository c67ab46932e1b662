"""Every kind of link keeps the contract, with the far end in the test's hand."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from drivers.links.simulated import open_link
from drivers.simulators.base import Instrument
from drivers.simulators.bench import Bench
from orchestrator.clock import VirtualClock
from orchestrator.conformance import LinkContract, LinkSubject
from orchestrator.conformance.demands import not_offered
from orchestrator.model.station import SimulatedLink
from tests.drivers.links.far_ends import (
    CLOCK,
    PATIENCE_S,
    FarEnd,
    SimulatedEnd,
    SocketEnd,
    portable_serial_end,
    serial_end,
    tcp_end,
    visa_serial_end,
    visa_socket_end,
)

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo terminals are POSIX")


class EndSubject(LinkSubject):
    """A far end as the tests of the links hold it. A serial line has nobody who hangs up."""

    def __init__(self, make: Callable[[], FarEnd], hangs_up: bool) -> None:
        self.clock = CLOCK
        self.end = make()
        self.link = self.end.link
        self._hangs_up = hangs_up

    def say(self, data: bytes) -> None:
        self.end.say(data)

    def heard(self, size: int) -> bytes:
        data, until_s = b"", CLOCK.monotonic() + PATIENCE_S
        while len(data) < size and CLOCK.monotonic() < until_s:
            data += self.end.heard(size - len(data))
        return data

    def hang_up(self) -> None:
        if not self._hangs_up:
            not_offered("a far end that hangs up")
        self.end.hang_up()

    def answer_again(self) -> None:
        if isinstance(self.end, SocketEnd):
            self.end.peer.close()
            self.end.peer = self.end.accept()

    def close(self) -> None:
        self.end.put_away()


class TestTcp(LinkContract):
    def make(self) -> LinkSubject:
        return EndSubject(tcp_end, hangs_up=True)


class TestVisaSocket(LinkContract):
    def make(self) -> LinkSubject:
        return EndSubject(visa_socket_end, hangs_up=True)


@posix
class TestSerial(LinkContract):
    def make(self) -> LinkSubject:
        return EndSubject(serial_end, hangs_up=True)


@posix
class TestSerialThroughPyserial(LinkContract):
    def make(self) -> LinkSubject:
        return EndSubject(portable_serial_end, hangs_up=True)


@posix
class TestVisaSerial(LinkContract):
    def make(self) -> LinkSubject:
        return EndSubject(visa_serial_end, hangs_up=False)


class TestVisaSimulated(LinkContract):
    def make(self) -> LinkSubject:
        return EndSubject(SimulatedEnd, hangs_up=False)


class Parrot(Instrument):
    """Says what the test puts into its beak."""

    def __init__(self, bench: Bench, name: str) -> None:
        super().__init__(bench, name)
        self.taken = bytearray()

    def _received(self, data: bytes) -> None:
        self.taken += data

    def _powered_up(self) -> None:
        self.taken.clear()


class SimulatedSubject(LinkSubject):
    """The link within the process, on virtual time."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.bench = Bench(self.clock)
        self.far = self.bench.instruments["parrot"] = Parrot(self.bench, "parrot")
        settings = SimulatedLink(kind="simulated", instrument="parrot")
        self.link = open_link(settings, name="parrot", clock=self.clock, bench=self.bench)

    def say(self, data: bytes) -> None:
        self.far.emit(data, 0.0)

    def heard(self, size: int) -> bytes:
        data = bytes(self.far.taken[:size])
        del self.far.taken[:size]
        return data

    def hang_up(self) -> None:
        self.far.link_up = False

    def close(self) -> None:
        self.link.close()


class TestSimulated(LinkContract):
    def make(self) -> LinkSubject:
        return SimulatedSubject()
