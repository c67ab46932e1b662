"""A rig on demand, closed again whatever happens."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.faults.rig import Rig

MakeRig = Callable[..., Rig]


@pytest.fixture
def make_rig(tmp_path: Path) -> Iterator[MakeRig]:
    """Builds rigs, each in a folder of its own."""
    rigs: list[Rig] = []

    def build(station: str, **settings: Any) -> Rig:
        rig = Rig(tmp_path / f"{station}{len(rigs)}", station, **settings)
        rigs.append(rig)
        return rig

    yield build
    for rig in rigs:
        rig.close()
