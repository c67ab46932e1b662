"""Serial ports: settings, and a port of one's own."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap

import pytest

from drivers.links import serial
from drivers.links.settings import SerialDefaults
from orchestrator.errors import LinkLost
from orchestrator.model.station import SerialLink
from tests.drivers.links.far_ends import CLOCK, NAME

if os.name != "posix":
    pytest.skip("pseudo terminals are POSIX", allow_module_level=True)


def terminal() -> tuple[int, int, str]:
    import pty

    master, slave = pty.openpty()
    return master, slave, os.ttyname(slave)


def test_the_station_s_settings_come_before_the_profile_s() -> None:
    """What the station leaves out comes from the profile; read back from the port itself."""
    import termios

    master, slave, port = terminal()
    settings = SerialLink(kind="serial", port=port, baud=19200, stop_bits="2")
    defaults = SerialDefaults(baud=4800, bits="7", parity="even", stop_bits="1")
    link = serial.open_link(settings, name=NAME, clock=CLOCK, defaults=defaults)
    try:
        _, _, flags, _, speed, _, _ = termios.tcgetattr(slave)
        assert speed == termios.B19200
        assert flags & termios.CSTOPB
        # The pseudo terminal keeps no parity and no 7 bits; what pyserial was told is left.
        assert link._port is not None
        assert (link._port.bytesize, link._port.parity) == (7, "E")
    finally:
        link.close()
        os.close(master)
        os.close(slave)


def test_a_port_that_another_program_holds_is_refused_by_name() -> None:
    """Two programs on one port would take each other's replies; the message says what to do."""
    master, slave, port = terminal()
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            textwrap.dedent(
                """
                import serial, sys
                port = serial.Serial(sys.argv[1], exclusive=True)
                print("open", flush=True)
                sys.stdin.read()
                """
            ),
            port,
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"open\n"
        with pytest.raises(LinkLost, match="in use by another program; close it") as caught:
            serial.open_link(SerialLink(kind="serial", port=port), name=NAME, clock=CLOCK)
        assert port in str(caught.value)
    finally:
        holder.communicate(b"", timeout=10)
        os.close(master)
        os.close(slave)


def test_a_file_that_is_no_port_is_refused(tmp_path: os.PathLike[str]) -> None:
    """Errors of the terminal interface don't leave the link either."""
    path = os.path.join(tmp_path, "no-port")  # noqa: PTH118
    with open(path, "w"):  # noqa: PTH123
        pass
    with pytest.raises(LinkLost, match="can't open port"):
        serial.open_link(SerialLink(kind="serial", port=path), name=NAME, clock=CLOCK)
