"""A rig on demand, closed again whatever happens; shipped profiles are read once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from drivers.adapters import building
from drivers.language import profile
from tests.faults.rig import Rig

MakeRig = Callable[..., Rig]


LOADERS = {name: cache(getattr(profile, name)) for name in ("load_tester", "load_matrix")}


@pytest.fixture(scope="module", autouse=True)
def profiles_read_once() -> Iterator[None]:
    """Frozen documents, read for hundreds of stations: a third of what opening one takes."""
    with pytest.MonkeyPatch.context() as patch:
        for name, load in LOADERS.items():
            patch.setattr(building, name, lambda file, _folder, load=load: load(file))
        yield


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
