"""What a station and a fixture file can get wrong by themselves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from orchestrator.binding.stations import check_station
from orchestrator.binding.visa_names import why_not
from tests.binding.helpers import MATRIX, TESTER, Bench, Data

Change = Callable[[Data], Any]


def unit(data: Data) -> Data:
    first: Data = data["chains"]["relays"]["units"][0]
    return first


def second_unit(**changes: Any) -> Change:
    def apply(data: Data) -> None:
        data["chains"]["relays"]["units"].append({"name": "u2", "address": "2"} | changes)

    return apply


def feed(bank: str, **changes: Any) -> Change:
    def apply(data: Data) -> None:
        unit(data)["feeds"][bank] = changes

    return apply


def at(position: str, place: str) -> Change:
    def apply(data: Data) -> None:
        data["positions"][position] = place

    return apply


def chain(**changes: Any) -> Change:
    def apply(data: Data) -> None:
        entry = {**data["chains"]["relays"], **changes}
        data["chains"]["relays"] = {k: v for k, v in entry.items() if v is not None}

    return apply


def link(**changes: Any) -> Change:
    def apply(data: Data) -> None:
        data["testers"]["t1"]["link"] = changes

    return apply


def interlock(**source: Any) -> Change:
    def apply(data: Data) -> None:
        data["interlock"] = [{"name": "guard", "source": source}]

    return apply


def top(**changes: Any) -> Change:
    def apply(data: Data) -> None:
        data.update(changes)

    return apply


EXEMPT = {"rule": "freshness", "instrument": "t9", "reason": "long enough"}
BLEEDER = {"tester": "t9", "resistance": "1 Mohm", "worst_capacitance": "1 uF"}

TABLE: dict[str, tuple[Change, str]] = {
    "address twice": (second_unit(address="1"), "address 1, that of unit 'u1' too"),
    "unit twice": (second_unit(name="u1"), "the name twice"),
    "address too high": (second_unit(address="32"), "address 32, expected 0 to 31"),
    "no address": (
        lambda data: data["chains"]["relays"]["units"].append({"name": "u2"}),
        "no address, expected an address from 0 to 31",
    ),
    "feed of unknown bank": (feed("xy", source="t1.output"), "bank 'xy'"),
    "feed of unknown tester": (feed("sense", source="t9.output"), "tester 't9'"),
    "feed of unknown terminal": (feed("sense", source="t1.outptu"), "terminal 'outptu'"),
    "malformed feed": (feed("sense", source="output"), "expected 'tester.terminal'"),
    "two terminals on a bus": (
        feed("sense", source="t1.sense_hi t2.sense_hi"),
        "terminal 'sense_hi t2.sense_hi'",
    ),
    "one terminal on two buses": (
        feed("sense", source="t1.sense_hi", **{"return": "t1.sense_hi"}),
        "t1.sense_hi as source and as return",
    ),
    "units that join two terminals": (
        second_unit(address="2", feeds={"hv": {"source": "t1.return"}}),
        "source: t1.return, expected t1.output, as for unit u1",
    ),
    "role the bank lacks": (feed("sense", sense="t1.sense_hi"), "sense fed, expected roles"),
    "malformed position": (at("hv9", "relays/u1/hv"), "expected 'chain/unit/bank/channel'"),
    "position in no chain": (at("hv9", "x/u1/hv/1"), "chain 'x'"),
    "position in no unit": (at("hv9", "relays/u7/hv/1"), "unit 'u7'"),
    "position in no bank": (at("hv9", "relays/u1/xx/1"), "bank 'xx'"),
    "position on no channel": (at("hv9", "relays/u1/hv/9"), "channel 9, expected a channel"),
    "position on no tester": (at("hv9", "t7.output"), "tester 't7'"),
    "position on no terminal": (at("hv9", "t1.xx"), "terminal 'xx'"),
    "two positions on a channel": (at("hv9", "relays/u1/hv/8"), "position 'hv8' too"),
    "chain reached in no way": (chain(link=None), "found none, expected exactly one of link"),
    "chain reached twice": (chain(carried_by="t1"), "link and carried_by"),
    "carried by nobody": (chain(link=None, carried_by="t9"), "carried_by 't9'"),
    "built into nobody": (chain(link=None, built_in="t9"), "built_in 't9'"),
    "built into a tester that can't": (
        chain(link=None, built_in="t1"),
        "built_in 't1', which doesn't switch relays itself",
    ),
    # IEEE 488.1: primary addresses 0…30 (reference D, seen [S31], [S33])
    "GPIB address": (link(kind="visa", resource="GPIB0::31::INSTR"), "GPIB address 31"),
    "one link for two": (
        link(kind="tcp", host="127.0.0.1", port="4002"),
        "127.0.0.1:4002, the link of 't1' too",
    ),
    "interlock on nobody": (interlock(kind="tester", tester="t9"), "no tester 't9'"),
    "simulated interlock, real tester": (
        interlock(kind="simulated"),
        "a simulated input with the real tester t1",
    ),
    "file interlock, real tester": (
        interlock(kind="file", path="guard.txt"),
        "a file input with the real tester t1",
    ),
    "simulated chain, real tester": (chain(simulated="yes"), "simulated, beside the real t1"),
    "exemption of nobody": (top(exemptions=[EXEMPT]), "exemption, found instrument 't9'"),
    "bleeder of nobody": (top(bleeders=[BLEEDER]), "bleeder, found tester 't9'"),
}


def test_units_with_separate_buses_may_be_fed_apart() -> None:
    """What would join two terminals on one bus is fine on two."""
    bench = Bench()
    second_unit(address="2", feeds={"hv": {"source": "t1.return", "return": "t1.output"}})(
        bench.station
    )
    chain(buses="separate")(bench.station)
    faults = check_station(bench.documents()[2], bench.instruments)
    assert not [fault for fault in faults if "feeds" in fault.what]


@pytest.mark.parametrize("case", TABLE)
def test_a_station_is_refused_for(case: str) -> None:
    """Issue parts 3, 6 and 7, and design rule 9: named at its line, with a remedy."""
    change, part = TABLE[case]
    bench = Bench()
    change(bench.station)
    faults = check_station(bench.documents()[2], bench.instruments)
    assert part in "\n".join(map(str, faults))
    assert len(faults) == 1
    assert faults[0].position is not None
    assert faults[0].position.line > 1


def test_the_plain_station_has_no_fault() -> None:
    """The table's changes are what is refused, nothing else."""
    bench = Bench()
    assert check_station(bench.documents()[2], bench.instruments) == ()


