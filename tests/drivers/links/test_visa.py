"""VISA: names of resources, one opening each, libraries made by hand."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.links.resources import check_resource, read_resource
from orchestrator.contract import Link
from orchestrator.errors import LinkLost, ProtocolFault, Refused
from tests.drivers.links.far_ends import SimulatedEnd, open_visa, visa_socket_end


@pytest.mark.parametrize(
    "resource",
    [
        "GPIB0::5::INSTR",
        "gpib::30",
        "GPIB1::9::3::INSTR",
        "GPIB0::5::31::INSTR",
        "TCPIP::10.0.0.5::5025::SOCKET",
        "TCPIP0::bench-7.example::inst0::INSTR",
        "TCPIP::10.0.0.5",
        "TCPIP0::10.0.0.5::hislip0::INSTR",
        "ASRL3",
        "ASRL/dev/ttyUSB0::INSTR",
        "USB0::0x1234::0x5678::A1::INSTR",
        "usb::0x1234::0x5678::A1::0",
    ],
)
def test_names_that_the_grammar_allows_are_taken(resource: str) -> None:
    """VPP-4.3, 4.3.1 (grammar from memory); secondary 31 is valid on the bus (IEEE 488.1)."""
    assert check_resource(resource) is None


@pytest.mark.parametrize(
    ("resource", "reason"),
    [
        ("GPIB0::31::INSTR", "from 0 to 30"),
        ("GPIB0::99::INSTR", "from 0 to 30"),
        ("GPIB0::5::32::INSTR", "from 0 to 31"),
        ("GPIB0:5:INSTR", "isn't the VISA name"),
        ("GPIB0::INTFC", "isn't the VISA name"),
        ("TCPIP::h::99999::SOCKET", "from 1 to 65535"),
        ("TCPIP::h::0::SOCKET", "from 1 to 65535"),
        ("TCPIP::h::SOCKET", "isn't the VISA name"),
        ("TCPIP::h::5025", "::5025::SOCKET"),
        ("USB0::1234::5678::A1::INSTR", "isn't the VISA name"),
        ("", "isn't the VISA name"),
        (" ASRL3", "isn't the VISA name"),
    ],
)
def test_names_that_can_t_be_right_are_refused_with_the_reason(resource: str, reason: str) -> None:
    """VPP-4.3, 4.3.1; primary addresses 0 to 30 (IEEE 488.1: 31 is unlisten and untalk)."""
    found = check_resource(resource)
    assert found is not None
    assert reason in found


@given(st.integers(0, 300), st.none() | st.integers(0, 300))
def test_an_address_is_taken_exactly_if_the_bus_has_it(primary: int, secondary: int | None) -> None:
    """Primary 0 to 30, secondary 0 to 31 (IEEE 488.1), whatever else is in the name."""
    name = f"GPIB::{primary}" + ("" if secondary is None else f"::{secondary}")
    right = primary <= 30 and (secondary is None or secondary <= 31)
    assert (check_resource(name) is None) == right


@given(st.text(alphabet="GPIBASRLTCUN0123456789:./x", max_size=40))
def test_any_text_gets_an_answer(text: str) -> None:
    """No text makes the check itself fail."""
    assert check_resource(text) is None or check_resource(text)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("GPIB0::5::INSTR", "gpib::05"),
        ("TCPIP::h::5025::SOCKET", "tcpip0::H::5025::socket"),
        ("TCPIP::h", "TCPIP0::h::inst0::INSTR"),
        ("ASRL3", "asrl3::INSTR"),
    ],
)
def test_two_names_of_one_resource_are_one(one: str, other: str) -> None:
    """Defaults written out or left out, in capitals or not (VPP-4.3, 4.3.1)."""
    assert read_resource(one) == read_resource(other)


def test_a_wrong_address_is_refused_before_anything_is_opened() -> None:
    """The libraries would open it; the caller is told what and why, and no library is asked."""
    with pytest.raises(Refused, match="from 0 to 30"):
        open_visa("GPIB0::31::INSTR", "no such library")


def test_a_resource_is_opened_once_in_a_process() -> None:
    """Exclusive opening is ignored by the Python library: two owners would mix their replies."""
    end = visa_socket_end()
    port = end.listener.getsockname()[1]
    try:
        with pytest.raises(Refused, match="already open as tester_1"):
            open_visa(f"tcpip::127.0.0.1::{port}::socket")
        end.link.close()
        again = open_visa(f"TCPIP0::127.0.0.1::{port}::SOCKET")
        again.close()
    finally:
        end.put_away()


def test_a_failed_opening_leaves_the_resource_free() -> None:
    """A second try reports the true cause, not that the resource is in use."""
    for _ in range(2):
        with pytest.raises(LinkLost):
            open_visa("ASRL/dev/no-such-port::INSTR")


def test_a_message_is_read_to_its_end_without_waiting_for_more() -> None:
    """Where the library tells that a message is over, no time limit is waited for after it."""
    end = SimulatedEnd()
    try:
        end.say(b"PASS,1500.0\n")
        assert end.link.receive(5.0) == b"PASS,1500.0\n"
    finally:
        end.put_away()


@pytest.mark.parametrize(
    "error", [Exception("bare"), TypeError("None"), OSError("gone"), KeyError(1)]
)
def test_whatever_a_library_raises_becomes_a_lost_link(error: Exception) -> None:
    """Libraries let bare exceptions through, when reading and when writing."""

    def fail(*_: object) -> tuple[bytes, bool]:
        raise error

    uses: tuple[Callable[[Link], object], ...] = (
        lambda link: link.receive(0.01),
        lambda link: link.send(b"x"),
    )
    for use in uses:
        end = SimulatedEnd()
        end.device.read = end.device.write = fail
        try:
            with pytest.raises(LinkLost):
                use(end.link)
        finally:
            end.put_away()


def test_damaged_characters_are_a_fault_of_the_protocol() -> None:
    """A parity error isn't a lost link: wrong serial settings are the likely cause."""
    from pyvisa import VisaIOError
    from pyvisa.constants import StatusCode

    def fail() -> tuple[bytes, bool]:
        raise VisaIOError(StatusCode.error_serial_parity)

    end = SimulatedEnd()
    try:
        end.device.read = fail
        with pytest.raises(ProtocolFault):
            end.link.receive(0.01)
    finally:
        end.put_away()


def test_the_links_load_no_library_before_it_is_needed() -> None:
    """Starting the program doesn't pay for VISA and serial libraries."""
    code = (
        "import sys, drivers.links.tcp, drivers.links.serial, drivers.links.visa; "
        "sys.exit('pyvisa' in sys.modules or 'serial' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
