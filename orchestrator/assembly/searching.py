"""What a search after a failed step needs of the station: binding, and the unit's record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from orchestrator.assembly.plan import StationPlan
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.schedule import Schedule
from orchestrator.model.search import search_step
from orchestrator.records.reader import search_exposures
from orchestrator.running.locating import Locator, SearchWish

PROVED_BEFORE = "a search step: the run judged its protective conductors before the step searched"


@dataclass(frozen=True)
class SearchBinder:
    """Binds a search step as an ordinary program of one step. Raises Refused."""

    plan: StationPlan
    fixture: Document[Fixture]
    schedule: Schedule

    def __call__(self, wish: SearchWish) -> Schedule:
        program = search_program(self.schedule, wish)
        name = f"{wish.name} of program {self.schedule.program!r}"
        return self.plan.bind(Document.built(program, name), self.fixture)


def search_program(schedule: Schedule, wish: SearchWish) -> Program:
    """The program that a search step is, as anybody might have written it.

    Raises:
        ValueError: the step searched asks for no search.
    """
    locate = wish.searched.locate
    if locate is None:
        raise ValueError(f"step {wish.searched.name!r} asks for no search")
    step = search_step(
        locate,
        name=wish.name,
        searched=f"step {wish.searched.index + 1}",
        apply_to=wish.apply_to,
        against=wish.against,
        decision_rule=wish.searched.decision_rule,
    )
    return Program(
        name=schedule.program,
        revision=schedule.revision,
        defaults={},
        steps=(step,),
        no_protective_earth=PROVED_BEFORE,
    )


def make_locator(
    plan: StationPlan,
    schedule: Schedule,
    serial: str,
    known: Iterable[Document[Fixture] | None],
    *,
    virtual: bool,
) -> Locator:
    """For one run of a schedule on one unit.

    ``known``: fixtures that it may be bound with. ``virtual``: time is.

    Raises:
        Refused: none of them is the schedule's. RecordDamaged: exposures can't be counted.
    """
    fixtures = [fixture for fixture in known if fixture is not None]
    if plan.station.fixture is not None:
        fixtures.append(plan.inline_fixture())
    wanted = schedule.hashes.get("fixture")
    for fixture in fixtures:
        if fixture.sha256 == wanted:
            exposures = search_exposures(plan.records, serial)
            return Locator(SearchBinder(plan, fixture, schedule), exposures, aside=not virtual)
    fault = Fault(
        what=f"fixture {schedule.fixture!r} of a schedule with on_failure: locate",
        found="a fixture that this open station doesn't know",
        expected="the fixture itself: search steps are bound while the unit is tested",
        remedy="open the station with this fixture, or bind the program by the station's bind",
    )
    raise Refused([fault])