def test_an_interlock_on_a_tester_that_cannot_be_asked_is_refused() -> None:
    """Silence would be taken for an answer."""
    bench = Bench().tester(replace(TESTER, has_interlock_query=False))
    assert "'t1', which can't be asked" in str(bench.only_fault())


def test_switches_that_read_another_address_are_refused() -> None:
    """Number and picture must agree where both stand there."""
    bench = Bench()
    unit(bench.station)["switches"] = "down up up up up"
    given = replace(bench.instruments, addresses={"relays": {"u1": 2}})
    faults = check_station(bench.documents()[2], given)
    assert ["address 1, switches 2" in str(fault) for fault in faults] == [True]


def test_units_without_addresses_need_none() -> None:
    """A matrix type that has no address has nothing to give."""
    bench = Bench()
    bench.matrix = replace(MATRIX, addresses=None)
    del unit(bench.station)["address"]
    assert bench.bind().steps


def test_a_wholly_simulated_station_says_so() -> None:
    """Rule 9: every record of a simulated run says that it is one."""
    bench = Bench()
    bench.station["testers"]["t1"]["simulated"] = "yes"
    bench.station["chains"]["relays"]["simulated"] = "yes"
    bench.station["interlock"] = [{"name": "guard", "source": {"kind": "simulated"}}]
    schedule = bench.bind()
    assert schedule.simulated
    assert any("no verdict of it counts" in notice for notice in schedule.notices)


