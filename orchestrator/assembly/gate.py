"""The gate before anything is energised: the same for the command line and for Python."""

from __future__ import annotations

from collections.abc import Callable

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

NO_SIGN_OFF = Fault(
    what="going on without a question at a station with real instruments",
    found="no recorded commissioning sign-off of this station",
    expected="a sign-off, or a person who answers the question",
    remedy="leave out --yes and answer the question (recording a sign-off is not built yet)",
)

NO_ANSWER = Fault(
    what="the run was not confirmed",
    found="no answer: standard input has ended",
    expected="yes",
    remedy="start it where somebody can type the answer; on a simulated station --yes will do",
)
"""Raised by a `Confirm` that can't ask anybody."""


def pass_gate(schedule: Schedule, confirm: Confirm | None) -> None:
    """Raise Refused unless this run may energise.

    ``confirm=None`` means 'without asking': enough on a simulated station only.
    """
    if confirm is None:
        if not schedule.simulated:
            raise Refused([NO_SIGN_OFF])
        return
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
