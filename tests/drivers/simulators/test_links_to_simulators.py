"""Simulated instruments are reached in the process, over TCP, a pty and the VISA library."""

from __future__ import annotations

import os
import select
import socket
import sys

import pytest
import pyvisa

from drivers.links.simulated import SimulatedInstrumentLink, open_link
from drivers.simulators import faults
from drivers.simulators.bench import Bench
from drivers.simulators.serve import serve_pty, serve_tcp
from drivers.simulators.visa_backend import library_for
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.errors import LinkLost, Refused
from orchestrator.model.station import SimulatedLink

ORRIN = b"QUILLHAVEN,ORRIN,SIM-00417,2.31\n"


def connect(bench: Bench, clock: VirtualClock, instrument: str = "t") -> SimulatedInstrumentLink:
    settings = SimulatedLink(kind="simulated", instrument=instrument)
    return open_link(settings, name="tester", clock=clock, bench=bench)


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def bench(clock: VirtualClock) -> Bench:
    made = Bench(clock)
    made.add("t", "orrin")
    return made


def test_a_reply_arrives_when_it_is_due_and_silence_lasts_its_time(
    bench: Bench, clock: VirtualClock
) -> None:
    """The virtual clock is taken along to the reply, or to the end of the wait."""
    link = connect(bench, clock)
    link.send(b"*IDN?\n")
    assert link.receive(0.1) == ORRIN
    assert clock.monotonic() == pytest.approx(0.002)
    assert link.receive(0.1) == b""
    assert clock.monotonic() == pytest.approx(0.102)


def test_an_instrument_that_is_not_on_the_bench_is_refused(
    bench: Bench, clock: VirtualClock
) -> None:
    """The message lists those that are."""
    with pytest.raises(Refused, match=r"one on the bench \(t\)"):
        connect(bench, clock, "u")


def test_a_dropped_link_is_lost_until_it_is_opened_again(bench: Bench, clock: VirtualClock) -> None:
    """And for good while the instrument is unplugged."""
    link = connect(bench, clock)
    plan = bench.instruments["t"].faults
    plan.drop_link(message=b"*IDN?")
    link.send(b"*IDN?\n")
    with pytest.raises(LinkLost):
        link.receive(0.1)
    link.reopen()
    link.send(b"*IDN?\n")
    assert link.receive(0.1) == ORRIN
    plan.unplugged = True
    with pytest.raises(LinkLost):
        link.reopen()
    with pytest.raises(LinkLost):
        link.send(b"*IDN?\n")


def test_each_fault_befalls_the_message_it_was_planned_for(
    bench: Bench, clock: VirtualClock
) -> None:
    """Silent, half, late, garbage, the old answer again, mute, deaf."""
    link = connect(bench, clock)
    plan = bench.instruments["t"].faults
    plan.on(faults.silent, message=b"*IDN?", skip=1)
    plan.on(faults.half(0.2), message=b"*OPC?")
    plan.on(faults.late(0.5), message=b"TASK:STATE?")
    plan.on(faults.answer_with(b"\xff?\n"), message=b"TASK:COUNT?")
    plan.repeat_previous(message=b"GUARD:WATCH?")

    def ask(line: bytes, within_s: float = 0.1) -> bytes:
        link.send(line)
        return link.receive(within_s)

    assert ask(b"*IDN?\n") == ORRIN
    assert ask(b"*IDN?\n") == b""
    assert (ask(b"*OPC?\n"), link.receive(0.1), link.receive(0.2)) == (b"1", b"", b"\n")
    assert (ask(b"TASK:STATE?\n"), link.receive(1.0)) == (b"", b"REST\n")
    assert ask(b"TASK:COUNT?\n") == b"\xff?\n"
    assert ask(b"GUARD:DOOR?\n") == b"CLOSED\n"
    assert ask(b"GUARD:WATCH?\n") == b"CLOSED\n"
    plan.mute = True
    assert ask(b"GUARD:WATCH ON\n") == b""
    plan.mute, plan.deaf = False, True
    link.send(b"GUARD:WATCH OFF\n")
    plan.clear()
    assert ask(b"GUARD:WATCH?\n") == b"ON\n"
    assert plan.seen[-1] == b"GUARD:WATCH?"


def test_a_power_cycle_can_be_planned_for_a_message(bench: Bench, clock: VirtualClock) -> None:
    """Just before the message is worked off."""
    link = connect(bench, clock)
    instrument = bench.instruments["t"]
    link.send(b"*ESR?\n")
    link.receive(0.1)
    instrument.faults.do(instrument.power_cycle, message=b"*ESR?")
    link.send(b"*ESR?\n")
    assert link.receive(0.1) == b"128\n"


