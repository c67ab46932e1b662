"""Whether a stop costs the link its being in step: only where something may come back on it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.language import abilities
from drivers.language.profile import load_tester
from orchestrator.assembly.live import LiveStation, open_station
from orchestrator.clock import VirtualClock
from orchestrator.running.commands import Sequence, Stop
from tests.bench.station import TESTER, write_station

HALT, WHO = b"TASK:HALT\n", b"*IDN?\n"


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveStation]:
    with open_station(write_station(tmp_path), clock=VirtualClock()) as station:
        yield station


def sent(live: LiveStation) -> list[bytes]:
    lines = live.controller.rack.ports[TESTER].traffic()
    return [line.data for line in lines if line.way == "sent"]


def stop() -> Sequence:
    yield Stop(TESTER)


def test_a_first_stop_is_followed_by_proof_that_the_link_is_in_step(live: LiveStation) -> None:
    """What was unread before this program came may still arrive, whatever the stop brings."""
    live.take_over()
    assert sent(live)[:2] == [HALT, WHO]
    live.take_over()
    again = sent(live)
    assert again[again.index(HALT, 1) + 1] == WHO


def test_a_silent_stop_leaves_a_proved_link_in_step(live: LiveStation) -> None:
    """Nothing comes back on it, so nothing has to be waited for before asking if it is off."""
    live.take_over()
    live.controller.engine.drive(stop())
    assert sent(live)[-1] == HALT
    assert not live.controller.rack.ports[TESTER].dirty


def test_a_stop_on_a_link_out_of_step_leaves_it_so(live: LiveStation) -> None:
    """What is late of an exchange before the stop would answer the question after it."""
    live.take_over()
    port = live.controller.rack.ports[TESTER]
    port.dirty = True
    live.controller.engine.drive(stop())
    assert port.dirty


@pytest.mark.parametrize(
    ("profile", "silent"), [("orrin", True), ("pell", False), ("stave", False)]
)
def test_a_stop_is_silent_only_where_the_manual_lets_nothing_come_back(
    profile: str, silent: bool
) -> None:
    """Pell and Stave acknowledge every line; profiles/orrin.md, section 1: an Orrin doesn't."""
    assert abilities.tester_abilities(load_tester(profile).model).silent_stop is silent
