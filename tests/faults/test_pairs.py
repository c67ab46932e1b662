"""Each safety rule stands three times, written apart: at binding, at run time, on the bench.

Here the upper guard is left out on purpose, to see that the next one raises by itself, and that the
bench, driven by hand, notes what no guard kept off.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from drivers.simulators.output_models import Kind, Order
from drivers.simulators.violations import What
from orchestrator.errors import Refused
from orchestrator.model.schedule import Contact, Route, Schedule
from orchestrator.model.words import Outcome, Role, StepKind
from orchestrator.running.controller import Request
from orchestrator.running.interlock import Interlock
from orchestrator.running.rack import RunState
from orchestrator.running.routing import Unconfirmed, apply_route
from orchestrator.running.states import Phase
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import SHORT_PROGRAM, STATIONS

HV_AC = Order(Kind.STAND_AC, 1000.0, 0.1, 60.0, 0.0, upper=0.01)
HV_DC = Order(Kind.STAND_DC, 1000.0, 0.1, 60.0, 0.0, upper=0.005)


def noted(rig: Rig) -> set[What]:
    """What the bench has noted, and then forgets."""
    found = {violation.what for violation in rig.bench.violations}
    rig.bench.clear_violations()
    return found


def put(rig: Rig, roles: dict[int, str]) -> None:
    rig.relays.put(rig.make.banks[0], roles)
    rig.clock.advance(0.2)


# ---- relays move cold


@pytest.mark.parametrize("station", STATIONS)
def test_the_run_time_guard_moves_no_relay_while_an_output_can_t_be_stopped(
    make_rig: MakeRig, station: str
) -> None:
    """No schedule, no binding: a route ordered straight at the guard, on a tester that is on."""
    rig = make_rig(station)
    rig.live.take_over()
    put(rig, {3: "source", 1: "return"})
    before = rig.bench.state().closed
    rig.output.start(HV_DC)
    rig.clock.advance(0.5)
    rig.output.halt = lambda verdict: None  # type: ignore[method-assign]  # a stop that fails
    rig.tester.faults.deaf = station == "stave"
    run = RunState(rig.live.controller.rack, "", lambda _: None, Phase.READY, Route())
    with pytest.raises(Unconfirmed) as refused:
        rig.live.controller.engine.drive(apply_route(run, Route()))
    assert "keep away" in refused.value.remedy
    assert rig.bench.state().closed == before
    assert rig.bench.state().any_on
    assert noted(rig) == set()


@pytest.mark.parametrize("station", STATIONS)
def test_the_bench_notes_relays_moved_by_hand_under_voltage(
    make_rig: MakeRig, station: str
) -> None:
    """Commanded and moved are noted each, whoever did it."""
    rig = make_rig(station)
    put(rig, {3: "source", 1: "return"})
    rig.output.start(HV_AC)
    rig.clock.advance(0.5)
    put(rig, {3: "source"})
    assert {What.RELAY_COMMANDED_HOT, What.RELAY_MOVED_HOT} <= noted(rig)


@pytest.mark.parametrize("station", STATIONS)
def test_the_bench_notes_a_start_while_contacts_move(make_rig: MakeRig, station: str) -> None:
    """Switched on before every contact has come to rest."""
    rig = make_rig(station)
    rig.relays.put(rig.make.banks[0], {3: "source", 1: "return"})
    rig.output.start(HV_AC)
    assert What.STARTED_WHILE_MOVING in noted(rig)


# ---- interlock closed


def test_binding_refuses_a_hazardous_step_without_an_interlock_input(make_rig: MakeRig) -> None:
    """No input at all in the station file."""
    rig = make_rig("orrin")
    text = rig.path.read_text(encoding="utf-8")
    head, _, tail = text.partition("interlock:\n")
    bare = head + tail[tail.index("simulated_unit") :]
    rig.path.write_text(bare, encoding="utf-8")
    rig.close()
    rig.open()
    with pytest.raises(Refused) as refused:
        rig.live.bind(rig.program())
    assert "interlock" in str(refused.value)


@pytest.mark.parametrize("station", STATIONS)
def test_the_run_time_guard_starts_nothing_with_an_open_guard_whatever_was_bound(
    make_rig: MakeRig, station: str
) -> None:
    """The schedule is fine; the guard opens after binding."""
    rig = make_rig(station)
    schedule = rig.live.bind(rig.program())
    rig.open_guard()
    result = rig.live.controller.run(schedule, Request("K1"))
    assert result.outcome is Outcome.NO_VERDICT
    assert rig.output.starts == 0
    assert noted(rig) == set()


@pytest.mark.parametrize("station", STATIONS)
def test_the_bench_notes_what_is_energised_by_hand_with_the_guard_open(
    make_rig: MakeRig, station: str
) -> None:
    """At the start, and after more than 50 ms when it opens later."""
    rig = make_rig(station)
    rig.open_guard()
    rig.output.start(HV_AC)
    assert noted(rig) == {What.GUARD_OPEN}


def test_the_bench_notes_an_output_that_stays_on_after_the_guard_opened(make_rig: MakeRig) -> None:
    """An Orrin with its door watch off goes on (orrin.md 3)."""
    rig = make_rig("orrin")
    rig.output.start(HV_AC)
    rig.clock.advance(0.5)
    rig.open_guard()
    rig.clock.advance(0.2)
    assert noted(rig) == {What.GUARD_OPEN}


# ---- ratings


@pytest.mark.parametrize("station", STATIONS)
def test_binding_refuses_a_level_above_the_rating_of_open_contacts(
    make_rig: MakeRig, station: str
) -> None:
    """3600 V DC on points whose high-current and sense contacts stand 3500 V or 4200 V DC open."""
    rig = make_rig(station)
    with pytest.raises(Refused) as refused:
        rig.live.bind(rig.program(SHORT_PROGRAM.replace("level: 2120 V", "level: 4250 V")))
    assert "rat" in str(refused.value) or "range" in str(refused.value)


@pytest.mark.parametrize("station", STATIONS)
def test_the_bench_notes_a_rating_exceeded_by_hand(make_rig: MakeRig, station: str) -> None:
    """4300 V DC where the weakest open contact stands 3500 V or 4200 V."""
    rig = make_rig(station)
    put(rig, {3: "source", 1: "return"})
    rig.output.start(replace(HV_DC, level=4300.0))
    rig.clock.advance(0.5)
    assert What.CONTACT_OVER_RATING in noted(rig)


def hand_made(rig: Rig, **order: object) -> Schedule:
    """The short schedule with the last step's order changed after binding."""
    schedule = rig.live.bind(rig.program())
    batch = schedule.batches[-1]
    step = batch.steps[0]
    changed = replace(step, order=replace(step.order, **order))  # type: ignore[arg-type]
    last = replace(batch, steps=(changed,))
    return replace(schedule, batches=(*schedule.batches[:-1], last))


