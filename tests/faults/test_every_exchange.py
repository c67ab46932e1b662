"""Exchange number N fails, for every N and each way of failing (by default a sample of them).

``OHMWARD_PROPERTY_PROFILE=thorough`` tries every N.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.simulators.base import Instrument
from drivers.simulators.faults import answer_with, half, late, silent
from drivers.simulators.violations import What
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS

THOROUGH = os.environ.get("OHMWARD_PROPERTY_PROFILE") == "thorough"
SAMPLES = 4


def pull_out(instrument: Instrument) -> None:
    """The cable is gone, for good."""
    instrument.faults.unplugged = True
    instrument.faults.drop_link()


FAULTS: dict[str, Callable[[Instrument, int], None]] = {
    "silent once": lambda i, n: i.faults.on(silent, skip=n),
    "silent from then on": lambda i, n: i.faults.on(silent, skip=n, times=None),
    "half, rest later": lambda i, n: i.faults.on(half(0.3), skip=n),
    "late": lambda i, n: i.faults.on(late(0.26), skip=n),
    "garbage": lambda i, n: i.faults.on(answer_with(b"\x11~%=0\n\r"), skip=n),
    "link dropped": lambda i, n: i.faults.drop_link(skip=n),
    "cable pulled out": lambda i, n: i.faults.do(lambda: pull_out(i), skip=n),
    "unit without power for a moment": lambda i, n: i.faults.do(i.power_cycle, skip=n),
}
MOVED_HOT = frozenset({What.RELAY_MOVED_HOT})
"""Contacts that lose their coils' power open, whatever is on them."""
WITHOUT_POWER = "unit without power for a moment"


@pytest.fixture(scope="module", params=STATIONS)
def counted(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> object:
    """A station with the number of exchanges of a good run, by instrument."""
    rig = Rig(tmp_path_factory.mktemp("counted"), request.param)
    rig.run()
    numbers = {w: len(rig.instrument(w).faults.seen) for w in ("tester", "chain")}
    rig.close()
    return request.param, numbers


@pytest.mark.parametrize("which", ["tester", "chain"])
@pytest.mark.parametrize("fault", FAULTS)
def test_whichever_exchange_fails_the_run_ends_safe(
    counted: tuple[str, dict[str, int]], tmp_path: Path, which: str, fault: str
) -> None:
    """Output off, relays open or kept with the word to keep away, record whole, no false pass."""
    station, numbers = counted
    total = numbers[which]
    stride = 1 if THOROUGH else max(1, total // SAMPLES)
    offset = 0 if THOROUGH else list(FAULTS).index(fault) * stride // len(FAULTS)
    for number in range(offset, total, stride):
        rig = Rig(tmp_path / f"n{number}", station)
        FAULTS[fault](rig.instrument(which), number)
        try:
            outcome = rig.run_or_error()
            rig.clock.advance(10.0)  # a link that is lost for good: what the tester does itself
            hot = fault == WITHOUT_POWER and (which == "chain" or station == "stave")
            rig.check_any(outcome, **({"violations": MOVED_HOT} if hot else {}))
        except BaseException:
            print(f"exchange {number} of {total} with the {which}: {fault}")
            raise
        finally:
            rig.close()
