"""The checklist and its sign-off, with a scripted person, in virtual time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import pytest

from drivers.simulators.output_models import Phase
from orchestrator.assembly.commissioning import BY_EYE, Commissioning, check_stop_program
from orchestrator.assembly.gate import pass_gate
from orchestrator.assembly.sign_off import require_same_instruments, require_sign_off
from orchestrator.assembly.versions import software_version
from orchestrator.errors import Refused, RelayMismatch
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.entries import InstrumentLine
from orchestrator.model.record import Identity
from orchestrator.model.schedule import Route
from orchestrator.running.interlock import RunCancelled
from orchestrator.running.proving import see_input
from tests.faults.fixtures import MakeRig
from tests.faults.rig import Rig
from tests.faults.stations import STATIONS
from tests.runs.test_remote_io import EXTRA, INPUTS

DUMMY = """\
name: dummy load, invented
revision: '1'
steps:
  - {name: bond dummy, kind: bonding, apply_to: [shell], against: [earth], level: 10 A,
     frequency: 50 Hz, rise: 0.1 s, dwell: 8 s, fall: 0 s,
     accept: {resistance: {at_most: 100 mohm}}}
"""


@dataclass
class Scripted:
    """Moves the bench's guard as told; answers yes, but to what ``denies`` holds."""

    rig: Rig
    denies: str = "-"
    deaf: bool = False
    told: list[str] = field(default_factory=list)

    def tell(self, text: str) -> None:
        self.told.append(text)
        if self.deaf:
            return
        if text.startswith("OPEN"):
            self.rig.bench.guard_closed = False
        elif text.startswith("CLOSE"):
            self.rig.bench.guard_closed = True

    def confirms(self, question: str) -> bool:
        self.told.append(question)
        if "dummy load is connected" in question:
            self.rig.during(Phase.HOLD, self.rig.open_guard, step="bond dummy")
        return self.denies not in question


def commissioning(rig: Rig, person: Scripted) -> Commissioning:
    schedule = rig.live.bind(rig.program(DUMMY))
    return Commissioning(rig.live, schedule, "M. Example", person)


@pytest.mark.parametrize("station", STATIONS)
def test_a_sound_station_is_signed_off_with_every_item_seen(
    make_rig: MakeRig, station: str
) -> None:
    """Inputs, enable, relays, what the eye confirms, the stop time within its budget."""
    rig = make_rig(station, inputs=INPUTS, extra=EXTRA)
    work = commissioning(rig, Scripted(rig))
    assert work.run(), work.items
    assert work.measured_s is not None
    (stamp,) = rig.live.controller.rack.store._store.sign_offs()  # type: ignore[attr-defined]
    assert stamp["valid"]
    assert stamp["by"] == "M. Example"
    assert len(stamp["items"]) >= len(BY_EYE) + 4
    assert rig.live.alarms == ()
    assert not rig.bench.state().any_on
    assert rig.bench.violations == ()


def test_a_guard_that_is_never_seen_to_open_ends_without_a_sign_off_and_without_voltage(
    make_rig: MakeRig,
) -> None:
    """Whoever wired it wrongly learns it before anything is energised."""
    rig = make_rig("orrin", inputs=INPUTS, extra=EXTRA)
    work = commissioning(rig, Scripted(rig, deaf=True))
    assert not work.run()
    outcomes = {item.name: item.outcome for item in work.items}
    assert outcomes["input 'guard' seen open"] == "failed"
    assert [o for name, o in outcomes.items() if name.startswith("stop time")] == ["not_done"]
    assert rig.output.starts == 0


def test_what_the_eye_does_not_confirm_is_not_signed_off(make_rig: MakeRig) -> None:
    """The red lamp belongs to the hardware: only a person can tell."""
    rig = make_rig("pell")
    work = commissioning(rig, Scripted(rig, denies="red lamp"))
    assert not work.run()
    assert rig.output.starts == 0


def test_a_coupler_without_a_watchdog_is_found(make_rig: MakeRig) -> None:
    """Its output stays on though nobody refreshes it."""
    rig = make_rig("orrin", inputs=INPUTS, extra=EXTRA)
    rig.bench.io_block("b").drops_after_s = 3600.0
    work = commissioning(rig, Scripted(rig))
    assert not work.run()
    failed = [item for item in work.items if item.outcome == "failed"]
    assert [item.name for item in failed] == ["enable output drops when its refreshing stops"]
    assert "still on" in failed[0].seen


