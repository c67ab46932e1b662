"""``ohmward profile try``: an instrument's profile tried on the instrument itself."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

LINK_HELP = "tcp:HOST:PORT, serial:PORT[,BAUD], visa:RESOURCE or simulated:NAME."


def try_command(  # noqa: PLR0917 - an option each, never called by position
    file: Annotated[Path, typer.Argument(help="Profile file, or the name of a shipped profile.")],
    link: Annotated[str, typer.Option(help=LINK_HELP)] = "",
    address: Annotated[
        int | None, typer.Option(help="Of instrument or unit, where messages carry one.")
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Don't ask; only for what answers as simulated.")
    ] = False,
    relays: Annotated[
        bool,
        typer.Option("--relays", help="Relays may be closed: nothing is connected to them."),
    ] = False,
    wrong_command: Annotated[
        str,
        typer.Option(help="A harmless command that the manual says is refused, to see a refusal."),
    ] = "",
    hexadecimal: Annotated[
        bool, typer.Option("--hex", help="Show every byte in hexadecimal too.")
    ] = False,
    brief: Annotated[
        bool, typer.Option("--brief", help="Show in full only what isn't proved.")
    ] = False,
    report: Annotated[
        Path | None, typer.Option(help="File of the report; else beside the profile.")
    ] = None,
    energise: Annotated[
        bool, typer.Option("--energise", help="One start on a dummy load, at a station.")
    ] = False,
    station: Annotated[
        Path | None, typer.Option(help="With --energise: whose interlock guards the start.")
    ] = None,
    fixture: Annotated[
        Path | None, typer.Option(help="With --energise: fixture file, if not the station's own.")
    ] = None,
    kind: Annotated[str, typer.Option(help="With --energise: kind of test, e.g. insulation.")] = "",
    points: Annotated[
        str, typer.Option(help="With --energise: the two points of the dummy load: a,b.")
    ] = "",
    dummy_load: Annotated[
        str, typer.Option(help="With --energise: its resistance, e.g. 10kohm.")
    ] = "",
) -> None:
    """Try a profile on ONE instrument, its output locked out.

    Sends the stop, confirms off, identifies, then sends every harmless message with made-up values
    and reads it back: bytes, what was read out of them, and the manual's section noted in the
    profile. Never starts anything; --energise runs one start on a dummy load through a station
    and its interlock. Exit code 3 if anything failed.
    """

    def body(now: Situation) -> Exit:
        if energise:
            from orchestrator.cli.profile_try_start import StartArguments, start_once

            wish = StartArguments(file, station, fixture, kind, points, dummy_load, yes, report)
            return start_once(now, wish)
        return _try(
            now, file, link, address, yes, relays, wrong_command, hexadecimal, brief, report
        )

    raise typer.Exit(guarded(body))


def _try(  # noqa: PLR0917
    now: Situation,
    file: Path,
    link: str,
    address: int | None,
    yes: bool,
    relays: bool,
    wrong_command: str,
    hexadecimal: bool,
    brief: bool,
    report: Path | None,
) -> Exit:
    from orchestrator.assembly.bring_up import CAUTIONS, TryWish, load_profile, try_profile
    from orchestrator.assembly.bring_up_proof import proof_file, write_proof
    from orchestrator.cli.profile_try_views import TrialScreen
    from orchestrator.errors import Fault, Refused

    if not link:
        raise Refused([Fault("--link", "nothing", LINK_HELP, "say how the instrument is reached")])
    document = load_profile(file)
    print(CAUTIONS, file=sys.stderr, flush=True)
    wish = TryWish(document, link, address, yes, relays, wrong_command)
    screen = TrialScreen(hexadecimal=hexadecimal, brief=brief)
    came = try_profile(wish, ask=ask_person, tell=screen.item)
    path = report or proof_file(Path(document.file))
    write_proof(path, came.proved)
    screen.end(came.proved, path)
    return Exit.DONE if came.ok else Exit.NO_VERDICT


def ask_person(question: str) -> bool:
    """Ask on standard error; only 'yes', spelt out, is a yes. Raises Refused: nobody answers."""
    from orchestrator.assembly.gate import NO_ANSWER
    from orchestrator.errors import Refused

    print(f"{question} Type yes to go on: ", end="", file=sys.stderr, flush=True)
    try:
        answer = sys.stdin.readline()
    except (OSError, ValueError, AttributeError):  # closed, or no standard input at all
        answer = ""
    if not answer:
        print(file=sys.stderr, flush=True)
        raise Refused([NO_ANSWER])
    return answer.strip().lower() == "yes"


def tell_marks(file: Path) -> int:
    """List the places of a scaffold that are still to be filled in; how many there are."""
    from orchestrator.assembly.bring_up import load_profile, marks_of

    marks = marks_of(load_profile(file))
    if marks:
        print(
            f"\nTo fill in ({len(marks)}): it holds together as text, but is not to be used before"
        )
    for fault in marks:
        place = "" if fault.position is None else f"{fault.position}: "
        print(f"  {place}{fault.what}: {fault.expected}")
    return len(marks)


def proof_line(file: Path) -> str:
    """What 'profile check' adds: whether this profile was ever proved on an instrument."""
    from orchestrator.assembly.bring_up import load_profile
    from orchestrator.assembly.bring_up_proof import proof_file, proof_words, read_proof

    document: Any = load_profile(file)
    return proof_words(read_proof(proof_file(Path(document.file))), document.sha256)
