"""What a trial proved, kept beside the profile: on which instrument, when, and of which text."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import yaml

from orchestrator.documents import Strict, YesNo, read_document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.resources import resource_folder

Outcome = Literal["proved", "not proved", "failed"]
SUFFIX = ".proved.yaml"


class ProvedInstrument(Strict):
    """Who answered, in its own words."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    simulated: YesNo = False


class ProvedItem(Strict):
    """One thing tried. ``line``: of the profile, as it was then."""

    what: str
    outcome: Outcome
    line: str = ""
    told: tuple[str, ...] = ()


class ProvedStart(Strict):
    """A start on a dummy load: what was asked and what came of it."""

    station: str
    run_id: str
    kind: str
    level: str
    dummy_load: str
    read: str
    expected: str
    outcome: Outcome
    told: tuple[str, ...] = ()
    utc: str


class Proved(Strict):
    """A whole report. ``sha256``: of the profile's bytes that were tried."""

    proved: Literal["1"]
    profile: str
    sha256: str
    utc: str
    link: str
    instrument: ProvedInstrument
    ended_early: str = ""
    items: tuple[ProvedItem, ...] = ()
    starts: tuple[ProvedStart, ...] = ()

    def count(self, outcome: Outcome) -> int:
        """How many items came out so."""
        return sum(item.outcome == outcome for item in self.items)


def proof_file(profile: Path) -> Path:
    """Where the report of a profile lies: beside it; for a shipped one, in the current folder."""
    name = profile.stem + SUFFIX
    shipped = resource_folder("profiles").resolve() in profile.resolve().parents
    return Path(name) if shipped else profile.with_name(name)


def write_proof(path: Path, proved: Proved) -> None:
    """Write a report. Raises Refused where that can't be done."""
    text = "# Written by 'ohmward profile try'; 'ohmward profile check' reads it.\n"
    data = proved.model_dump(mode="json", exclude_defaults=True)
    text += yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=100)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        expected, remedy = "a file that can be written", "name another one with --report"
        fault = Fault("the report", str(error), expected, remedy, Position(str(path)))
        raise Refused([fault]) from error


def read_proof(path: Path) -> Proved | None:
    """The report, or ``None`` where there is none. Raises Refused: it can't be read."""
    return read_document(path, Proved).model if path.is_file() else None


def with_starts(proved: Proved, before: Proved | None) -> Proved:
    """Starts on a dummy load stay known while profile and instrument are the same."""
    same = before is not None and before.sha256 == proved.sha256
    if before is None or not same or before.instrument != proved.instrument:
        return proved
    return proved.model_copy(update={"starts": before.starts})


def proof_words(proved: Proved | None, sha256: str) -> str:
    """'proved on firmware 1.4, serial … on 2025-…' or why it isn't."""
    if proved is None:
        return "proved: never tried on an instrument (ohmward profile try)"
    who = proved.instrument
    parts = [f"firmware {who.firmware}" if who.firmware else "an instrument without firmware told"]
    parts += [f"serial number {who.serial}"] if who.serial else []
    parts += ["simulated"] if who.simulated else []
    when = proved.utc[:10]
    counted = (
        f"{proved.count('proved')} proved, {proved.count('not proved')} not proved, "
        f"{proved.count('failed')} failed"
    )
    place = f"{', '.join(parts)} on {when}"
    if proved.sha256 != sha256:
        return f"proved: the profile has changed since it was tried ({place}); try it again"
    if proved.ended_early or proved.count("failed"):
        return f"proved: not yet; last tried on {place}: {counted}"
    starts = sum(start.outcome == "proved" for start in proved.starts)
    energised = f", {starts} on a dummy load" if starts else ", never started"
    return f"proved on {place}: {counted}{energised}"