def test_a_simulated_link_alone_makes_no_instrument_simulated() -> None:
    """Rule 9: without the declaration it is real, whatever link it hangs on."""
    bench = Bench()
    bench.station["testers"]["t1"]["link"] = {"kind": "simulated", "instrument": "one"}
    assert bench.bind().simulated is False
    bench.station["interlock"] = [{"name": "guard", "source": {"kind": "simulated"}}]
    assert "with the real tester t1" in str(bench.only_fault())


def test_a_tester_without_a_profile_is_refused() -> None:
    """Nothing is bound on an instrument that nobody knows."""
    bench = Bench()
    bench.testers = {}
    assert any("tester 't1', found no profile" in str(fault) for fault in bench.faults())


# Reference D, 'VISA resource strings' (grammar from memory; GPIB addresses seen [S31], [S33]).
ACCEPTED = [
    "GPIB0::5::INSTR",
    "gpib::30",
    "GPIB0::0",
    "GPIB1::9::3::INSTR",
    "GPIB0::5::31::INSTR",
    "TCPIP::10.0.0.5::5025::SOCKET",
    "TCPIP0::bench.local::inst0::INSTR",
    "ASRL3",
    "ASRL/dev/ttyUSB0::INSTR",
    "USB0::0x1234::0x5678::SN1::INSTR",
]
REJECTED = ["GPIB0::31::INSTR", "GPIB0::99", "GPIB0:5:INSTR", "TCPIP::h::99999::SOCKET", "", "X"]


@pytest.mark.parametrize("resource", ACCEPTED)
def test_a_visa_resource_that_can_be_right_is_accepted(resource: str) -> None:
    """IEEE 488.1: 0 to 30; a secondary address of 31 isn't failed, implementations differ."""
    assert why_not(resource) is None


@pytest.mark.parametrize("resource", REJECTED)
def test_a_visa_resource_that_cannot_be_right_is_refused(resource: str) -> None:
    """Some VISA libraries accept 31 and 99 without a word."""
    assert why_not(resource) is not None


def two_points(data: Data) -> None:
    data["points"]["neutral"] = "hv3"


def offset(*between: str, **figures: str) -> Change:
    def apply(data: Data) -> None:
        entry = {"between": list(between), "measured": "2026-01-05", **figures}
        data.setdefault("offsets", []).append(entry)

    return apply


def lead(position: str) -> Change:
    def apply(data: Data) -> None:
        data["leads"] = {position: {"gauge": "AWG 10", "length": "2 m"}}

    return apply


FIXTURES: dict[str, tuple[Change, str]] = {
    "two points at a position": (two_points, "position 'hv3', that of point 'live' too"),
    "offset on an unknown point": (offset("live", "pe", current="1 uA"), "point 'pe'"),
    "offset on one point": (offset("live", "live", current="1 uA"), "one point twice"),
    "offset without a figure": (offset("live", "earth"), "no figure"),
    "lead nowhere": (lead("hv77"), "no such position"),
    "lead without a point": (lead("hv8"), "no point there"),
}


@pytest.mark.parametrize("case", FIXTURES)
def test_a_fixture_is_refused_for(case: str) -> None:
    """Named at its line of the fixture file."""
    change, part = FIXTURES[case]
    bench = Bench()
    change(bench.fixture)
    fault = bench.only_fault()
    assert part in str(fault)
    assert str(fault.position).startswith("fixture.yaml:")


def test_a_wrong_feed_is_reported_once_not_at_every_step_behind_it() -> None:
    """The steps that can't be judged because of it stay quiet."""
    bench = Bench()
    feed("hv", source="t1.outptu", **{"return": "t1.return"})(bench.station)
    assert "terminal 'outptu'" in str(bench.only_fault())
