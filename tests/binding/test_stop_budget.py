"""The stop-time budget: its terms, where each comes from, and the slower case of silence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.binding.stop_budget import (
    StopMessage,
    StopTime,
    describe_stop,
    describe_terms,
    stop_times,
)
from orchestrator.model.words import DischargeGrade
from tests.binding.helpers import TESTER, Bench, Data, PaperTester
from tests.binding.test_station_io import station

D = Decimal
QUICK = replace(TESTER, off_within_s=D("0.4"), poll_s=D("0.02"))


@dataclass(frozen=True)
class Settings:
    """Like a profile's serial settings."""

    baud: int = 9600
    bits: Literal["7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal["1", "2"] = "1"


def budget(data: Data, message: StopMessage | None = None) -> tuple[StopTime, ...]:
    bench = Bench()
    bench.station = data
    bench.testers["t1"] = PaperTester(QUICK)
    model = bench.documents()[2].model
    return stop_times(model, bench.instruments, {} if message is None else {"t1": message})


def terms(found: StopTime) -> dict[str, tuple[float, str]]:
    return {term.what: (term.seconds, term.origin) for term in found.terms}


def test_an_input_that_the_tester_is_asked_for() -> None:
    """Poll 20 ms, two replies of 50 ms, scan 10 ms, network 5 ms, off 0.4 s; 500 ms if mute."""
    (found,) = budget(Bench().station)
    assert terms(found) == {
        "'guard' asked of t1": (0.02, "profile"),
        "replies about test and input": (0.1, "assumed"),
        "scan of the inputs": (0.01, "this program"),
        "stop message over the network": (0.005, "assumed"),
        "fall and discharge, at the latest": (0.4, "profile"),
    }
    assert found.total_s == pytest.approx(0.535)
    assert found.mute_s == pytest.approx(0.5 + 0.01 + 0.005 + 0.4)
    assert found.assumed_s == pytest.approx(0.105)
    assert describe_stop(found) == (
        "stop time of t1: off and discharged within 535 ms of a guard opening, 915 ms if an input "
        "or its block falls silent (105 ms of it assumed)"
    )
    assert "replies about test and input: 100 ms [assumed]" in describe_terms(found)


def test_an_input_of_a_block_is_debounced_and_read_in_two_periods() -> None:
    """30 ms + 2 · 10 ms; the slowest of all inputs counts."""
    data = station()
    data["interlock"] = data["interlock"][1:]
    data["interlock"][1]["debounce"] = "30 ms"
    found, _ = budget(data)
    assert terms(found)["debounce of 'stop'"] == (0.03, "station file")
    assert terms(found)["'stop' read by block k1, two periods"] == (0.02, "station file")
    assert found.total_s == pytest.approx(0.03 + 0.02 + 0.01 + 0.005 + 0.4)
    assert found.mute_s == pytest.approx(0.08 + 0.01 + 0.005 + 0.4)


def test_a_debounced_input_of_a_tester_is_asked_twice() -> None:
    """The new state counts at the first look after the debounce."""
    data = Bench().station
    data["interlock"][0]["debounce"] = "20 ms"
    (found,) = budget(data)
    assert terms(found)["'guard' asked of t1, two looks"] == (0.04, "profile")


def test_the_enable_output_has_a_line_of_its_own() -> None:
    """Scan, writing within a period, contactor assumed; the coupler's watchdog if it is cut off."""
    data = station()
    data["interlock"] = data["interlock"][1:]
    _, enable = budget(data)
    assert terms(enable)["writing to block k1"] == (0.01, "station file")
    assert terms(enable)["contactor behind the output"] == (0.05, "assumed")
    assert enable.total_s == pytest.approx(0.02 + 0.01 + 0.01 + 0.05)
    assert enable.mute_s == pytest.approx(0.1 + 0.05)
    assert describe_stop(enable).startswith("stop time of enable output: dropped within 90 ms")


def serial(**settings: str) -> Data:
    data = Bench().station
    data["testers"]["t1"]["link"] = {"kind": "serial", "port": "COM3", **settings}
    return data


@pytest.mark.parametrize(
    ("link", "message", "seconds", "origin"),
    # characters · bits per character / baud
    [
        ({}, StopMessage(6, Settings()), 6 * 10 / 9600, "profile"),
        ({"baud": "19200"}, StopMessage(6, Settings()), 6 * 10 / 19200, "station file"),
        ({"parity": "even"}, StopMessage(6, Settings(1200)), 6 * 11 / 1200, "profile"),
        ({"bits": "7", "stop_bits": "2"}, StopMessage(6, Settings()), 6 * 10 / 9600, "profile"),
        ({}, StopMessage(6, object()), 6 * 10 / 9600, "assumed"),
        ({}, StopMessage(6), 6 * 10 / 9600, "assumed"),
    ],
)
def test_a_serial_line_takes_its_time(
    link: Data, message: StopMessage, seconds: float, origin: str
) -> None:
    """By what the station says, else the profile, else 9600 8N1 and said to be assumed. A message
    handed over before it goes out first."""
    (found,) = budget(serial(**link), message)
    found_s = terms(found)
    (name,) = (key for key in found_s if key.startswith("stop message, 6 characters"))
    assert found_s[name][0] == pytest.approx(seconds)
    assert found_s[name][1] == origin
    before_s, assumed = found_s["another message before it on the line, as long"]
    assert before_s == pytest.approx(seconds)
    assert assumed == "assumed"


def test_a_stop_message_that_nobody_knows_is_assumed() -> None:
    """A driver of somebody else's may not tell its length."""
    (found,) = budget(serial())
    assert terms(found)["stop message on the serial line"] == (0.005, "assumed")


@pytest.mark.parametrize(
    ("link", "what"),
    [
        ({"kind": "visa", "resource": "GPIB0::5::INSTR"}, "stop message over the instrument bus"),
        ({"kind": "visa", "resource": "ASRL3::INSTR"}, "stop message, 6 characters at 9600 baud"),
        ({"kind": "simulated", "instrument": "orrin"}, "stop message (simulated link)"),
    ],
)
def test_every_kind_of_link_has_its_term(link: Data, what: str) -> None:
    """A serial line behind VISA is a serial line."""
    data = Bench().station
    data["testers"]["t1"]["link"] = link
    (found,) = budget(data, StopMessage(6, Settings()))
    assert any(name.startswith(what) for name in terms(found))


def test_a_bleeder_slower_than_the_tester_counts() -> None:
    """From the highest DC level, 6 kV: 2 · R·C·ln(6000/60) = 9.2103 s for 10 Mohm, 100 nF."""
    bench = Bench()
    bench.testers["t1"] = PaperTester(replace(QUICK, discharge=DischargeGrade.BLEEDER))
    entry = {"tester": "t1", "resistance": "10 Mohm", "worst_capacitance": "100 nF"}
    bench.station["bleeders"] = [entry]
    (found,) = stop_times(bench.documents()[2].model, bench.instruments, {})
    time_s, origin = terms(found)["discharge by the bleeder from the highest level, margin 2"]
    assert time_s == pytest.approx(9.2103, abs=1e-4)
    assert origin == "station file"


def test_a_station_without_inputs_still_has_its_own_part() -> None:
    """Nothing to see is no time to see it."""
    data = Bench().station
    data["interlock"] = []
    (found,) = budget(data)
    assert found.total_s == found.mute_s == pytest.approx(0.01 + 0.005 + 0.4)


@given(debounce=st.integers(0, 99), more=st.integers(0, 1), stale=st.integers(1, 2000))
def test_no_debounce_or_silence_makes_a_stop_faster(debounce: int, more: int, stale: int) -> None:
    """Monotonic, and the case of silence is never the shorter one."""

    def total(milliseconds: int) -> StopTime:
        data = Bench().station
        data["interlock"][0] |= {"debounce": f"{milliseconds} ms", "stale_after": f"{stale} ms"}
        return budget(data)[0]

    one, other = total(debounce), total(debounce + more)
    assert one.total_s <= other.total_s
    assert one.mute_s >= one.total_s
