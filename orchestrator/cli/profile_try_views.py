"""How a trial is shown: item by item, the bytes beside what was read out of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rich.text import Text

from orchestrator.assembly.bring_up_proof import Proved
from orchestrator.cli.failures import one_line
from orchestrator.cli.screen import make_console

STYLES = {"proved": "", "not proved": "strong", "failed": "alert"}
WAYS = {"sent": ">", "received": "<"}


class TrialScreen:
    """Shows items as they are made, and the report at the end."""

    def __init__(self, *, hexadecimal: bool, brief: bool) -> None:
        self._hexadecimal, self._brief = hexadecimal, brief
        self._console = make_console()

    def item(self, item: Any) -> None:
        """One item: outcome, place in the profile, manual, bytes, fields, what is wrong."""
        place = "" if item.position is None else f"  line {item.position.line}"
        manual = f"  manual: {item.manual}" if item.manual else ""
        head = Text(f"{item.outcome:<11}", STYLES[item.outcome])
        self._print(head.append(one_line(f"{item.what}{place}{manual}"), ""))
        if not (self._brief and item.outcome == "proved"):
            for way, data in item.traffic:
                self._print(f"    {WAYS[way]} {visible(data)}")
                if self._hexadecimal:
                    self._print(f"      {data.hex(' ')}")
            for name, value in item.parsed:
                self._print(one_line(f"      {name} = {value}"))
        for told in item.told:
            self._print(Text(one_line(f"    ! {told}"), STYLES[item.outcome]))

    def end(self, proved: Proved, path: Path) -> None:
        """Counts, what isn't proved, who it was, where the report lies."""
        who = proved.instrument
        named = [who.maker, who.model]
        named += [f"serial number {who.serial}"] if who.serial else []
        named += [f"firmware {who.firmware}"] if who.firmware else []
        named += ["simulated"] if who.simulated else []
        self._print("")
        self._print(f"Tried on {', '.join(n for n in named if n) or 'nobody'}, {proved.utc}")
        seen: set[str] = set()
        for outcome in ("failed", "not proved"):
            listed = [item for item in proved.items if item.outcome == outcome]
            if listed:
                self._print(Text(f"{outcome} ({len(listed)})", STYLES[outcome]))
            for item in listed:
                self._print(one_line(f"  {item.what}: {_once(item.told, seen)}"))
        if proved.ended_early:
            self._print(Text(one_line(f"ended early: {proved.ended_early}"), "alert"))
        self._print(
            f"{proved.count('proved')} proved, {proved.count('not proved')} not proved, "
            f"{proved.count('failed')} failed; report: {path}"
        )

    def _print(self, text: str | Text) -> None:
        shown = Text(text) if isinstance(text, str) else text
        self._console.print(shown, soft_wrap=True)


def _once(told: tuple[str, ...], seen: set[str]) -> str:
    """Each sentence in full the first time; who reads a report looks for what is new."""
    fresh = [sentence for sentence in told if sentence not in seen]
    seen.update(told)
    return "; ".join(fresh) or "as above"


def visible(data: bytes) -> str:
    """Bytes as a profile writes them: 'QT\\r'."""
    return "'" + data.decode("latin-1").encode("unicode_escape").decode("ascii") + "'"
