"""Racks and scripted couplers, put away after the test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.drivers.io.rig import Rack, ScriptedSlave


@pytest.fixture
def rack() -> Iterator[Rack]:
    made = Rack()
    yield made
    made.put_away()


@pytest.fixture
def living_rack() -> Iterator[Rack]:
    """With a life sign: output 7 wired to input 7."""
    made = Rack(life_sign={"input": "7", "follows": "7", "changes_within": "150 ms"})
    yield made
    made.put_away()


@pytest.fixture
def scripted() -> Iterator[ScriptedSlave]:
    made = ScriptedSlave()
    yield made
    made.put_away()
