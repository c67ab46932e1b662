"""Records as CSV (one line per reading) and as JSON Lines (one run per line).

CSV is for spreadsheets. A spreadsheet takes a cell that begins with = + - @ or a control sign for
a formula, and serial numbers and names come from scanners and keyboards: such text cells get an
apostrophe in front, which the spreadsheet shows as plain text. Figures are left alone. Whoever
needs every character exactly takes JSON Lines.
"""

from __future__ import annotations

import csv
import dataclasses
import json
from pathlib import Path
from typing import TextIO

from orchestrator.records.reader import all_runs
from orchestrator.records.views import ReadingView, RunView, StepView

COLUMNS = (
    "run_id",
    "serial",
    "operator",
    "attempt",
    "simulated",
    "program",
    "revision",
    "fixture",
    "station",
    "run_started_utc",
    "run_ended_utc",
    "run_outcome",
    "run_reason",
    "step",
    "step_name",
    "step_kind",
    "tester",
    "apply_to",
    "against",
    "others",
    "level",
    "level_unit",
    "step_outcome",
    "step_reason",
    "quantity",
    "value",
    "bound",
    "unit",
    "at_least",
    "at_most",
    "specified_at_least",
    "specified_at_most",
    "decision_rule",
    "discharge",
    "residual_v",
    "alarms",
    "notices",
)

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def export_csv(path: Path, stream: TextIO, serial: str | None = None) -> int:
    """Write CSV by RFC 4180 (commas, CRLF, a header line), in SI units.

    A step without a reading and a run without a step get one line too, so that nothing vanishes.

    Args:
        path: the records. stream: open for text with ``newline=""``.
        serial: only the runs of this serial number.

    Returns:
        The number of lines below the header.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    writer = csv.writer(stream, lineterminator="\r\n")
    count = 0
    writer.writerow(COLUMNS)
    for run in all_runs(path, serial):
        for step in (*run.steps, *run.search_steps) or (None,):
            for reading in (step.readings if step else ()) or (None,):
                writer.writerow(_line(run, step, reading))
                count += 1
    return count


def export_jsonl(path: Path, stream: TextIO, serial: str | None = None) -> int:
    """Write one JSON object per line, a whole run each; figures as decimal strings in SI units.

    Returns:
        The number of runs written.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    count = 0
    for run in all_runs(path, serial):
        stream.write(json.dumps(dataclasses.asdict(run), ensure_ascii=True, allow_nan=False))
        stream.write("\n")
        count += 1
    return count


def safe_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def reading_text(reading: ReadingView) -> str:
    """One value with its limits, in SI units."""
    name = reading.quantity.replace("_", " ")
    value = f"{reading.value} {reading.unit}" if reading.value else "no value"
    bound = "" if reading.bound in {"", "exact", "none"} else f"{reading.bound} "
    edges = (
        ("at least", reading.at_least, reading.specified_at_least),
        ("at most", reading.at_most, reading.specified_at_most),
    )
    limits = ", ".join(_edge(reading, *edge) for edge in edges if edge[1])
    return f"{name} {bound}{value}" + (f" ({limits})" if limits else "")


def _edge(reading: ReadingView, word: str, held: str, specified: str) -> str:
    told = f"{word} {held} {reading.unit}"
    return told if specified in {"", held} else f"{told}, specified {specified}"


def _line(run: RunView, step: StepView | None, reading: ReadingView | None) -> list[str]:
    summary = run.summary
    line = [
        safe_cell(summary.run_id),
        safe_cell(summary.serial),
        safe_cell(summary.operator),
        str(summary.attempt),
        "yes" if summary.simulated else "no",
        safe_cell(summary.program),
        safe_cell(summary.revision),
        safe_cell(summary.fixture),
        safe_cell(summary.station),
        summary.started_utc,
        summary.ended_utc,
        summary.outcome,
        safe_cell(summary.reason),
    ]
    # Alarms that the run latched, and what was told with its schedule.
    tail = ["; ".join(str(alarm.number) for alarm in run.alarms)]
    tail.append(safe_cell("; ".join(run.notices)))
    if step is None:
        return [*line, *[""] * (len(COLUMNS) - len(line) - len(tail)), *tail]
    line += [
        str(step.index + 1),  # counted from 1, as on the screen
        safe_cell(step.name),
        step.kind,
        safe_cell(step.tester),
        safe_cell("; ".join(step.apply_to)),
        safe_cell("; ".join(step.against)),
        safe_cell("; ".join(step.others)),
        step.level,
        step.level_unit,
        step.outcome,
        safe_cell(step.reason),
    ]
    line += [*_figures(reading), str(step.started.get("decision_rule", ""))]
    return [*line, step.discharge, step.residual_v, *tail]


def _figures(reading: ReadingView | None) -> list[str]:
    if reading is None:
        return [""] * 8
    return [
        reading.quantity,
        reading.value,
        reading.bound,
        reading.unit,
        reading.at_least,
        reading.at_most,
        reading.specified_at_least,
        reading.specified_at_most,
    ]
