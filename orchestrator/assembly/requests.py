"""What is checked of a request before anything is opened or energised."""

from __future__ import annotations

from orchestrator.assembly.plan import StationPlan
from orchestrator.binding.offsets import stale_offsets
from orchestrator.clock import Clock
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.running.controller import Request

LONGEST_SERIAL = 32
LONGEST_NAME = 64


def check_request(request: Request) -> None:
    """Serial number and operator can be read back and printed; attempts count from 1.

    Raises Refused with every fault.
    """
    faults = [
        *_faults("the serial number", request.serial, LONGEST_SERIAL, "--serial", needed=True),
        *_faults("the operator's name", request.operator, LONGEST_NAME, "--operator", needed=False),
    ]
    if request.attempt < 1:
        found, remedy = str(request.attempt), "count attempts from 1 (--attempt, attempt=)"
        faults.append(Fault("the attempt", found, "1 or more", remedy))
    if faults:
        raise Refused(faults)


def check_person(name: str) -> None:
    """Whoever resets or signs off is named. Raises Refused."""
    faults = _faults("the person's name", name, LONGEST_NAME, "--by", needed=True)
    if faults:
        raise Refused(faults)


def _faults(what: str, text: str, longest: int, option: str, *, needed: bool) -> list[Fault]:
    expected = f"{'1' if needed else '0'} to {longest} printable characters, no blank at an end"
    remedy = f"give it with {option} ({option[2:]}= in Python)"
    if needed and not text.strip():
        return [Fault(what, "nothing", expected, remedy)]
    if not text.isprintable():
        return [Fault(what, f"a character that can't be printed in {text!a}", expected, remedy)]
    if len(text) > longest:
        return [Fault(what, f"{len(text)} characters", expected, remedy)]
    if text != text.strip():
        return [Fault(what, f"a blank at an end of {text!r}", expected, remedy)]
    return []


def check_offsets_age(fixture: Document[Fixture], clock: Clock) -> None:
    """No offset measured in the future, or longer ago than it may be. Raises Refused."""
    faults = stale_offsets(fixture, clock.utc().date())
    if faults:
        raise Refused(faults)


def check_calibration(plan: StationPlan, clock: Clock) -> None:
    """No tester whose calibration was due before today. Raises Refused, naming each."""
    today = clock.utc().date()
    faults = [
        Fault(
            what=f"calibration of tester {name!r}",
            found=f"due on {entry.calibration_due}, today is {today}",
            expected="a date that has not passed",
            remedy="put a calibrated tester in its place, or correct the date after calibration",
            position=plan.document.locate("testers", name, "calibration_due"),
        )
        for name, entry in plan.station.testers.items()
        if entry.calibration_due is not None and entry.calibration_due < today
    ]
    if faults:
        raise Refused(faults)
