"""``ohmward plan``: from a product to a program, in the fewest tests, with every figure."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from orchestrator.cli.check import FIXTURE_HELP
from orchestrator.cli.codes import HELP, Exit
from orchestrator.cli.failures import Situation, guarded

if TYPE_CHECKING:
    from collections.abc import Iterator

    from orchestrator.cli.files import Files
    from orchestrator.documents import Document
    from orchestrator.errors import Refused
    from orchestrator.model.demands import Demands
    from orchestrator.model.program import Program
    from orchestrator.model.schedule import Schedule
    from orchestrator.planning.plan import Plan

PLANNED = "the planned program"
EPILOG = (
    "Without --out the program is printed on standard output and all else on standard error. A "
    "plan is a proposal: whoever answers for the product's safety checks it against the standard "
    "in force. " + HELP
)


def plan_command(  # noqa: PLR0917 - a command's options come by name
    product: Annotated[Path, typer.Argument(help="Product file.")],
    out: Annotated[Path | None, typer.Option("--out", help="Write the program here.")] = None,
    station: Annotated[
        Path | None,
        typer.Option(
            help="Station file: its testers' reach and accuracy count in planning, and the program "
            "is bound to it, as check does."
        ),
    ] = None,
    fixture: Annotated[Path | None, typer.Option(help=FIXTURE_HELP)] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Tell the figures behind each step and each lead.")
    ] = False,
    keep_gaps: Annotated[
        bool,
        typer.Option(
            "--keep-gaps",
            help="Plan what can be planned and list what can't; no program is written while a gap "
            "is left.",
        ),
    ] = False,
    replacing: Annotated[
        bool, typer.Option("--replace", help="Let --out replace a file that exists.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object on standard output.")
    ] = False,
) -> None:
    """Decide which points to test against which, and write the program.

    Every demanded pair stands on opposite sides of a test at its level or above; pairs that mustn't
    see a level never do. Tells the number of tests, its proved lower bound, and what one net
    against all others would take.
    """

    def work(now: Situation) -> Exit:
        from orchestrator.cli.outputs import check_output

        if out is not None:
            check_output("--out", out, (product, station, fixture), replace=replacing)
        return _plan(now, product, out, station, fixture, explain=explain, keep_gaps=keep_gaps)

    raise typer.Exit(guarded(work, Situation(as_json=as_json)))


def _plan(
    now: Situation,
    product: Path,
    out: Path | None,
    station: Path | None,
    fixture: Path | None,
    *,
    explain: bool,
    keep_gaps: bool,
) -> Exit:
    from orchestrator.assembly.planning_limits import check_points, planning_limits
    from orchestrator.cli.files import read_files
    from orchestrator.cli.outputs import write_output
    from orchestrator.model.resolve import read_demands
    from orchestrator.planning.planner import plan

    if fixture is not None and station is None:
        raise _fixture_alone(fixture)
    files = None if station is None else read_files(station, None, fixture)
    demands = read_demands(product)
    if files is not None:
        check_points(demands, files.fixture)
    limits = None if files is None else planning_limits(files.plan)
    made = plan(demands, limits, keep_gaps=keep_gaps)
    proof = None if made.gaps else _proved(made, demands, out, files)
    code = Exit.DONE if proof is not None and proof.complete else Exit.NO_VERDICT
    # Nothing that may not be run as it is replaces what stands there.
    if out is not None and proof is not None and (proof.complete or keep_gaps):
        write_output("--out", out, proof.text)
    if now.as_json:
        print(json.dumps(_as_data(made, proof, code)))
        return code
    from orchestrator.cli.screen import make_console

    console = make_console(errors=out is None)
    for line in _told(made, demands, proof, explain=explain):
        console.print(line)
    if proof is None:
        console.print("no program is written while a gap is left")
    elif not proof.complete and not keep_gaps:
        console.print("no program is written while coverage finds something (--keep-gaps does)")
    elif out is None:
        print(proof.text, end="")
    else:
        console.print(f"written: {out}")
    return code


@dataclass(frozen=True)
class _Proof:
    """The program as text, bound to a station if one was named, and what coverage, which shares no
    code with the planner, says of it."""

    text: str
    schedule: Schedule | None
    complete: bool
    findings: tuple[str, ...]


def _proved(made: Plan, demands: Demands, out: Path | None, files: Files | None) -> _Proof:
    """The plan's own text, read back, bound and judged. Raises Refused with every fault."""
    from orchestrator.coverage.cover import cover
    from orchestrator.coverage.words import findings
    from orchestrator.documents import parse_document
    from orchestrator.model.program import Program
    from orchestrator.planning.writing import program_text

    text = program_text(made, demands)
    name = PLANNED if out is None else str(out)
    program = parse_document(text, name, Program)
    schedule = None if files is None else _bound(program, files)
    found = cover(demands, program, schedule)
    return _Proof(text, schedule, found.complete, tuple(findings(found)))