UNSAFE: dict[str, dict[str, object]] = {
    "a level outside the tester's range": {"level": Decimal(70000)},
    "a level above the rating of a closed contact": {"level": Decimal(5900)},
    "a dwell that never ends": {"dwell": Decimal(0)},
    "a dwell longer than the tester does": {"dwell": Decimal(10000)},
    "a kind with another level": {"kind": StepKind.BONDING},
}


@pytest.mark.parametrize("order", UNSAFE.values(), ids=UNSAFE)
@pytest.mark.parametrize("station", STATIONS)
def test_the_run_time_guard_refuses_an_unsafe_batch_that_nobody_bound(
    make_rig: MakeRig, station: str, order: dict[str, object]
) -> None:
    """No relay moves for it and nothing is started; the steps before it keep their outcome."""
    if station == "orrin" and order == {"level": Decimal(5900)}:
        pytest.skip("a Lattice's closed contact stands 7000 V, all that an Orrin does (6000 V)")
    rig = make_rig(station)
    schedule = hand_made(rig, **order)
    result = rig.live.controller.run(schedule, Request("K1"))
    assert rig.output.starts == len(schedule.batches) - 1
    assert "by hand" in result.remedy
    rig.check(result, before=("bond shell", "withstand mains"))


@pytest.mark.parametrize("station", STATIONS)
def test_the_run_time_guard_refuses_a_hazardous_step_without_interlock(
    make_rig: MakeRig, station: str
) -> None:
    """Bound at a station with inputs, run at one without."""
    rig = make_rig(station)
    schedule = rig.live.bind(rig.program())
    rack = rig.live.controller.rack
    rig.live.controller.rack = rig.live.controller.engine._rack = replace(
        rack, inputs=(), tester_inputs={}, interlock=Interlock({})
    )
    result = rig.live.controller.run(schedule, Request("K1"))
    assert "no interlock input" in result.reason
    rig.check(result)


# ---- source and return


@pytest.mark.parametrize("station", STATIONS)
def test_binding_refuses_source_and_return_on_one_point(make_rig: MakeRig, station: str) -> None:
    """The same point on both sides of a step."""
    rig = make_rig(station)
    text = SHORT_PROGRAM.replace("against: [coil a, coil b]", "against: [coil a, line]")
    with pytest.raises(Refused) as refused:
        rig.live.bind(rig.program(text))
    assert "line" in str(refused.value)


@pytest.mark.parametrize("station", STATIONS)
def test_a_channel_in_both_roles_is_never_started(make_rig: MakeRig, station: str) -> None:
    """A route made by hand with one channel as source and return: refused or found, not started."""
    rig = make_rig(station)
    schedule = rig.live.bind(rig.program())
    batch = schedule.batches[-1]
    some = next(iter(batch.route.contacts))
    other = Role.RETURN if some.role is Role.SOURCE else Role.SOURCE
    twice = Contact(some.chain, some.unit, some.bank, some.channel, other)
    route = Route(batch.route.contacts | {twice})
    schedule = replace(schedule, batches=(*schedule.batches[:-1], replace(batch, route=route)))
    result = rig.live.controller.run(schedule, Request("K1"))
    assert result.outcome is Outcome.NO_VERDICT
    assert rig.output.starts == len(schedule.batches) - 1
    assert noted(rig) == set()


@pytest.mark.parametrize("station", STATIONS)
def test_the_bench_notes_source_and_return_on_one_point(make_rig: MakeRig, station: str) -> None:
    """A weld makes it so; by hand here."""
    rig = make_rig(station)
    rig.relays.weld(rig.make.banks[0], 3, "return")
    put(rig, {3: "source"})
    assert What.BOTH_SIDES in noted(rig)


# ---- time


@pytest.mark.parametrize("station", STATIONS)
def test_the_bench_notes_an_output_on_for_longer_than_ordered(
    make_rig: MakeRig, station: str
) -> None:
    """Half a second of grace."""
    rig = make_rig(station)
    rig.output.faults.dwell_factor = 10.0
    rig.output.start(replace(HV_AC, dwell_s=1.0))
    rig.clock.advance(2.0)
    assert noted(rig) == {What.TOO_LONG}


def test_fault_of_this_program_itself_is_raised_only_after_safe_off(make_rig: MakeRig) -> None:
    """An internal fault in the middle of a step: stopped, opened, recorded, then raised."""
    rig = make_rig("orrin")

    def boom() -> None:
        raise ZeroDivisionError("a bug")

    rig.at_phase("confirming", boom, skip=1)
    with pytest.raises(ZeroDivisionError):
        rig.run()
    rig.check_bench()
    assert rig.stop_was_sent()
