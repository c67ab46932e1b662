"""Which alarm a fault latches."""

from __future__ import annotations

import pytest

from orchestrator.errors import InstrumentFault, LinkLost, Refused, RelayMismatch
from orchestrator.model.alarms import Alarm, AlarmKind
from orchestrator.running.alarming import Struck, alarm_of, require_none
from orchestrator.running.guards import UnsafeSchedule
from orchestrator.running.interlock import RunCancelled, Trip
from orchestrator.running.safe_off import SafeOff
from orchestrator.running.states import WATCHED, Phase

SAFE = SafeOff(True, True)
CASES = [
    (Trip("guard"), AlarmKind.INTERLOCK_OPENED),
    (Trip("enable", alarm=AlarmKind.ENABLE_UNSURE), AlarmKind.ENABLE_UNSURE),
    (RunCancelled("Ctrl-C"), None),
    (UnsafeSchedule("level"), None),
    (LinkLost("t1"), AlarmKind.LINK_LOST),
    (InstrumentFault("t1"), AlarmKind.INSTRUMENT_FAULT),
    (RelayMismatch("m1"), AlarmKind.RELAYS_DIFFER),
    (ZeroDivisionError(), AlarmKind.INTERNAL_FAULT),
    (None, None),
]


@pytest.mark.parametrize("phase", sorted(WATCHED))
@pytest.mark.parametrize(("fault", "kind"), CASES)
def test_a_fault_with_an_output_on_latches_its_alarm(
    fault: BaseException | None, kind: AlarmKind | None, phase: Phase
) -> None:
    """What somebody ended himself latches nothing."""
    assert alarm_of(Struck(fault, phase, begun=True), SAFE) is kind


@pytest.mark.parametrize("fault", [Trip("guard"), LinkLost("t1"), InstrumentFault("t1")])
def test_a_fault_before_the_first_step_latches_nothing(fault: Exception) -> None:
    """A guard that stands open at the start only keeps the run from starting."""
    assert alarm_of(Struck(fault, Phase.READY, begun=False), SAFE) is None


def test_a_guard_opened_between_two_steps_latches() -> None:
    """The run was under way."""
    struck = Struck(Trip("guard"), Phase.ROUTING, begun=True)
    assert alarm_of(struck, SAFE) is AlarmKind.INTERLOCK_OPENED


@pytest.mark.parametrize("fault", [fault for fault, _ in CASES])
@pytest.mark.parametrize("phase", list(Phase))
def test_what_could_not_be_made_safe_always_latches(
    fault: BaseException | None, phase: Phase
) -> None:
    """Whatever went before, a cancel too."""
    struck = Struck(fault, phase, begun=False)
    assert alarm_of(struck, SafeOff(False, False)) is AlarmKind.UNCONFIRMED
    assert alarm_of(struck, SafeOff(True, False)) is AlarmKind.RELAYS_DIFFER


def test_every_alarm_has_a_number_a_title_and_a_remedy() -> None:
    """The numbers are kept for good: a label at the station may name them."""
    assert [kind.value for kind in AlarmKind] == list(range(1, len(AlarmKind) + 1))
    assert all(kind.title and kind.remedy for kind in AlarmKind)


def test_a_latched_alarm_refuses_what_would_run() -> None:
    """With its number, since when, why, and how it is reset."""
    require_none([])
    alarm = Alarm(7, AlarmKind.LINK_LOST, "2026-11-25T10:00:00Z", "t1 is mute", "look")
    with pytest.raises(Refused) as refused:
        require_none([alarm])
    (fault,) = refused.value.faults
    assert "alarm 6" in fault.what
    assert "t1 is mute" in fault.found
    assert "ohmward reset" in fault.remedy