# ---- over real links ----------------------------------------------------------------------------


def until(read_some: object, end: bytes) -> bytes:
    data = b""
    while not data.endswith(end):
        assert callable(read_some)
        more = read_some()
        assert more
        data += more
    return data


def test_over_tcp_one_client_is_served_and_a_second_turned_away() -> None:
    """The first one's close is noticed; then the next one is served."""
    bench = Bench(SystemClock())
    orrin = bench.add("t", "orrin")
    with serve_tcp(orrin) as server:
        assert server.resource == f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
        with socket.create_connection(("127.0.0.1", server.port), timeout=2) as first:
            first.sendall(b"*ID")
            first.sendall(b"N?\n")
            assert until(lambda: first.recv(4), b"\n") == ORRIN
            with socket.create_connection(("127.0.0.1", server.port), timeout=2) as second:
                assert second.recv(10) == b""
        for _ in range(50):
            with socket.create_connection(("127.0.0.1", server.port), timeout=2) as third:
                third.sendall(b"*OPC?\n")
                if third.recv(10) == b"1\n":
                    return
    raise AssertionError("never served again")


def test_over_tcp_a_link_can_be_dropped() -> None:
    """The client sees the end of the stream."""
    bench = Bench(SystemClock())
    with (
        serve_tcp(bench.add("t", "orrin")) as server,
        socket.create_connection(("127.0.0.1", server.port), timeout=2) as client,
    ):
        client.sendall(b"*OPC?\n")
        assert until(lambda: client.recv(4), b"\n") == b"1\n"
        server.drop_link()
        assert client.recv(10) == b""


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_over_a_pty_the_line_is_raw_both_ways() -> None:
    """CR stays CR, nothing is echoed but what the Pell echoes itself."""
    bench = Bench(SystemClock())
    with serve_pty(bench.add("t", "pell")) as server:
        far = os.open(server.resource, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(far, b"QT\r")
            answer = b""
            while not answer.endswith(b"K\r"):
                assert select.select([far], [], [], 2)[0]
                answer += os.read(far, 100)
        finally:
            os.close(far)
    assert answer == b"QT\r00\rK\r"


@pytest.mark.slow
def test_inside_the_visa_library_instruments_have_state_and_time() -> None:
    """Set-up, start, polling and result over GPIB; a serial poll; unknown resources refused."""
    bench = Bench(SystemClock())
    orrin = bench.add("t", "orrin", link_watch=False)
    bench.wire_terminal("t", "output", "L")
    bench.wire_terminal("t", "return", "PE")
    library = library_for({"GPIB0::12::INSTR": orrin})
    manager = pyvisa.ResourceManager(library)
    with pytest.raises(pyvisa.errors.VisaIOError):
        manager.open_resource("GPIB0::13::INSTR")
    tester = manager.open_resource("GPIB0::12::INSTR")
    assert isinstance(tester, pyvisa.resources.GPIBInstrument)
    tester.write_termination = tester.read_termination = "\n"
    assert tester.query("*IDN?") == ORRIN.decode().strip()
    for line in ("LEVEL 200", "DWELL 0.3", "LIMIT:UPPER 0.01", "BEGIN"):
        tester.write(f"TASK:{line}")
    assert tester.query("TASK:STATE?") == "RISE"
    assert tester.read_stb() & 1
    seen = []
    while (state := tester.query("TASK:STATE?")) != "DONE":
        seen.append(state)
    assert "HOLD" in seen
    assert tester.query("TASK:RESULT?").startswith("1,STAND_AC,PASS,+2.00000E+02,")
    tester.close()
    manager.close()


def test_a_lost_link_inside_the_visa_library_is_an_error() -> None:
    """Not an empty answer."""
    bench = Bench(SystemClock())
    orrin = bench.add("t", "orrin")
    manager = pyvisa.ResourceManager(library_for({"TCPIP0::h::5025::SOCKET": orrin}))
    tester = manager.open_resource("TCPIP0::h::5025::SOCKET")
    assert isinstance(tester, pyvisa.resources.MessageBasedResource)
    orrin.faults.drop_link(message=b"*OPC?")
    tester.write_raw(b"*OPC?\n")
    with pytest.raises(pyvisa.errors.VisaIOError):
        tester.write_raw(b"*OPC?\n")
    tester.close()
    manager.close()
