"""The gate before anything is energised: the same for the command line and for Python."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from orchestrator.assembly.sign_off import require_sign_off
from orchestrator.errors import Fault, Refused
from orchestrator.model.schedule import Schedule

CAUTIONS = """\
CAUTION: this test applies voltages and currents that can kill.
 - This program is not the safety function: the hard-wired interlock and emergency stop are.
 - Nobody touches unit, fixture or leads while the station may be live or charged.
 - Only people instructed for this station operate it; local codes, EN 50191 or what your
   country requires, and licensed practice come before anything that this program says."""

Confirm = Callable[[str, bool], bool]
"""Shown the cautions and whether the station is real; answers whether to go on."""

NO_ANSWER = Fault(
    what="the run was not confirmed",
    found="no answer: standard input has ended",
    expected="yes",
    remedy="start it where somebody can type the answer; on a simulated station --yes will do",
)
"""Raised by a `Confirm` that can't ask anybody."""


def require_runs_left(schedule: Schedule, serial: str, runs: int) -> None:
    """Raise Refused where a unit has run a program as often as it may (`runs_per_serial`)."""
    most = schedule.runs_per_serial
    if most is None or runs < most:
        return
    raise Refused(
        [
            Fault(
                what=f"serial {serial!r}, program {schedule.program!r}",
                found=f"{runs} runs that put it under a voltage, by this station's records",
                expected=f"at most {most} (runs_per_serial)",
                remedy="each run stresses its insulation: have whoever answers for the product "
                "decide, and raise runs_per_serial if it may be tested again",
            )
        ]
    )


def pass_gate(
    schedule: Schedule, confirm: Confirm | None, stamps: Iterable[Mapping[str, Any]] = ()
) -> Mapping[str, Any] | None:
    """Raise Refused unless this run may energise.

    Args:
        confirm: ``None`` means 'without asking': at a station with real instruments that needs a
            sign-off that holds.
        stamps: the station's sign-offs, the newest first.

    Returns:
        The sign-off that was leant on; the instruments are still to be compared with it.
    """
    if confirm is None:
        return None if schedule.simulated else require_sign_off(stamps, schedule.hashes)
    if not confirm(CAUTIONS, not schedule.simulated):
        raise Refused(
            [
                Fault(
                    what="the run was not confirmed",
                    found="another answer than yes",
                    expected="yes",
                    remedy="start again when the station is ready and everybody is clear",
                )
            ]
        )
    return None
