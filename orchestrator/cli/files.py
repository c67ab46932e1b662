"""Reading a station, a program and a fixture with every fault of all three at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from orchestrator.assembly.plan import StationPlan
    from orchestrator.documents import Document
    from orchestrator.model.fixture import Fixture
    from orchestrator.model.program import Program
    from orchestrator.model.schedule import Schedule

T = TypeVar("T")


@dataclass(frozen=True)
class Files:
    """What was read. ``program`` is None where none was given."""

    plan: StationPlan
    program: Document[Program] | None
    fixture: Document[Fixture]

    def bind(self) -> Schedule:
        """The schedule. Raises Refused with every fault."""
        if self.program is None:
            raise ValueError("there is no program to bind")
        return self.plan.bind(self.program, self.fixture)

    def check_alone(self) -> None:
        """What can be checked without a program. Raises Refused with every fault."""
        from orchestrator.binding.fixtures import check_fixture
        from orchestrator.binding.stations import check_station
        from orchestrator.errors import Refused

        faults = (
            *check_station(self.plan.document, self.plan.instruments()),
            *check_fixture(self.fixture, self.plan.station),
        )
        if faults:
            raise Refused(faults)


def read_files(station: Path, program: Path | None, fixture: Path | None) -> Files:
    """Read them all. A fixture file that isn't named is looked for in the station file, then as
    ``fixture.yaml`` beside it.

    Raises:
        Refused: with the faults of all files.
    """
    from orchestrator.assembly.plan import read_plan
    from orchestrator.documents import read_document
    from orchestrator.errors import Fault, Refused
    from orchestrator.model.fixture import Fixture
    from orchestrator.model.program import Program

    faults: list[Fault] = []

    def attempt(read: Callable[[], T]) -> T | None:
        try:
            return read()
        except Refused as refused:
            faults.extend(refused.faults)
            return None

    plan = attempt(lambda: read_plan(station))
    beside = station.parent / "fixture.yaml"
    if fixture is None and beside.is_file() and (plan is None or plan.station.fixture is None):
        fixture = beside
    if fixture is not None:
        path = fixture
        held = attempt(lambda: read_document(path, Fixture))
    else:
        held = attempt(plan.inline_fixture) if plan is not None else None
    work = None if program is None else attempt(lambda: read_document(program, Program))
    if faults or plan is None or held is None:
        raise Refused(faults)
    return Files(plan, work, held)
