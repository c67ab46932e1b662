"""The simulated bench of a station, for its run and, beforehand, for `check`."""

from __future__ import annotations

from typing import Any

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.plugins import BENCHES, plugin
from orchestrator.assembly.requests import check_calibration, check_offsets_age
from orchestrator.clock import Clock, VirtualClock
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.station import SimulatedInput, SimulatedLink


def make_bench(plan: StationPlan, fixture: Document[Fixture] | None, clock: Clock) -> Any:
    """The bench that holds the station's simulated links; None where it has none.

    Raises Refused: an unknown simulator, a faulty unit file, a simulated guard without a bench.
    """
    station = plan.station
    links = [tester.link for tester in station.testers.values()]
    links += [chain.link for chain in station.chains.values() if chain.link is not None]
    if any(isinstance(link, SimulatedLink) for link in links):
        build = plugin(BENCHES, "bench")
        model = fixture.model if fixture else station.fixture
        addresses = {name: chain.addresses for name, chain in plan.chains.items()}
        return build(station, model, addresses, clock=clock, folder=plan.folder)
    for index, entry in enumerate(station.interlock):
        if isinstance(entry.source, SimulatedInput):
            raise Refused(
                [
                    Fault(
                        what=f"interlock input {entry.name!r}",
                        found="a simulated guard, but no instrument with a simulated link",
                        expected="a bench in this process that the guard belongs to",
                        remedy="use 'kind: tester' or 'kind: file', or simulated links",
                        position=plan.document.locate("interlock", index, "source"),
                    )
                ]
            )
    return None


def rehearse(plan: StationPlan, fixture: Document[Fixture] | None, clock: Clock) -> None:
    """What a run would be refused for on opening: the bench, a calibration that was due.

    Builds the bench and throws it away. Raises Refused.
    """
    check_calibration(plan, clock)
    if fixture is not None:
        check_offsets_age(fixture, clock)
    make_bench(plan, fixture, VirtualClock())