def test_a_relay_that_does_not_obey_is_named(make_rig: MakeRig) -> None:
    """A contact that stays open: its read-back differs."""
    rig = make_rig("orrin")
    chain = rig.live.controller.rack.chains[rig.make.chain]
    real: Any = chain.adapter

    class Deaf:
        """Closes all but channel 2 of the high-voltage bank."""

        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

        def apply(self, route: Route) -> Any:
            kept = frozenset(c for c in route.contacts if (c.bank, c.channel) != ("hv", 2))
            yield from real.apply(Route(kept))

    object.__setattr__(chain, "adapter", Deaf())
    work = commissioning(rig, Scripted(rig))
    assert not work.run()
    relays = next(item for item in work.items if item.name == "every relay operated")
    assert relays.outcome == "failed"
    assert "hv/2" in relays.seen
    assert rig.output.starts == 0


def stamps(rig: Rig) -> list[bool]:
    store: Any = rig.live.controller.rack.store
    return [stamp["valid"] for stamp in store._store.sign_offs()]


class Slow(Scripted):
    """Moves the guard two seconds after being told."""

    def tell(self, text: str) -> None:
        self.told.append(text)
        until_s = self.rig.clock.monotonic() + 2
        for word, closed in (("OPEN", False), ("CLOSE", True)):
            if text.startswith(word):
                move = partial(setattr, self.rig.bench, "guard_closed", closed)
                self.rig.when(lambda: self.rig.clock.monotonic() >= until_s, move)


@pytest.mark.parametrize("station", STATIONS)
def test_somebody_who_takes_his_time_is_waited_for(make_rig: MakeRig, station: str) -> None:
    """Also after the trip, when the tester has latched it and the guard still stands open."""
    rig = make_rig(station, inputs=INPUTS, extra=EXTRA)
    assert commissioning(rig, Slow(rig)).run()
    assert rig.live.alarms == ()


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_opened_before_the_output_is_on_measures_nothing(
    make_rig: MakeRig, station: str
) -> None:
    """No sign-off without an output that was seen to be stopped."""
    rig = make_rig(station, inputs=INPUTS, extra=EXTRA)

    class Early(Scripted):
        def confirms(self, question: str) -> bool:
            if "dummy load is connected" in question:
                self.rig.at_phase("setting_up", self.rig.open_guard)
            return True

    assert not commissioning(rig, Early(rig)).run()
    assert rig.output.starts == 0


def test_with_an_alarm_latched_nothing_is_commissioned(make_rig: MakeRig) -> None:
    """Neither enable nor relay moves before a person's reset."""
    rig = make_rig("orrin", inputs=INPUTS, extra=EXTRA)
    rig.during(Phase.HOLD, rig.open_guard)
    rig.run()
    changes = len(rig.bench.io_block("b").log)
    with pytest.raises(Refused, match="ohmward reset"):
        commissioning(rig, Scripted(rig)).run()
    assert len(rig.bench.io_block("b").log) == changes


def test_ctrl_c_ends_it_and_is_recorded_as_no_sign_off(make_rig: MakeRig) -> None:
    """In the enable's item too, which puts up with other trips."""
    rig = make_rig("orrin", inputs=INPUTS, extra=EXTRA)

    class Ending(Scripted):
        def tell(self, text: str) -> None:
            super().tell(text)
            if text.startswith("The enable"):
                self.rig.when(lambda: rig.bench.enabled, lambda: rig.live.cancel("SIGINT"))

    with pytest.raises(RunCancelled):
        commissioning(rig, Ending(rig)).run()
    assert stamps(rig) == [False]
    assert not rig.bench.enabled


def test_a_contact_that_stays_closed_latches_and_voids_the_older_sign_off(
    make_rig: MakeRig,
) -> None:
    """What ends the checklist by a fault is a failed commissioning, not none."""
    rig = make_rig("orrin", inputs=INPUTS, extra=EXTRA)
    assert commissioning(rig, Scripted(rig)).run()
    chain = rig.live.controller.rack.chains[rig.make.chain]
    real: Any = chain.adapter

    class Welded:
        """Channel 2 of the high-voltage bank, once closed, reads closed for good."""

        stuck: frozenset[Any] = frozenset()

        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

        def apply(self, route: Route) -> Any:
            hit = frozenset(c for c in route.contacts if (c.bank, c.channel) == ("hv", 2))
            self.stuck |= hit
            yield from real.apply(route)

        def read_back(self) -> Any:
            return (yield from real.read_back()) | self.stuck

    object.__setattr__(chain, "adapter", Welded())
    with pytest.raises(RelayMismatch):
        commissioning(rig, Scripted(rig)).run()
    assert stamps(rig) == [False, True]
    assert [alarm.kind for alarm in rig.live.alarms] == [AlarmKind.RELAYS_DIFFER]


def test_nobody_confirms_nobody_signs(make_rig: MakeRig) -> None:
    """Anything but yes to the cautions ends it."""
    rig = make_rig("orrin")
    with pytest.raises(Refused, match="not confirmed"):
        commissioning(rig, Scripted(rig, denies="Go on?")).run()


