"""``ohmward address``: how an address switch must stand, or what it shows."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

CHECKERS = "ohmward.checkers"


def address_command(
    profile: Annotated[
        Path, typer.Option("--profile", help="Profile file, or the name of a shipped profile.")
    ],
    address: Annotated[int | None, typer.Argument(help="The address to draw.")] = None,
    switches: Annotated[
        str | None,
        typer.Option(help="Instead of an address: how the switch stands, e.g. 'up up down'."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object on standard output.")
    ] = False,
) -> None:
    """Draw how the address switch of a relay unit must stand; connects to nothing.

    With --switches it tells the address instead. Positions come in printed order, position 1
    first; order, polarity and offset are the profile's.
    """
    situation = Situation(as_json=as_json)
    raise typer.Exit(guarded(lambda now: draw(now, profile, address, switches), situation))


def draw(now: Situation, profile: Path, address: int | None, switches: str | None) -> Exit:
    """Read the profile, draw. Raises Refused."""
    from orchestrator.assembly.plugins import plugin
    from orchestrator.errors import Fault, Refused

    if (address is None) == (switches is None):
        found = "both" if address is not None else "neither"
        remedy = "write the address, or --switches with a word for each position"
        raise Refused([Fault("what to draw", found, "an address or --switches", remedy)])
    report = plugin(CHECKERS, "switches")(profile)
    number: int = address if address is not None else report.read(switches)
    stands = report.stands(number)
    if now.as_json:
        print(json.dumps(_as_json(report, number, stands)))
        return Exit.DONE
    from orchestrator.cli.screen import make_console
    from orchestrator.cli.switch_drawing import drawing, sum_of

    console = make_console()
    console.print(f"{report.profile}: address {number} (of {report.least} to {report.most})")
    console.print()
    for line in drawing(stands, console.file):
        console.print(f"  {line}")
    console.print()
    console.print(f"'{report.on}' counts: {sum_of(stands, report.offset, number)}")
    console.print(f"in a station file: switches: {words(stands)}")
    return Exit.DONE


def words(stands: Any) -> str:
    """'up up down', as a station file writes it."""
    return " ".join(position.word for position in stands)


def positions_json(stands: Any) -> list[dict[str, Any]]:
    """Each position for machines."""
    return [
        {"position": p.number, "stands": p.word, "counts": p.counts, "worth": p.worth}
        for p in stands
    ]


def _as_json(report: Any, address: int, stands: Any) -> dict[str, Any]:
    return {
        "kind": "address",
        "ok": True,
        "exit_code": 0,
        "profile": report.profile,
        "address": address,
        "least": report.least,
        "most": report.most,
        "offset": report.offset,
        "switches": words(stands),
        "positions": positions_json(stands),
    }
