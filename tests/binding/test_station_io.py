"""Remote I/O blocks of a station: places, doubles, proof of life, times, real and simulated."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.binding.helpers import Bench, Data

Change = Callable[[Data], None]


def station() -> Data:
    """A block with everything: two-channel guard, stop, life sign, enable, lamp, spare input."""
    data = Bench().station
    data["io"] = {
        "k1": {
            "host": "10.0.0.9",
            "drops_after": "100 ms",
            "life_sign": {"input": "6", "follows": "2"},
        }
    }
    data["interlock"] += [
        {
            "name": "gate",
            "stale_after": "80 ms",
            "source": {
                "kind": "io",
                "block": "k1",
                "input": "0",
                "second": {"input": "1", "moves": "opposite"},
            },
        },
        {
            "name": "stop",
            "purpose": "emergency_stop",
            "stale_after": "80 ms",
            "source": {"kind": "io", "block": "k1", "input": "2"},
        },
    ]
    data["outputs"] = {
        "enable": {"block": "k1", "output": "0", "feeds_relay_coils": "no"},
        "green_lamp": {"block": "k1", "output": "1"},
    }
    data["watched"] = [{"name": "air", "block": "k1", "input": "3"}]
    return data


def put(*path: str | int, value: Any) -> Change:
    def apply(data: Data) -> None:
        here: Any = data
        for key in path[:-1]:
            here = here[key]
        here[path[-1]] = value

    return apply


def without(*path: str | int) -> Change:
    def apply(data: Data) -> None:
        here: Any = data
        for key in path[:-1]:
            here = here[key]
        del here[path[-1]]

    return apply


def second_block(**changes: str) -> Change:
    def apply(data: Data) -> None:
        data["io"]["k2"] = {"host": "10.0.0.10", "drops_after": "100 ms", **changes}

    return apply


REFUSED: dict[str, tuple[Change, str, str]] = {
    "an unknown block of an input": (
        put("interlock", 2, "source", "block", value="k9"),
        "interlock input 'stop'",
        "block 'k9'",
    ),
    "an unknown block of an output": (
        put("outputs", "green_lamp", "block", value="k9"),
        "output green_lamp",
        "block 'k9'",
    ),
    "an unknown block of a watched input": (
        put("watched", 0, "block", value="k9"),
        "watched input 'air'",
        "block 'k9'",
    ),
    "an input beyond the block": (
        put("interlock", 2, "source", "input", value="8"),
        "interlock input 'stop'",
        "bit 8 of 8 inputs",
    ),
    "a second channel beyond the block": (
        put("interlock", 1, "source", "second", "input", value="8"),
        "second channel of interlock input 'gate'",
        "bit 8 of 8 inputs",
    ),
    "an output beyond the block": (
        put("outputs", "enable", "output", value="8"),
        "output enable",
        "bit 8 of 8 outputs",
    ),
    "a life sign beyond the block": (
        put("io", "k1", "life_sign", "follows", value="8"),
        "life sign of block 'k1'",
        "bit 8 of 8 outputs",
    ),
    "a block without outputs": (
        put("io", "k1", "outputs", value="2"),
        "life sign of block 'k1'",
        "bit 2 of 2 outputs",
    ),
    "an output used twice": (
        put("outputs", "green_lamp", "output", value="0"),
        "output green_lamp",
        "that of output enable too",
    ),
    "the life sign's output used twice": (
        put("io", "k1", "life_sign", "follows", value="1"),
        "life sign of block 'k1'",
        "that of output green_lamp too",
    ),
    "an input used twice": (
        put("interlock", 2, "source", "input", value="0"),
        "interlock input 'stop'",
        "that of interlock input 'gate' too",
    ),
    "a watched input used twice": (
        put("watched", 0, "input", value="1"),
        "watched input 'air'",
        "that of second channel of interlock input 'gate' too",
    ),
    "both channels on one input": (
        put("interlock", 1, "source", "second", "input", value="0"),
        "second channel of interlock input 'gate'",
        "that of interlock input 'gate' too",
    ),
    "an enable that feeds relay coils": (
        put("outputs", "enable", "feeds_relay_coils", value="yes"),
        "output enable",
        "feeds the relays' coils",
    ),
    "no proof of life": (
        without("io", "k1", "life_sign"),
        "interlock input 'stop'",
        "nothing that proves the inputs of block 'k1' alive",
    ),
    "a simulated block beside real testers": (
        put("io", "k1", "simulated", value="yes"),
        "block 'k1'",
        "a simulated block beside real instruments",
    ),
    "an input stale too soon": (
        put("interlock", 2, "stale_after", value="19 ms"),
        "interlock input 'stop'",
        "stale_after 19 ms with a period of 10 ms",
    ),
    "a watchdog too short": (
        put("io", "k1", "drops_after", value="19 ms"),
        "block 'k1'",
        "drops_after 19 ms with a period of 10 ms",
    ),
    "two blocks at one end": (
        second_block(host="10.0.0.9"),
        "block 'k2'",
        "10.0.0.9:502, that of block 'k1' too",
    ),
    "a block at a tester's end": (
        second_block(host="127.0.0.1", port="4001"),
        "block 'k2'",
        "127.0.0.1:4001, that of 't1' too",
    ),
}


def bench(change: Change | None = None) -> Bench:
    found = Bench()
    found.station = station()
    if change is not None:
        change(found.station)
    return found


def test_a_station_with_a_whole_block_binds() -> None:
    """The ground that the refusals stand on."""
    bench().bind()


@pytest.mark.parametrize("case", REFUSED)
def test_a_station_is_refused_for(case: str) -> None:
    """Named, at its line of the station file."""
    change, what, found = REFUSED[case]
    fault = bench(change).only_fault()
    assert fault.what == what
    assert found in fault.found
    assert str(fault.position).startswith("station.yaml:")
    assert fault.position is not None
    assert fault.position.line > 0


def test_the_refusal_of_a_coil_feeding_enable_says_why() -> None:
    """Cold switching: the path is the discharge path."""
    change = REFUSED["an enable that feeds relay coils"][0]
    expected = bench(change).only_fault().expected
    assert "open contacts under load and take the discharge path away" in expected


def test_a_second_channel_that_moves_alike_proves_no_life() -> None:
    """Both would stand still together; an antivalent one can't."""

    def alike(data: Data) -> None:
        del data["io"]["k1"]["life_sign"]
        data["interlock"] = data["interlock"][:2]
        data["interlock"][1]["source"]["second"]["moves"] = "same"

    assert bench(alike).only_fault().what == "interlock input 'gate'"

    def antivalent(data: Data) -> None:
        alike(data)
        data["interlock"][1]["source"]["second"]["moves"] = "opposite"

    bench(antivalent).bind()


def test_a_real_block_beside_simulated_testers_is_refused() -> None:
    """Rule 9, the other way round."""

    def simulate(data: Data) -> None:
        data["testers"]["t1"]["simulated"] = "yes"
        data["chains"]["relays"]["simulated"] = "yes"

    assert "a real block beside simulated" in bench(simulate).only_fault().found


def test_a_visa_socket_counts_as_an_end_too() -> None:
    """The same host and port by another way of writing."""

    def visa(data: Data) -> None:
        resource = "TCPIP0::10.0.0.9::502::SOCKET"
        data["testers"]["t1"]["link"] = {"kind": "visa", "resource": resource}

    assert "10.0.0.9:502, that of 't1' too" in bench(visa).only_fault().found


@pytest.mark.parametrize(("stale", "told"), [("100 ms", False), ("101 ms", True), (None, True)])
def test_a_long_silence_of_a_block_is_told(stale: str | None, told: bool) -> None:
    """Above 100 ms; the default of 500 ms too."""

    def change(data: Data) -> None:
        del data["interlock"][2]["stale_after"]
        if stale is not None:
            data["interlock"][2]["stale_after"] = stale

    notices = bench(change).bind().notices
    assert any("'stop' counts for up to" in notice for notice in notices) is told
