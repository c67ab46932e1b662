"""The pyvisa-sim configurations: real adapters, the real VISA link, hand-written devices."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_matrix, load_tester
from drivers.links import visa
from orchestrator.clock import SystemClock
from orchestrator.contract import Link, Pause, Receive, Reply, Send, Talk
from orchestrator.errors import InstrumentRefused, LinkError, TimedOut
from orchestrator.model.station import VisaLink
from orchestrator.model.words import TesterState
from orchestrator.running.framing import FrameReader
from tests.profiles.harness import contacts_of, order_of, route_of

CONFIGS = Path(__file__).parents[2] / "sim_configs"
RESOURCES = {
    "orrin": "GPIB0::12::INSTR",
    "pell": "ASRL1::INSTR",
    "stave": "TCPIP0::127.0.0.1::40240::SOCKET",
    "lattice": "GPIB0::9::INSTR",
    "comb": "ASRL2::INSTR",
    "sprig": "TCPIP0::127.0.0.1::40240::SOCKET",
}
ORDERS = {
    "orrin": "{kind: withstand_dc, level: 2121 V, rise: 1 s, dwell: 2 s, fall: 0 s, at_most: 1 mA}",
    "pell": "{kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s, dwell: 2 s, "
    "fall: 0 s, at_most: 5 mA}",
    "stave": "{kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s, dwell: 2 s, "
    "fall: 0.5 s, at_most: 5 mA, during_rise: yes}",
}
ROUTES = {
    "lattice": "a/hv/1=source a/hv/4=return a/hv/5=return a/hv/6=return b/hv/2=return",
    "comb": "a/high/1=source a/high/4=return a/high/5=return a/high/6=return b/high/2=return",
    "sprig": "a/mix/1=source a/mix/5=return a/mix/6=return",
}
UNITS: dict[str, dict[str, int | None]] = {
    "lattice": {"a": 1, "b": 2},
    "comb": {"a": 5, "b": 17},
    "sprig": {"a": None},
}


@dataclass
class Wire:
    """Runs conversations on an open link."""

    link: Link

    def hold(self, talk: Talk[Any]) -> Any:
        reader, answer, error = FrameReader(), None, None
        try:
            while True:
                wanted = talk.send(answer) if error is None else talk.throw(error)
                answer = error = None
                try:
                    if isinstance(wanted, Send):
                        self.link.send(wanted.data)
                    elif isinstance(wanted, Receive):
                        answer = self._receive(reader, wanted)
                    else:
                        assert isinstance(wanted, Pause)
                except LinkError as caught:
                    error = caught
        except StopIteration as stop:
            return stop.value

    def _receive(self, reader: FrameReader, wanted: Receive) -> Reply | None:
        for _ in range(200):
            reply = reader.take(wanted.frame)
            if reply is not None:
                return reply
            data = self.link.receive(0.002)
            if not data:
                break
            reader.feed(data)
        if wanted.silence_ok and not reader.pending:
            return None
        raise TimedOut("no answer", received=reader.pending)


@pytest.fixture
def wire(request: pytest.FixtureRequest) -> Iterator[Wire]:
    """The configuration that the test names, opened like a station's link."""
    name = request.param
    settings = VisaLink(kind="visa", resource=RESOURCES[name], backend=f"{CONFIGS / name}.yaml@sim")
    link = visa.open_link(settings, name=name, clock=SystemClock())
    try:
        yield Wire(link)
    finally:
        link.close()


@pytest.mark.parametrize(("name", "wire"), [(n, n) for n in ORDERS], indirect=["wire"])
def test_a_tester_is_identified_set_up_and_asked(name: str, wire: Wire) -> None:
    """Identity is marked as simulated, the set-up is accepted and read back, the state is read."""
    tester = ProfileTester(load_tester(name), name)
    assert wire.hold(tester.identify()).simulated
    wire.hold(tester.enter())
    wire.hold(tester.arm())
    orders = tuple(tester.quantise(order) for order in order_of(ORDERS[name]))
    wire.hold(tester.prepare(orders))
    assert wire.hold(tester.poll()).state is TesterState.OFF
    assert wire.hold(tester.interlock()) is True


@pytest.mark.parametrize(("name", "wire"), [(n, n) for n in ROUTES], indirect=["wire"])
def test_a_chain_is_identified_switched_and_read_back(name: str, wire: Wire) -> None:
    """Every unit answers, the route is accepted, the contacts read back are those of the route."""
    matrix = ProfileMatrix(load_matrix(name), name, UNITS[name])
    chain: ProfileMatrix | CarriedMatrix = matrix
    if name == "sprig":
        chain = CarriedMatrix(matrix, ProfileTester(load_tester("stave"), "stave"))
    assert all(who.simulated for who in wire.hold(chain.identify()).values())
    wire.hold(chain.open_all())
    wire.hold(chain.apply(route_of(ROUTES[name], name)))
    assert wire.hold(chain.read_back()) == contacts_of(ROUTES[name], name)


@pytest.mark.parametrize("wire", ["orrin"], indirect=True)
def test_a_silent_refusal_is_found_in_the_error_queue(wire: Wire) -> None:
    """What the configuration doesn't know is answered by silence and an entry in the queue."""
    tester = ProfileTester(load_tester("orrin"), "orrin")
    text = ORDERS["pell"].replace("at_most", "total_current_at_most")  # TASK:FREQUENCY is unknown
    orders = tuple(tester.quantise(order) for order in order_of(text))
    with pytest.raises(InstrumentRefused, match="-113"):
        wire.hold(tester.prepare(orders))


@pytest.mark.parametrize("name", sorted(RESOURCES))
def test_every_configuration_is_in_the_table_of_the_readme(name: str) -> None:
    """What each can and can't express is told."""
    text = (CONFIGS / "README.md").read_text(encoding="utf-8")
    assert f"`{name}.yaml`" in text
    assert RESOURCES[name] in text
