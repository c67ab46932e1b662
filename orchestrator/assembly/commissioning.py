"""Commissioning: a recorded checklist, and the sign-off that it ends in.

The order is that of growing risk: what is looked at with everything off comes first, the one item
that puts an output on (the stop time, on a dummy load) comes last, and only if all before it held.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Protocol

from orchestrator.assembly.gate import CAUTIONS
from orchestrator.assembly.live import LiveStation
from orchestrator.assembly.requests import check_person
from orchestrator.assembly.sign_off import stamped_hashes, stamped_instruments
from orchestrator.assembly.versions import software_version
from orchestrator.errors import Fault, Refused
from orchestrator.model import entries
from orchestrator.model.schedule import Schedule
from orchestrator.model.words import Outcome
from orchestrator.running.alarming import require_none
from orchestrator.running.interlock import RunCancelled, Trip
from orchestrator.running.proving import (
    BLIND,
    Proved,
    Proving,
    prove_enable,
    prove_relays,
    see_input,
    see_input_follow,
)
from orchestrator.running.rack import RunState
from orchestrator.running.routing import Unconfirmed

SEEN_WITHIN_S = 60.0
"""How long a person has to open or close a guard."""

BY_EYE = (
    ("the emergency stop takes the test voltage away by hardware, with this program shut down"),
    ("each guard takes the test voltage away by hardware, with this program shut down"),
    ("the red lamp is driven by hardware and lit whenever an output can be on"),
    ("the green lamp, where there is one, goes dark when this program is shut down"),
    ("each lead sits at the position that fixture and station file name (metered)"),
    ("protective conductors of station, tester and fixture are connected (metered)"),
    ("barriers, warning signs and instruction of the staff are as EN 50191 or local codes require"),
)
"""What only a person can confirm. Common practice after EN 50191 and DGUV Information 203-034;
no list of a standard."""


class Person(Protocol):
    """Whoever commissions: is told, and answers."""

    def tell(self, text: str) -> None:
        """Shown as it is; something to do may follow from it."""
        ...

    def confirms(self, question: str) -> bool:
        """Yes or no."""
        ...


@dataclass
class Item:
    """One item of the checklist. ``outcome``: done, failed or not_done."""

    name: str
    outcome: str
    seen: str = ""

    def as_data(self) -> dict[str, str]:
        """For the record."""
        return {"name": self.name, "outcome": self.outcome, "seen": self.seen}


@dataclass
class Commissioning:
    """The checklist of one station with one fixture.

    ``schedule``: bound to a dummy load, one step for each tester; a guard is opened in each.
    """

    station: LiveStation
    schedule: Schedule
    by: str
    person: Person
    items: list[Item] = field(default_factory=list)
    measured_s: float | None = None

    def run(self) -> bool:
        """Lead through the whole list and record it. True if every item was done.

        Raises Refused: no name, an alarm is latched, or the cautions weren't accepted; what
        `LiveStation.take_over` raises.
        """
        check_person(self.by)
        check_stop_program(self.schedule)
        self.person.tell(CAUTIONS)
        real = not self.station.plan.simulated
        what = "REAL instruments" if real else "simulated instruments"
        if not self.person.confirms(f"This station has {what}. Go on?"):
            raise Refused([_not_confirmed()])
        require_none(self.station.alarms)
        self.station.controller.make_ready()
        try:
            self._go_through()
        except BaseException as fault:
            seen = str(fault) or repr(fault)
            self.items.append(Item("gone through to the end", "failed", seen))
            self._record(False)  # an older sign-off must not hold over this one
            raise
        valid = all(item.outcome == "done" for item in self.items)
        self._record(valid)
        return valid

    def _go_through(self) -> None:
        for step in (self._inputs, self._enable, self._relays, self._by_eye, self._stop_time):
            for item in step():
                self.items.append(item)
                self.person.tell(f"{item.outcome.replace('_', ' ')}: {item.name}. {item.seen}")

    # ---- the items

    def _inputs(self) -> Iterator[Item]:
        controller = self.station.controller
        for entry in self.station.plan.station.interlock:
            if entry.name not in controller.rack.telling:
                continue
            yield self._moved(entry.name, closed=False)
            yield self._moved(entry.name, closed=True)
        for entry in self.station.plan.station.interlock:
            if entry.name not in controller.rack.telling:
                seen = controller.prove(partial(self._follow, entry.name))
                yield _item(f"input {entry.name!r} follows the enable", seen)

    @staticmethod
    def _follow(name: str, run: RunState) -> Proving:
        return see_input_follow(run, name, FOLLOWS_WITHIN_S)

    def _moved(self, name: str, *, closed: bool) -> Item:
        word, told = ("close", "closed") if closed else ("open", "open")
        self.person.tell(f"{word.upper()} {name!r} now (within {SEEN_WITHIN_S:.0f} s).")
        controller = self.station.controller
        seen: Proved = controller.prove(
            lambda run: see_input(run, name, closed=closed, within_s=SEEN_WITHIN_S)
        )
        return _item(f"input {name!r} seen {told}", seen)

    def _enable(self) -> Iterator[Item]:
        station = self.station.plan.station
        place = station.outputs.enable
        if place is None:
            return
        drops_after_s = float(station.io[place.block].drops_after)
        self.person.tell("The enable output is switched on and its refreshing stopped.")
        seen: Proved = self.station.controller.prove(
            lambda run: prove_enable(run, place, drops_after_s)
        )
        yield _item("enable output drops when its refreshing stops", seen)

    def _relays(self) -> Iterator[Item]:
        self.person.tell("Every relay is closed once by itself; no tester is started.")
        operated = self.station.controller.prove(prove_relays)
        if not operated:
            return
        failed = [f"{entries.contact_text(c)}: {p.seen}" for c, p in operated if not p.done]
        blind = sum(p.seen == BLIND for _, p in operated)
        told = "; ".join(failed) or f"{len(operated)} contacts"
        told += f"; {blind} of them read nothing back" if blind else ""
        yield Item("every relay operated", "failed" if failed else "done", told)

    def _by_eye(self) -> Iterator[Item]:
        for question in BY_EYE:
            sure = self.person.confirms(f"Confirm: {question}.")
            yield Item(question, "done" if sure else "failed", "confirmed" if sure else "denied")

    def _stop_time(self) -> Iterator[Item]:
        """One measurement for each tester, a schedule of one step each."""
        batches = {batch.tester: batch for batch in self.schedule.batches}
        for tester in self.station.plan.station.testers:
            name = f"stop time of {tester} measured against its budget"
            if any(item.outcome != "done" for item in self.items):
                yield Item(name, "not_done", "an item before it isn't done: nothing is energised")
            elif tester not in batches:
                told = "no step of the program for the dummy load runs on this tester"
                yield Item(name, "not_done", told)
            else:
                yield self._on_dummy(name, replace(self.schedule, batches=(batches[tester],)))

    def _on_dummy(self, name: str, schedule: Schedule) -> Item:
        first = schedule.steps[0]
        self.person.tell(
            f"Step {first.name!r} is started on the dummy load between {', '.join(first.apply_to)} "
            f"and {', '.join((*first.against, *first.others))}. A guard is to be opened while its "
            "level is on."
        )
        if not self.person.confirms("The dummy load is connected, everybody is clear. Go on?"):
            return Item(name, "not_done", "not confirmed")
        return self._measured(name, schedule)

    def _measured(self, name: str, schedule: Schedule) -> Item:
        station = self.station
        began_s = station.clock.monotonic()
        result = station.run(
            schedule, serial="commissioning", operator=self.by, confirm=lambda _, __: True
        )
        tester = schedule.steps[0].tester
        seat = station.controller.rack.testers[tester]
        times = station.controller.rack.interlock.opened_s.values()
        opened = [at_s for at_s in times if at_s > began_s]
        budget_s = next(t.total_s for t in station.plan.stop_times() if t.name == tester)
        if "interlock" not in result.reason or seat.proved_at_s is None or not opened:
            return Item(name, "failed", f"the run ended otherwise: {result.reason or 'no trip'}")
        if result.relays_kept:
            return Item(name, "failed", result.reason)
        elsewhere = result.steps[0].outcome is not Outcome.NO_VERDICT
        if elsewhere or seat.started_s is None or min(opened) < max(began_s, seat.started_s):
            told = f"no guard was opened with the output of step {result.steps[0].name!r} on"
            return Item(name, "failed", told)
        measured_s = seat.proved_at_s - min(opened)
        self.measured_s = max(measured_s, self.measured_s or 0.0)
        told = f"{measured_s:.3f} s from the opening seen to proved off and discharged, "
        told += f"budget {budget_s:.3f} s"
        if not self._closed_again():
            told += "; the alarm of this trip is still latched"
        return Item(name, "done" if measured_s <= budget_s else "failed", told)

    def _closed_again(self) -> bool:
        self.person.tell("CLOSE every guard again; the alarm of this trip is reset then.")
        clock = self.station.clock
        until_s = clock.monotonic() + SEEN_WITHIN_S
        while clock.monotonic() < until_s:
            try:
                self.station.reset(by=self.by)
            except (RunCancelled, Unconfirmed):
                raise
            except Trip:
                clock.sleep(RESET_AGAIN_S)  # an input is still open
            else:
                return True
        return False

    def _record(self, valid: bool) -> None:
        controller, plan = self.station.controller, self.station.plan
        controller.store_entry(
            lambda at: entries.sign_off(
                at,
                {
                    "by": self.by,
                    "valid": valid,
                    "simulated": plan.simulated,
                    "hashes": stamped_hashes(self.schedule.hashes),
                    "instruments": stamped_instruments(controller.instruments()),
                    "items": [item.as_data() for item in self.items],
                    "budget_s": {t.name: t.total_s for t in plan.stop_times()},
                    "measured_s": self.measured_s,
                    "software_version": software_version(),
                },
            )
        )


def _item(name: str, proved: Proved) -> Item:
    return Item(name, "done" if proved.done else "failed", proved.seen)


def _not_confirmed() -> Fault:
    return Fault(
        "the commissioning was not confirmed",
        "another answer than yes",
        "yes",
        "start again when the station is ready and everybody is clear",
    )


def check_stop_program(schedule: Schedule) -> None:
    """A program to measure the stop time with: one step for each tester, long enough to open a
    guard in.

    Raises Refused.
    """
    faults = [
        Fault(
            f"step {step.name!r} of the program for the dummy load",
            f"a dwell of {step.order.dwell} s",
            f"at least {LEAST_DWELL_S} s, so that somebody can open a guard in it",
            "hold its level longer",
        )
        for step in schedule.steps
        if step.order.dwell < LEAST_DWELL_S
    ]
    testers = [step.tester for step in schedule.steps]
    if len(set(testers)) < len(testers):
        faults.append(
            Fault(
                "the program for the dummy load",
                f"{len(testers)} steps on {', '.join(dict.fromkeys(testers))}",
                "one step for each tester: nothing may follow the one that is tripped",
                "leave out the others",
            )
        )
    if faults:
        raise Refused(faults)


LEAST_DWELL_S = 5
RESET_AGAIN_S = 0.5
FOLLOWS_WITHIN_S = 5.0
