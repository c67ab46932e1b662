"""The Thicket driven by its profile: a relay for each channel and bus, told by its number alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drivers.adapters.matrix import ProfileMatrix
from drivers.language.checker import check_profile, render_report
from drivers.language.profile import load_matrix, load_profile
from orchestrator.contract import Talk
from orchestrator.errors import InstrumentRefused, RelayMismatch, SetupMismatch
from tests.drivers.adapters.pump import Pump
from tests.profiles.harness import contacts_of, route_of
from tests.profiles.unknown.thicket.bench_of_manual import ManualBench

HERE = Path(__file__).parent
SIX = (
    "first/high/1=source first/high/2=return first/high/3=return first/high/4=return "
    "first/high/5=return second/high/3=return"
)


class Hand:
    """The rack with two units, and what went out."""

    def __init__(self) -> None:
        self.stage = ManualBench()
        document = load_matrix(str(HERE / "profile.yaml"))
        self.matrix = ProfileMatrix(document, "rack", {"first": 0, "second": 1})
        self.pump = Pump(self.stage.instrument, self.stage.clock)

    def hold(self, talk: Talk[Any]) -> Any:
        self.pump.sent.clear()
        return self.pump.run(talk)

    def apply(self, text: str) -> list[bytes]:
        self.hold(self.matrix.apply(route_of(text, "rack")))
        return list(self.pump.sent)

    def closed(self) -> Any:
        return self.hold(self.matrix.read_back())


def test_the_profile_is_sound() -> None:
    """The checker finds no fault."""
    report = check_profile(load_profile(str(HERE / "profile.yaml")))
    assert report.sound, render_report(report)


def test_every_unit_tells_its_own_number() -> None:
    """I0 and I1."""
    found = Hand()
    assert [i.serial for i in found.hold(found.matrix.identify()).values()] == [
        "SIM-7100",
        "SIM-7101",
    ]


def test_a_route_is_closed_in_portions_once_the_coil_supply_is_on() -> None:
    """At most four relays in one command; RETURN relays bear the channel's number plus 200."""
    found = Hand()
    sent = [data for data in found.apply(SIX) if not data.startswith(b"R")]
    assert sent == [b"S41\r", b"S?\r", b"C1,202,203,204\r", b"S41\r", b"S?\r", b"C205,223\r"]
    assert found.closed() == frozenset(contacts_of(SIX, "rack"))


def test_another_route_opens_what_it_does_not_name_first() -> None:
    """Bond bank, places 0 and 1: relays 17 and 240."""
    found = Hand()
    found.apply(SIX)
    other = "first/bond/1=source second/bond/4=return"
    sent = [data for data in found.apply(other) if data[:1] in b"OC"]
    assert sent == [b"O1,202,203,204\r", b"O205,223\r", b"C17,240\r"]
    assert found.closed() == frozenset(contacts_of(other, "rack"))


def test_everything_open_is_read_back_as_nothing() -> None:
    """R0=---."""
    found = Hand()
    found.apply(SIX)
    found.hold(found.matrix.open_all())
    assert found.closed() == frozenset()


def test_a_relay_that_sticks_is_told_at_once_and_read_back() -> None:
    """?11 behind Z; the read-back names the channel and its role."""
    found = Hand()
    found.apply(SIX)
    found.stage.happen("relay 1 sticks")
    with pytest.raises(InstrumentRefused, match="auxiliary contacts disagree"):
        found.hold(found.matrix.open_all())
    assert found.closed() == frozenset(contacts_of("first/high/1=source", "rack"))


def test_both_relays_of_one_channel_closed_is_a_mismatch() -> None:
    """Relays 1 and 201 tell one channel on both buses: welded."""
    found = Hand()
    found.apply("first/high/2=source")
    relays = found.stage.bench.wiring.unit("rack/first")
    relays.weld("high", 2, "source")
    relays.weld("high", 2, "return")
    with pytest.raises(RelayMismatch, match="both"):
        found.closed()


def test_a_coil_supply_that_does_not_come_on_keeps_everything_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """S? answers S40: nothing is closed."""
    found = Hand()
    feed = found.stage.instrument.feed
    monkeypatch.setattr(
        found.stage.instrument, "feed", lambda data: feed(data.replace(b"S41", b"S40"))
    )
    with pytest.raises(SetupMismatch, match="switch"):
        found.apply("first/high/1=source first/high/2=return")
    assert b"C1,202\r" not in found.pump.sent


def test_an_open_enable_contact_refuses_closing_and_allows_opening() -> None:
    """Section 4."""
    found = Hand()
    found.apply(SIX)
    found.stage.happen("enable opens")
    with pytest.raises(InstrumentRefused, match="enable contact open"):
        found.apply(f"{SIX} first/high/7=return")
    found.hold(found.matrix.open_all())
    assert found.closed() == frozenset()
