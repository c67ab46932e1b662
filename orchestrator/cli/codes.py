"""What the command line's exit codes mean. Code 1 is never used for anything but a failed unit."""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """The exit code of every command."""

    DONE = 0  # pass, or done
    FAIL = 1  # a fail that stands on record
    REFUSED = 2  # refused or bad input; nothing was energised
    NO_VERDICT = 3  # no verdict, Ctrl-C and SIGTERM included
    INTERNAL = 4  # a fault of this program; a report was written
    DAMAGED = 5  # the records don't agree with their chain


HELP = """\
Exit codes: 0 pass or done, 1 a recorded fail (nothing else), 2 refused or bad input, 3 no
verdict, 4 internal fault of this program, 5 the records are damaged."""


def of_outcome(outcome: str) -> Exit:
    """The exit code of a run's outcome; whatever isn't a pass or a fail is no verdict."""
    return {"pass": Exit.DONE, "fail": Exit.FAIL}.get(outcome, Exit.NO_VERDICT)
