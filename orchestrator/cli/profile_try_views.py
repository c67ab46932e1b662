"""How a trial is shown: item by item, the bytes beside what was read out of them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from rich.text import Text

from orchestrator.assembly.bring_up_proof import Proved
from orchestrator.cli.failures import one_line
from orchestrator.cli.screen import make_console

STYLES = {"proved": "", "not proved": "strong", "failed": "alert"}
_PLACE = re.compile(r"^(setup \d+|stored|count|clear_tail): ")
MISTAKES = (
    "wrong terminator",
    "wrong checksum",
    "wrong echo",
    "wrong identity",
    "wrong field order",
    "unknown word",
    "times what was sent",
    "the ratio is",
    "a refusal would go unnoticed",
)
"""What a sentence of the trial says where it names a mistake, not only what follows from one."""
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
                first, *more = _fresh(item.told, seen) or ["as above"]
                self._print(one_line(f"  {item.what}: {first}"))
                for told in more:
                    self._print(one_line(f"    {told}"))
        self._likely(proved)
        if proved.ended_early:
            self._print(Text(one_line(f"ended early: {proved.ended_early}"), "alert"))
        self._print(
            f"{proved.count('proved')} proved, {proved.count('not proved')} not proved, "
            f"{proved.count('failed')} failed; report: {path}"
        )

    def _likely(self, proved: Proved) -> None:
        """The sentences that name a mistake of the profile, each once, with its line."""
        named: dict[str, str] = {}
        for item in proved.items:
            for told in item.told if item.outcome == "failed" else ():
                bare = _PLACE.sub("", told)
                if any(word in bare for word in MISTAKES):
                    named.setdefault(bare, f"{item.what}, line {item.line}")
        if named:
            self._print(Text("most likely wrong in the profile", "strong"))
        for told, where in named.items():
            self._print(one_line(f"  {told} ({where})"))

    def _print(self, text: str | Text) -> None:
        shown = Text(text) if isinstance(text, str) else text
        self._console.print(shown, soft_wrap=True)


def _fresh(told: tuple[str, ...], seen: set[str]) -> list[str]:
    """Each sentence in full the first time; who reads a report looks for what is new."""
    fresh = [sentence for sentence in told if _PLACE.sub("", sentence) not in seen]
    seen.update(_PLACE.sub("", sentence) for sentence in told)
    return fresh


def visible(data: bytes) -> str:
    """Bytes with the escapes that a profile has for them."""
    return "'" + data.decode("latin-1").encode("unicode_escape").decode("ascii") + "'"
