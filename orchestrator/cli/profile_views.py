"""What ``ohmward profile check`` prints. The checker is found by entry point, like drivers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.assembly.plugins import plugin
from orchestrator.cli.codes import Exit
from orchestrator.cli.files import read_files
from orchestrator.cli.screen import make_console
from orchestrator.errors import Fault, Position, Refused

if TYPE_CHECKING:
    from orchestrator.cli.files import Files

CHECKERS = "ohmward.checkers"


def check_profile(
    file: Path, station: Path | None, program: Path | None, fixture: Path | None
) -> Exit:
    """Print the report, and with a station and a program the bytes.

    Raises:
        Refused: no such profile, faults of the three other files.
    """
    if (station is None) != (program is None):
        found = "only one of the two"
        remedy = "give both, or neither"
        raise Refused([Fault("--station and --program", found, "both or neither", remedy)])
    document = _load(file)
    report = plugin(CHECKERS, "check")(document)
    console = make_console()
    console.print(plugin(CHECKERS, "render")(report), end="")
    if station is not None and report.sound:
        _preview(document.file, station, read_files(station, program, fixture))
    return Exit.DONE if report.sound else Exit.REFUSED


def _load(file: Path) -> Any:
    try:
        return plugin(CHECKERS, "load")(file)
    except (OSError, UnicodeDecodeError) as error:
        expected, remedy = "a profile as UTF-8 text", "check the path and save the file as UTF-8"
        fault = Fault("the profile", str(error), expected, remedy, Position(str(file)))
        raise Refused([fault]) from error


def _preview(file: str, station: Path, files: Files) -> None:
    """Print what the instruments of this profile would be sent."""
    load, preview, plan = plugin(CHECKERS, "load"), plugin(CHECKERS, "preview"), files.plan
    testers: dict[str, Any] = {}
    chains: dict[str, Any] = {}
    for name, tester in plan.station.testers.items():
        inside = [c for c, entry in plan.station.chains.items() if entry.built_in == name]
        units = plan.chains[inside[0]].addresses if inside else {}
        testers[name] = preview.FittedTester(load(tester.profile, plan.folder), units)
    for name, chain in plan.station.chains.items():
        if chain.built_in is None:
            document = load(chain.profile, plan.folder)
            chains[name] = preview.FittedChain(
                document, plan.chains[name].addresses, chain.carried_by
            )
    ours = [f"tester {name}: " for name, fitted in testers.items() if _same(fitted, file)]
    ours += [f"chain {name}: " for name, fitted in chains.items() if _same(fitted, file)]
    if not ours:
        expected, remedy = "a station with it", "name a station that uses this profile"
        raise Refused([Fault("the profile", f"unused by {station}", expected, remedy)])
    console = make_console()
    console.print("\nBytes that the program would send")
    for what, data in preview.wire_preview(testers, chains, files.bind()):
        if any(name in what for name in ours):
            console.print(f"  {what}\n      {data!r}")


def _same(fitted: Any, file: str) -> bool:
    """Whether an instrument's profile is this very file."""
    return Path(fitted.document.file).resolve() == Path(file).resolve()
