"""``ohmward profile try``: an instrument's profile tried on the instrument itself."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

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
        str, typer.Option(help="A harmless command that is refused, says the manual.")
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
    and reads it back. Never starts anything; --energise runs one start on a dummy load through a
    station and its interlock. Exit code 3 if anything failed.
    """

    wish = TryArguments(file, link, address, yes, relays, wrong_command, hexadecimal, brief, report)

    def body(now: Situation) -> Exit:
        if not energise:
            return _try(wish)
        from orchestrator.cli.profile_try_start import StartArguments, start_once

        start = StartArguments(file, station, fixture, kind, points, dummy_load, yes, report)
        return start_once(now, start)

    raise typer.Exit(guarded(body))


@dataclass(frozen=True)
class TryArguments:
    """What was asked for on the command line."""

    file: Path
    link: str
    address: int | None
    yes: bool
    relays: bool
    wrong_command: str
    hexadecimal: bool
    brief: bool
    report: Path | None


def _try(asked: TryArguments) -> Exit:
    from orchestrator.assembly.bring_up import CAUTIONS, TryWish, load_profile, try_profile
    from orchestrator.assembly.bring_up_proof import (
        proof_file,
        read_proof,
        with_starts,
        write_proof,
    )
    from orchestrator.cli.profile_proof import ask_person
    from orchestrator.cli.profile_try_views import TrialScreen
    from orchestrator.errors import Fault, Refused

    if not asked.link:
        raise Refused([Fault("--link", "nothing", LINK_HELP, "say how the instrument is reached")])
    document = load_profile(asked.file)
    print(CAUTIONS, file=sys.stderr, flush=True)
    wish = TryWish(
        document, asked.link, asked.address, asked.yes, asked.relays, asked.wrong_command
    )
    screen = TrialScreen(hexadecimal=asked.hexadecimal, brief=asked.brief)
    came = try_profile(wish, ask=ask_person, tell=screen.item)
    path = asked.report or proof_file(Path(document.file))
    came.proved = with_starts(came.proved, read_proof(path))
    write_proof(path, came.proved)
    screen.end(came.proved, path)
    return Exit.DONE if came.ok else Exit.NO_VERDICT
