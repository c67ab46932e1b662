"""What ``ohmward records`` prints."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from rich.console import Console
from rich.text import Text

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, one_line
from orchestrator.cli.located_words import located_lines
from orchestrator.cli.screen import make_console, verdict
from orchestrator.documents import read_document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.fault_words import counted
from orchestrator.model.station import Station
from orchestrator.records.export import export_csv, export_jsonl, reading_text
from orchestrator.records.junit import export_junit
from orchestrator.records.reader import (
    all_alarms,
    all_sign_offs,
    list_runs,
    relay_totals,
    show_run,
)
from orchestrator.records.verify import verify
from orchestrator.records.views import (
    AlarmView,
    LocatedView,
    RunSummary,
    RunView,
    SignOffView,
    StepView,
)

_IDENTITY = ("maker", "model", "serial", "firmware")


def records_of(where: Path) -> Path:
    """The records that a station file, a folder with one, or a path of records means.

    Raises:
        Refused: the station file has faults or isn't there.
    """
    if where.is_dir():
        where /= "station.yaml"
    if where.suffix.lower() in {".yaml", ".yml"}:
        return where.parent / read_document(where, Station).model.records
    return where


def list_runs_of(now: Situation, where: Path, serial: str | None, limit: int) -> Exit:
    """Print a line for each run."""
    runs = list_runs(records_of(where), serial, limit)
    if now.as_json:
        for run in runs:
            print(json.dumps(dataclasses.asdict(run)))
        return Exit.DONE
    console = make_console()
    if not runs:
        console.print("no runs on record")
    for run in runs:
        console.print(_summary(console, run))
    return Exit.DONE


def _summary(console: Console, run: RunSummary) -> Text:
    line = Text.assemble(
        f"{run.run_id[:8]}  {run.started_utc[:19]}Z  ",
        verdict(run.outcome, console.file),
        one_line(f"  serial {run.serial}, attempt {run.attempt}, {run.program} {run.revision}"),
    )
    if run.simulated:
        line.append(", simulated")
    if run.reason:
        line.append(one_line(f"; {run.reason}"))
    return line


def show_run_of(now: Situation, where: Path, run_id: str, *, traffic: bool) -> Exit:
    """Print one run whole."""
    run = show_run(records_of(where), run_id)
    if now.as_json:
        print(json.dumps(dataclasses.asdict(run)))
        return Exit.DONE
    console = make_console()
    _header(console, run)
    for step in (*run.steps, *run.search_steps):
        _step(console, step)
    for search in run.located:
        _located(console, search)
    for alarm in run.alarms:
        _alarm(console, alarm)
    for event in run.events:
        _line(console, f"event {event.utc}: {event.what} {json.dumps(dict(event.detail))}")
    for record in run.traffic if traffic else ():
        for at_s, way, _, text in record.lines:
            _line(console, f"traffic {record.link} {at_s:.4f} {way}: {text}")
    if run.traffic and not traffic:
        console.print("bytes before a fault are on record: show them with --traffic")
    return Exit.DONE


def _line(console: Console, text: str) -> None:
    console.print(Text(one_line(text)))


def _header(console: Console, run: RunView) -> None:
    summary = run.summary
    console.print(
        Text.assemble(
            verdict(summary.outcome, console.file), one_line(f"   serial {summary.serial}")
        )
    )
    lines = {
        "run": summary.run_id,
        "why": summary.reason,
        "what to do": str(run.end.get("remedy") or ""),
        "simulated": "yes: not a test result" if summary.simulated else "no",
        "operator": summary.operator,
        "attempt": str(summary.attempt),
        "program": f"{summary.program}, revision {summary.revision}",
        "fixture": summary.fixture,
        "station": summary.station,
        "started": summary.started_utc,
        "ended": summary.ended_utc,
        "software": str(run.header.get("software_version") or ""),
    }
    for word, value in lines.items():
        if value:
            _line(console, f"{word}: {value}")
    for line in run.header.get("instruments") or ():
        who = ", ".join(str(line.get(key)) for key in _IDENTITY if line.get(key))
        _line(console, f"instrument {line.get('name')}: {who}")
    for notice in run.notices:
        _line(console, f"note: {notice}")
    for damage in summary.damage:
        _line(console, f"damage: {damage}")


def _step(console: Console, step: StepView) -> None:
    name = one_line(f"  {step.name}" + (f" ({step.kind} on {step.tester})" if step.kind else ""))
    console.print(
        Text.assemble(f"{step.index + 1:>3}  ", verdict(step.outcome, console.file), name)
    )
    if step.apply_to:
        against = ", ".join((*step.against, *step.others))
        _line(console, f"     {', '.join(step.apply_to)} against {against}")
    for reading in step.readings:
        _line(console, f"     {reading_text(reading)}")
    if step.reason:
        _line(console, f"     {step.reason}")


def _located(console: Console, search: LocatedView) -> None:
    pairs = [(pair.one, pair.other) for pair in search.candidates]
    _line(console, f"search after step {search.step + 1}, {search.name}:")
    for line in located_lines(search.ending, search.reason, search.pairs, pairs):
        _line(console, f"     {line}")


def verify_of(now: Situation, where: Path) -> Exit:
    """Print what the verification found."""
    path = records_of(where)
    report = verify(path)
    code = Exit.DONE if report.ok else Exit.DAMAGED
    if now.as_json:
        print(json.dumps({**dataclasses.asdict(report), "exit_code": int(code)}))
        return code
    console = make_console()
    for note in report.notes:
        _line(console, f"note: {note}")
    for damage in report.damages:
        console.print(Text.assemble(("damage", "alert"), one_line(f": {damage}")))
    if report.ok:
        one = report.length == 1
        agree = "1 entry agrees with the" if one else f"{report.length} entries agree with their"
        _line(console, f"{path}: {agree} chain")
    else:
        places = counted(len(report.damages), "place")
        _line(console, f"{path}: {places} where records and chain don't agree")
        _line(console, "what to do: keep the damaged files aside and find out who changed them")
    return code


def export_of(where: Path, form: str, out: Path | None, serial: str | None) -> Exit:
    """Write the export to a new file or to standard output."""
    path = records_of(where)
    export = {"csv": export_csv, "jsonl": export_jsonl, "junit": export_junit}[form]
    with _target(out) as stream:
        count = export(path, stream, serial)
    if out is not None:
        told = counted(count, "line" if form == "csv" else "run")
        _line(make_console(errors=True), f"{out}: {told}")
    return Exit.DONE


@contextmanager
def _target(out: Path | None) -> Iterator[TextIO]:
    if out is None:
        # CSV brings its own line ends (RFC 4180); Windows must not double them.
        reconfigure = getattr(sys.stdout, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(newline="")
        yield sys.stdout
        return
    try:
        stream = out.open("x", encoding="utf-8", newline="")
    except OSError as error:
        found = "a file" if isinstance(error, FileExistsError) else error.strerror or str(error)
        remedy = "name a file that doesn't exist yet, in a folder that you may write to"
        fault = Fault("the export", found, "a new file", remedy, Position(str(out)))
        raise Refused([fault]) from error
    with stream:
        yield stream


def alarms_of(now: Situation, where: Path) -> Exit:
    """Print every alarm with its reset."""
    alarms = all_alarms(records_of(where))
    if now.as_json:
        for alarm in alarms:
            print(json.dumps({**dataclasses.asdict(alarm), "latched": not alarm.reset_utc}))
        return Exit.DONE
    console = make_console()
    for alarm in alarms:
        _alarm(console, alarm)
    if not alarms:
        console.print("no alarms on record")
    return Exit.DONE


def _alarm(console: Console, alarm: AlarmView) -> None:
    _line(console, f"alarm {alarm.number}, {alarm.title}: {alarm.utc}, entry {alarm.seq}")
    _line(console, f"     why: {alarm.reason}")
    if alarm.run_id:
        _line(console, f"     run: {alarm.run_id}")
    if alarm.reset_utc:
        closed = f", seen closed: {', '.join(alarm.reset_inputs)}" if alarm.reset_inputs else ""
        _line(console, f"     reset by {alarm.reset_by}: {alarm.reset_utc}{closed}")
    else:
        console.print(Text.assemble("     ", ("latched", "alert")))
        _line(console, f"     what to do: {alarm.remedy}")
    if alarm.damage:
        _line(console, f"     damage: {alarm.damage}")


def sign_offs_of(now: Situation, where: Path) -> Exit:
    """Print every commissioning with its items."""
    sign_offs = all_sign_offs(records_of(where))
    if now.as_json:
        for stamp in sign_offs:
            print(json.dumps(dataclasses.asdict(stamp)))
        return Exit.DONE
    console = make_console()
    for stamp in sign_offs:
        _sign_off(console, stamp)
    if not sign_offs:
        console.print("no commissioning on record")
    return Exit.DONE


def _sign_off(console: Console, stamp: SignOffView) -> None:
    how = "complete" if stamp.valid else "INCOMPLETE: no sign-off"
    real = ", simulated instruments" if stamp.simulated else ""
    _line(console, f"commissioned by {stamp.by}: {stamp.utc}, {how}{real}")
    if stamp.damage:
        _line(console, f"     damage: {stamp.damage}")
    for item in stamp.body.get("items") or ():
        word = str(item.get("outcome")).replace("_", " ")
        _line(console, f"     {word}: {item.get('name')}. {item.get('seen') or ''}".rstrip())
    budgets = dict(stamp.body.get("budget_s") or {})
    told = ", ".join(f"{name} {float(seconds):.3f} s" for name, seconds in budgets.items())
    measured_s = stamp.body.get("measured_s")
    measured = "not measured" if measured_s is None else f"measured {float(measured_s):.3f} s"
    _line(console, f"     stop time: {measured}; budget: {told or 'none'}")
    for name, who in dict(stamp.body.get("instruments") or {}).items():
        told = ", ".join(str(who.get(key)) for key in _IDENTITY if who.get(key))
        _line(console, f"     instrument {name}: {told}")
    for name, digest in dict(stamp.body.get("hashes") or {}).items():
        _line(console, f"     SHA-256 of {name.replace(':', ' ')}: {digest}")


def relays_of(now: Situation, where: Path) -> Exit:
    """Print how often each contact has closed."""
    totals = relay_totals(records_of(where))
    if now.as_json:
        print(json.dumps(dict(totals)))
        return Exit.DONE
    console = make_console()
    for contact, count in sorted(totals.items()):
        _line(console, f"{count:>9}  {contact}")
    if not totals:
        console.print("no closings on record")
    return Exit.DONE
