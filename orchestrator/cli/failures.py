"""From errors to messages and exit codes: no traceback ever reaches the screen."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.cli.codes import Exit

if TYPE_CHECKING:
    from orchestrator.errors import Fault
    from orchestrator.model.record import RunResult


@dataclass
class Situation:
    """How far a command has come; it decides what an error means.

    Attributes:
        as_json: errors go to standard output as one JSON object.
        records: where the records lie, once known; a report of an internal fault goes beside.
        touched: instruments have been spoken to.
        energised: a step has been started.
        proved_safe: off, discharged and open, as far as the phases of the run tell.
        result: how the run ended, if it ended on record.
        reads_records: the command only reads records.
    """

    as_json: bool = False
    records: Path | None = None
    touched: bool = False
    energised: bool = False
    proved_safe: bool = False
    result: RunResult | None = None
    reads_records: bool = False


def guarded(body: Callable[[Situation], Exit], situation: Situation | None = None) -> Exit:
    """Do what a command does; errors come out as a message and an exit code."""
    now = situation or Situation()
    try:
        return body(now)
    except KeyboardInterrupt:
        say(now, Exit.NO_VERDICT, "interrupted", "interrupted before a run began: no verdict", "")
        return Exit.NO_VERDICT
    except BrokenPipeError:
        # Whoever read our output has seen enough; where the output is all there is to do, that
        # is no trouble. A run doesn't get here once it has begun: it keeps its exit code.
        abandon_output()
        return Exit.DONE if now.reads_records else Exit.REFUSED
    except Exception as error:  # noqa: BLE001 - each becomes a message, none is lost
        return _told(now, error)


def abandon_output() -> None:
    """Let nothing more be written to a standard output that nobody reads, nor fail at the end."""
    with contextlib.suppress(OSError, ValueError, AttributeError):  # no real file behind it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _told(now: Situation, error: Exception) -> Exit:
    from orchestrator.errors import (
        InstrumentFault,
        LinkError,
        OhmwardError,
        RecordDamaged,
        Refused,
    )
    from orchestrator.running.interlock import Trip

    if isinstance(error, Refused):
        say(now, Exit.REFUSED, "refused", "", "", faults=error.faults)
        return Exit.REFUSED
    if isinstance(error, Trip | OhmwardError):
        if isinstance(error, Trip | LinkError | InstrumentFault) or now.energised:
            code = Exit.NO_VERDICT
        elif isinstance(error, RecordDamaged) and now.reads_records:
            code = Exit.DAMAGED
        else:
            code = Exit.REFUSED
        kind = "no_verdict" if code is Exit.NO_VERDICT else "refused"
        message = str(error)
        if now.touched and not now.proved_safe:
            message += "; the station isn't proved off and discharged: treat it as live"
        say(now, code, "damaged" if code is Exit.DAMAGED else kind, message, error.remedy)
        return code
    return _internal(now, error)


def _internal(now: Situation, error: Exception) -> Exit:
    where = _report(now, error)
    message = f"internal fault of this program ({type(error).__name__}); {_safety(now)}"
    remedy = (
        f"the report lies at {where}: send it to whoever looks after this program"
        if where is not None
        else "the report could not be written; start the command again and note what it did"
    )
    say(now, Exit.INTERNAL, "internal_fault", message, remedy)
    return Exit.INTERNAL


def _safety(now: Situation) -> str:
    if not now.touched:
        return "nothing was energised"
    if now.proved_safe or (now.result is not None and not now.result.relays_kept):
        return "the station was made safe first"
    return "the station is NOT proved safe: keep away until a person has proved it off"


def _report(now: Situation, error: Exception) -> Path | None:
    """Write the traceback beside the records, else among the temporary files."""
    from orchestrator.clock import SystemClock

    text = "".join(traceback.format_exception(error))
    stamp = SystemClock().utc().strftime("%Y%m%dT%H%M%S")
    folders = [] if now.records is None else [now.records.parent]
    for folder in (*folders, Path(tempfile.gettempdir())):
        path = folder / f"ohmward-fault-{stamp}-{os.getpid()}.txt"
        try:
            path.write_text(text, encoding="utf-8")
        except OSError:
            continue  # the next folder is tried, and 'no report' is told if there is none
        return path.absolute()
    return None


def say(
    now: Situation,
    code: Exit,
    kind: str,
    message: str,
    remedy: str,
    *,
    faults: tuple[Fault, ...] = (),
) -> None:
    """Tell what went wrong: as one JSON line, or in words on standard error."""
    if now.as_json:
        line: dict[str, Any] = {"kind": "error", "error": kind, "ok": False, "exit_code": int(code)}
        line |= {"message": message or "; ".join(map(str, faults)), "remedy": remedy}
        line["faults"] = [fault_json(fault) for fault in faults]
        print(json.dumps(line), flush=True)
        return
    from rich.text import Text

    from orchestrator.cli.screen import make_console

    console = make_console(errors=True)
    if faults:
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        console.print(Text.assemble(("refused", "alert"), f": {count}"))
        for fault in faults:
            console.print(_fault_text(fault))
        return
    console.print(Text.assemble((kind.replace("_", " "), "alert"), f": {one_line(message)}"))
    if remedy:
        console.print(Text.assemble(("what to do", "strong"), f": {one_line(remedy)}"))


def _fault_text(fault: Fault) -> Any:
    from rich.text import Text

    text = Text(str(fault))
    if fault.position is not None:
        text.stylize("place", 0, len(str(fault.position)))
    return text


def fault_json(fault: Fault) -> dict[str, Any]:
    """A fault for machines."""
    at = fault.position
    return {
        "file": at.file if at else None,
        "line": at.line if at else None,
        "column": at.column if at else None,
        "what": fault.what,
        "found": fault.found,
        "expected": fault.expected,
        "remedy": fault.remedy,
    }


def one_line(text: str) -> str:
    """Nothing that breaks the line or steers the terminal."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
