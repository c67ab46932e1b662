"""``ohmward run`` in a process of its own is killed at random instants; the next one takes over.

Here a few instants by seed; ``make kill`` (``python -m tests.sweep.kill``) takes 200.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.faults.stations import STATIONS
from tests.sweep.kill import FarStation, instants

COUNT, SEED = 3, 34
LIFE_S = 2.2
"""About what such a run takes, the start of its process included."""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize(
    "station",
    [s if s == "pell" else pytest.param(s, marks=pytest.mark.soak) for s in STATIONS],
)
def test_a_run_killed_at_any_instant_leaves_a_station_that_is_made_safe_and_tests_on(
    station: str, tmp_path: Path
) -> None:
    """Off, drained, open after the take-over; one no_verdict, nothing lost; a next unit passes."""
    with FarStation(tmp_path, station, LIFE_S) as far:
        for share in instants(COUNT, SEED)[station]:
            killed = far.kill_at(share)
            assert killed.findings == (), killed
