"""Records as JUnit XML, the open convention that CI tools read: a suite per run, a case per step.

A fail is a ``failure``; no verdict, and a step that never ended, is an ``error``; a step that was
not run is ``skipped``. A run that isn't a pass, yet has no failure or error among its steps, gets a
case of its own that says why: no run looks green that isn't one. A simulated run says so in the
name of its suite.

No standard owns this format. What is written is the part on which the two schemas in common use
agree (that of Ant's report task, and 'junit-10' of the xUnit plug-in of a CI server; from memory):
names, order and types are listed in ``tests/records/test_junit.py``. All of it is ASCII.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TextIO
from xml.etree import ElementTree as ET

from orchestrator.model.words import Outcome
from orchestrator.records.export import reading_text
from orchestrator.records.reader import all_runs
from orchestrator.records.views import LocatedView, RunView, StepView

WHOLE = "the run as a whole"


def export_junit(path: Path, stream: TextIO, serial: str | None = None) -> int:
    """Write all runs as one document, the oldest first.

    Args:
        path: the records. stream: open for text with ``newline=""``.
        serial: only the runs of this serial number.

    Returns:
        The number of runs written.

    Raises:
        Refused: no file. RecordDamaged, RecordsUnwritable: it can't be read.
    """
    stream.write('<?xml version="1.0" encoding="UTF-8"?>\n<testsuites>\n')
    count = 0
    for run in all_runs(path, serial):
        suite = _suite(run, count)
        ET.indent(suite)
        # Character references stand for what isn't ASCII: right in any encoding of the stream.
        stream.write(ET.tostring(suite, encoding="us-ascii").decode("ascii") + "\n")
        count += 1
    stream.write("</testsuites>\n")
    return count


def plain_text(text: str) -> str:
    """Text without what XML 1.0 forbids or a reader would change: escaped as in Python."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def _suite(run: RunView, number: int) -> ET.Element:
    summary = run.summary
    # Readers take a dot in a class name for a border between packages.
    group = plain_text(summary.program).replace(".", "_") or "unknown program"
    cases = [_case(step, group, run.located) for step in run.steps]
    if summary.outcome != Outcome.PASS.value and not any(map(_bad, cases)):
        cases.append(_whole(run, group))
    name = f"{summary.program}, serial {summary.serial}, attempt {summary.attempt}"
    suite = ET.Element(
        "testsuite",
        {
            "name": plain_text(name + (" (simulated)" if summary.simulated else "")),
            "timestamp": summary.started_utc[:19],
            "hostname": plain_text(summary.station) or "localhost",
            "tests": str(len(cases)),
            "failures": str(_count(cases, "failure")),
            "errors": str(_count(cases, "error")),
            "skipped": str(_count(cases, "skipped")),
            "time": f"{_run_s(run):.3f}",
            "id": str(number),
            "package": group,
        },
    )
    properties = ET.SubElement(suite, "properties")
    for key, value in _properties(run).items():
        ET.SubElement(properties, "property", {"name": key, "value": plain_text(value)})
    suite.extend(cases)
    ET.SubElement(suite, "system-out").text = _lines(_told(run))
    ET.SubElement(suite, "system-err").text = _lines(_troubles(run))
    return suite


def _properties(run: RunView) -> dict[str, str]:
    summary = run.summary
    return {
        "serial": summary.serial,
        "attempt": str(summary.attempt),
        "operator": summary.operator,
        "program": summary.program,
        "revision": summary.revision,
        "fixture": summary.fixture,
        "station": summary.station,
        "simulated": "yes" if summary.simulated else "no",
        "outcome": summary.outcome,
        "reason": summary.reason,
        "run_id": summary.run_id,
        "started_utc": summary.started_utc,
        "ended_utc": summary.ended_utc,
        "software_version": str(run.header.get("software_version") or ""),
        "alarms": "; ".join(str(alarm.number) for alarm in run.alarms),
        "notices": "; ".join(run.notices),
    }


def _case(step: StepView, group: str, searches: Sequence[LocatedView]) -> ET.Element:
    name = plain_text(step.name) or f"step {step.index + 1}"
    time_s = step.ended.get("duration_s")
    spent_s = float(time_s) if isinstance(time_s, int | float) else 0.0
    case = ET.Element("testcase", {"name": name, "classname": group, "time": f"{spent_s:.3f}"})
    reason = step.reason or f"the step ended as {step.outcome}"
    if step.outcome == Outcome.NOT_RUN.value:
        ET.SubElement(case, "skipped", {"message": plain_text(reason)})
    elif step.outcome != Outcome.PASS.value:
        found = (line for one in searches if one.step == step.index for line in _searched(one))
        _trouble(case, step.outcome, reason, (*map(reading_text, step.readings), *found))
    return case


def _whole(run: RunView, group: str) -> ET.Element:
    case = ET.Element("testcase", {"name": WHOLE, "classname": group, "time": "0.000"})
    reason = run.summary.reason or f"the run ended as {run.summary.outcome}"
    _trouble(case, run.summary.outcome, reason, (str(run.end.get("remedy") or ""),))
    return case


def _trouble(case: ET.Element, outcome: str, reason: str, more: Iterable[str]) -> None:
    kind = "failure" if outcome == Outcome.FAIL.value else "error"
    told = ET.SubElement(case, kind, {"message": plain_text(reason), "type": plain_text(outcome)})
    told.text = _lines(more)


def _bad(case: ET.Element) -> bool:
    return case.find("failure") is not None or case.find("error") is not None


def _count(cases: list[ET.Element], kind: str) -> int:
    return sum(case.find(kind) is not None for case in cases)


def _run_s(run: RunView) -> float:
    """Seconds from start to end by the computer's clock; that of the steps where it has no end."""
    try:
        began = datetime.fromisoformat(run.summary.started_utc)
        return max(0.0, (datetime.fromisoformat(run.summary.ended_utc) - began).total_seconds())
    except (ValueError, TypeError):  # not ended, or an entry was damaged
        spent = (step.ended.get("duration_s") for step in run.steps)
        return sum(float(s) for s in spent if isinstance(s, int | float))


def _told(run: RunView) -> Iterator[str]:
    for step in (*run.steps, *run.search_steps):
        yield f"{step.index + 1} {step.name}: {step.outcome}"
        for reading in step.readings:
            yield f"  {reading_text(reading)}"
    for search in run.located:
        yield from _searched(search)


def _searched(search: LocatedView) -> Iterator[str]:
    """What a search after a failed step came to; its steps are no test cases of their own."""
    yield f"search after step {search.step + 1}: {search.ending} {search.reason}".rstrip()
    for pair in search.pairs:
        sides = f"{' + '.join(pair.one)} against {' + '.join(pair.other)}"
        yield f"  faulty: {sides} ({pair.evidence})"
    for candidate in search.candidates:
        yield f"  among: {' + '.join(candidate.one)} against {' + '.join(candidate.other)}"


def _troubles(run: RunView) -> Iterator[str]:
    yield from (f"damage: {damage}" for damage in run.summary.damage)
    for alarm in run.alarms:
        state = f"reset by {alarm.reset_by}" if alarm.reset_utc else "latched"
        yield f"alarm {alarm.number}, {alarm.title} ({state}): {alarm.reason}"


def _lines(lines: Iterable[str]) -> str:
    return "\n".join(plain_text(line) for line in lines)
