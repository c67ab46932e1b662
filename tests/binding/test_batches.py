"""What one start may run: one step, unless route and rules allow more."""

from __future__ import annotations

from dataclasses import replace

from orchestrator.binding.batches import may_join
from orchestrator.binding.context import Context
from orchestrator.binding.wiring import wire
from orchestrator.model.words import ReadBackProof
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    MATRIX,
    TESTER,
    Bench,
    Data,
    PaperTester,
    changed,
)

SLOTS = replace(TESTER, slots=16)
GO_ON = {"on_failure": "continue"}


def sizes(bench: Bench) -> list[int]:
    return [len(batch.steps) for batch in bench.bind().batches]


def hipots(count: int, **changes: object) -> list[Data]:
    return [changed(HIPOT, name=f"hipot {n}", **{**GO_ON, **changes}) for n in range(count)]


def test_a_tester_with_one_slot_runs_one_step_a_start() -> None:
    """No step memory, no batch."""
    assert sizes(Bench().steps(BOND, CONTACT, *hipots(3))) == [1, 1, 1, 1, 1]


def test_steps_on_one_route_share_a_start_where_the_tester_has_slots() -> None:
    """Contract: all share one route; slots count from 0."""
    bench = Bench().tester(SLOTS).steps(BOND, CONTACT, *hipots(3))
    batches = bench.bind().batches
    assert [len(batch.steps) for batch in batches] == [1, 1, 3]
    assert [step.order.slot for step in batches[2].steps] == [0, 1, 2]
    assert batches[2].deadline_s == sum(step.deadline_s for step in batches[2].steps)
    assert not batches[2].delegated


def test_no_more_steps_than_slots() -> None:
    """The sixteenth-and-one goes into the next start."""
    bench = Bench().tester(replace(TESTER, slots=2)).steps(BOND, CONTACT, *hipots(3))
    assert sizes(bench) == [1, 1, 2, 1]


def test_a_failure_that_stops_the_run_ends_a_batch() -> None:
    """Whether to go on is decided between starts."""
    bench = Bench().tester(SLOTS).steps(BOND, CONTACT, *hipots(3, on_failure="stop"))
    assert sizes(bench) == [1, 1, 1, 1, 1]


def test_another_route_ends_a_batch() -> None:
    """Relays move only between starts."""
    steps = [*hipots(1), changed(HIPOT, name="back", apply_to=["earth"], against=["live"])]
    assert sizes(Bench().tester(SLOTS).steps(BOND, CONTACT, *steps)) == [1, 1, 1, 1]


def built_in(read_back: ReadBackProof) -> Bench:
    """The relays within the tester, routing as part of its set-up."""
    bench = Bench()
    bench.testers["t1"] = PaperTester(replace(SLOTS, routes_itself=True))
    chain = bench.station["chains"]["relays"]
    del chain["link"]
    chain["built_in"] = "t1"
    bench.matrix = replace(MATRIX, read_back=read_back)
    back = changed(HIPOT, name="back", apply_to=["earth"], against=["live"], **GO_ON)
    bond, contact = changed(BOND, **GO_ON), changed(CONTACT, **GO_ON)
    return bench.steps(bond, contact, *hipots(1), back)


def test_a_tester_that_routes_itself_may_change_routes_within_a_start() -> None:
    """Contract: or the tester does its own routing; each order carries its route."""
    batches = built_in(ReadBackProof.CONTACT).bind().batches
    assert [len(batch.steps) for batch in batches] == [2, 2]
    assert not any(batch.delegated for batch in batches)
    assert all(step.order.route == step.route for batch in batches for step in batch.steps)


def test_switching_that_nothing_reads_back_is_called_delegated() -> None:
    """The record says so."""
    bench = built_in(ReadBackProof.COIL)
    entry = {"rule": "relay_position", "instrument": "relays", "reason": "within the tester"}
    bench.station["exemptions"] = [entry]
    assert [batch.delegated for batch in bench.bind().batches] == [True, True]


def test_a_hazard_never_shares_a_start_with_a_protection_before_it() -> None:
    """Rule 8: after a failed bonding or contact step no later hazard is run."""
    for batch in built_in(ReadBackProof.CONTACT).bind().batches:
        assert len({step.hazardous for step in batch.steps}) == 1


def test_routes_stay_out_of_orders_that_the_tester_does_not_switch() -> None:
    """A matrix of its own gets its route by its own adapter."""
    assert all(not step.order.route.contacts for step in Bench().bind().steps)


def test_a_hazard_is_cut_from_a_protection_that_it_does_not_name() -> None:
    """Rule 8: after a failed bonding step no later hazardous step is run, named or not."""
    bench = built_in(ReadBackProof.CONTACT)
    context, (bond, _, hipot, _) = context_of(bench), bench.bind().steps
    unproved = replace(hipot, leans_on=())
    assert not may_join(context, [bond], unproved)
    assert may_join(context, [bond], replace(unproved, hazardous=False))


def test_a_step_is_cut_from_one_that_it_leans_on() -> None:
    """A named contact step must have passed before, hazard or not."""
    bench = built_in(ReadBackProof.CONTACT)
    context, (_, contact, hipot, _) = context_of(bench), bench.bind().steps
    assert not may_join(context, [contact], replace(hipot, hazardous=False))


def context_of(bench: Bench) -> Context:
    program, fixture, station = bench.documents()
    wiring = wire(station.model, fixture.model, bench.instruments)
    return Context(program, fixture, station, bench.instruments, wiring)