def _bound(program: Document[Program], files: Files) -> Schedule:
    """Raises Refused: with every fault once, that of a search's widest step left out beside its
    step's own. Places in a program that nobody has are left out; each fault names its step."""
    from orchestrator.errors import Refused

    try:
        return files.plan.bind(program, files.fixture)
    except Refused as refused:
        told = [
            replace(fault, position=None)
            if fault.position is not None and fault.position.file == program.file
            else fault
            for fault in refused.faults
        ]
        own = [fault for fault in told if "step 'search of step " not in fault.what]
        raise Refused(own or told) from None


def _fixture_alone(fixture: Path) -> Refused:
    from orchestrator.errors import Fault, Position, Refused

    remedy = "add --station: a fixture says nothing without one"
    at = Position(str(fixture))
    return Refused((Fault("--fixture", "no --station", "a station", remedy, at),))


def _told(made: Plan, demands: Demands, proof: _Proof | None, *, explain: bool) -> Iterator[str]:
    from orchestrator.fault_words import counted
    from orchestrator.planning.writing import count_words

    nets, points = len(demands.nets), sum(len(net.points) for net in demands.nets)
    sizes = f"{counted(nets, 'net')}, {counted(points, 'point')}"
    yield f"product {made.product}, revision {made.revision}: {sizes}"
    for count in made.counts:
        yield count_words(count)
    for tour in made.tours:
        least = "no order takes fewer" if tour.exact else f"proved: at least {tour.least}"
        told = f"{counted(tour.tests, 'test')} in order, {tour.operations} relay operations"
        yield f"{tour.kind.value}: {told} ({least})"
    for notice in made.notices:
        yield f"note: {notice}"
    for gap in made.gaps:
        yield f"GAP: {gap}"
    if explain:
        yield from _reasons(made)
    steps = counted(len(made.steps), "step")
    held_s = f"{made.predicted_s:.1f} s of rise, dwell and fall"
    yield f"{steps}, about {made.estimated_s:.0f} s: {held_s}"
    if proof is None:
        return
    if (bound := proof.schedule) is not None:
        yield f"bound to station {bound.station} with fixture {bound.fixture}: no fault found"
        yield from (f"note: {notice}" for notice in bound.notices if notice not in made.notices)
    if proof.complete:
        yield "coverage, which shares no code with the planner: complete"
    for finding in proof.findings:
        yield f"coverage finds: {finding}"


def _reasons(made: Plan) -> Iterator[str]:
    for number, step in enumerate(made.steps, 1):
        yield f"{number}. {step.name} ({step.kind.value}), about {step.estimated_s:.1f} s"
        for covered in step.covers:
            yield f"    covers {covered.pairs} of {covered.of}: {covered.told}"
        yield from (f"    {reason}" for reason in step.reasons)
    yield "how a lead that has come off would show:"
    for proof in made.contacts:
        yield f"    {proof.point}: {proof.words}"


def _as_data(made: Plan, proof: _Proof | None, code: Exit) -> dict[str, Any]:
    from orchestrator.cli.jsonl import plain

    told: dict[str, Any] = plain(made)
    told |= {"kind": "planned", "ok": code is Exit.DONE, "exit_code": int(code)}
    told |= {"predicted_s": made.predicted_s, "estimated_s": made.estimated_s}
    bound = None if proof is None or proof.schedule is None else proof.schedule.station
    told |= {"text": "" if proof is None else proof.text, "bound": bound}
    return told | {"findings": [] if proof is None else list(proof.findings)}