def test_a_dwell_too_short_to_open_a_guard_in_is_refused(make_rig: MakeRig) -> None:
    """Before anything is opened."""
    rig = make_rig("orrin")
    with pytest.raises(Refused, match="dwell"):
        check_stop_program(rig.live.bind(rig.program()))


# ---- what a sign-off is good for

HASHES = {"program": "p", "fixture": "f", "station": "s", "profile:orrin": "o"}


def stamp(**more: Any) -> Mapping[str, Any]:
    hashes = {name: digest for name, digest in HASHES.items() if name != "program"}
    who = {"maker": "M", "model": "T", "serial": "1", "firmware": "2"}
    whole = {"utc": "2026-11-25T10:00:00Z", "valid": True, "hashes": hashes, "items": []}
    whole["software_version"] = software_version()
    return {**whole, "instruments": {"t1": who}, **more}


def line(**more: str) -> list[InstrumentLine]:
    who = Identity(**{"maker": "M", "model": "T", "serial": "1", "firmware": "2", **more})  # type: ignore[arg-type]
    return [InstrumentLine("t1", who, simulated=False)]


def test_it_holds_for_another_program() -> None:
    """The program may change; it is bound and checked each time."""
    assert require_sign_off([stamp()], {**HASHES, "program": "other"})["valid"]


@pytest.mark.parametrize("what", ["station", "fixture", "profile:orrin"])
def test_any_other_change_voids_it_and_is_named(what: str) -> None:
    """'changed since the sign-off of …: station'."""
    with pytest.raises(Refused, match=what.replace("profile:", "profile ")):
        require_sign_off([stamp()], {**HASHES, what: "other"})


def test_another_version_of_this_program_voids_it() -> None:
    """What was proved was proved with the old one."""
    with pytest.raises(Refused, match="ohmward itself"):
        require_sign_off([stamp(software_version="0.0.1")], HASHES)


def test_a_mute_input_is_not_seen_to_open(make_rig: MakeRig) -> None:
    """It counts as open, but shows nothing of the guard."""
    rig = make_rig("orrin", inputs=INPUTS, extra=EXTRA)
    person = Scripted(rig, deaf=True)
    rig.live.take_over()
    rig.bench.io_block("b").freeze(True)
    seen = rig.live.controller.prove(
        lambda run: see_input(run, "guard", closed=False, within_s=2.0)
    )
    assert not seen.done
    assert person.told == []


def test_a_testers_own_input_behind_the_enable_is_seen_to_follow_it(make_rig: MakeRig) -> None:
    """Closed with the enable on, open with it off; no tester is started for it."""
    both = INPUTS + "  - {name: door of t, source: {kind: tester, tester: orrin}}\n"
    rig = make_rig("orrin", inputs=both, extra=EXTRA)
    work = commissioning(rig, Scripted(rig))
    assert work.run(), work.items
    follows = next(item for item in work.items if "follows the enable" in item.name)
    assert follows.outcome == "done"


def test_a_program_with_more_than_one_step_for_a_tester_is_refused(make_rig: MakeRig) -> None:
    """Nothing may be energised behind the step in which the guard is to be opened."""
    rig = make_rig("orrin")
    twice = DUMMY + DUMMY.split("steps:\n")[1].replace("bond dummy", "bond again")
    with pytest.raises(Refused, match="one step for each tester"):
        check_stop_program(rig.live.bind(rig.program(twice)))


def test_an_incomplete_commissioning_is_no_sign_off() -> None:
    """It names what is missing."""
    items = [{"name": "input 'guard' seen open", "outcome": "failed", "seen": ""}]
    with pytest.raises(Refused, match="guard"):
        require_sign_off([stamp(valid=False, items=items)], HASHES)


def test_without_one_the_remedy_says_how_to_get_it() -> None:
    """Or to answer the question."""
    with pytest.raises(Refused, match="ohmward commission"):
        require_sign_off([], HASHES)


@pytest.mark.parametrize(
    ("now", "told"),
    [({"serial": "9"}, "serial '9', was '1'"), ({"firmware": "3"}, "firmware '3', was '2'")],
)
def test_another_instrument_voids_it(now: dict[str, str], told: str) -> None:
    """Serial number or firmware: what was proved was proved on another."""
    require_same_instruments(stamp(), line())
    with pytest.raises(Refused, match=told):
        require_same_instruments(stamp(), line(**now))


@pytest.mark.parametrize("valid", [True, False])
def test_only_a_real_station_needs_it(make_rig: MakeRig, valid: bool) -> None:
    """A simulated one may always go on without a question."""
    rig = make_rig("orrin")
    schedule = rig.live.bind(rig.program())
    assert pass_gate(schedule, None, [stamp(valid=valid)]) is None
