"""The demo's stations: files in a working folder, simulated instruments served on real links."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

from orchestrator.assembly.plan import StationPlan, plan_station
from orchestrator.assembly.plugins import BENCHES, plugin
from orchestrator.clock import Clock
from orchestrator.documents import Document, read_document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.station import Station
from orchestrator.resources import resource_folder

_LINK_LINE = re.compile(r"^( *link: )\{.*\}  # demo: (\S+)$", re.MULTILINE)


class Served(AbstractContextManager["Served"], Protocol):
    """What the demo needs of a served bench (entry point 'served' of group 'ohmward.benches')."""

    bench: Any
    links: Mapping[str, str]

    @property
    def violations(self) -> tuple[object, ...]:
        """What must never have happened, so far."""
        ...

    def load_unit(self, path: Path) -> None:
        """Put another unit under test in."""
        ...


@dataclass(frozen=True)
class Files:
    """The demo's files in its working folder."""

    folder: Path
    program: Document[Program]
    fixture: Document[Fixture]

    def station(self, letter: str) -> Path:
        """A station's file."""
        return self.folder / f"station_{letter.lower()}.yaml"


def lay_out(keep: Path | None) -> Files:
    """Copy the demo's files into a new folder; ``keep`` names it, else it is a temporary one.

    Raises:
        Refused: the folder holds something or can't be written.
    """
    try:
        if keep is None:
            folder = Path(tempfile.mkdtemp(prefix="ohmward-demo-"))
        else:
            folder = keep
            if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
                raise _refused(folder, "something in its place already")
            folder.mkdir(parents=True, exist_ok=True)
        for source in sorted((resource_folder("examples") / "demo").iterdir()):
            # Bytes only: files of a read-only installation would stay read-only otherwise.
            (folder / source.name).write_bytes(source.read_bytes())
    except OSError as error:
        raise _refused(keep or Path(tempfile.gettempdir()), error.strerror or str(error)) from error
    return Files(
        folder,
        read_document(folder / "program.yaml", Program),
        read_document(folder / "fixture.yaml", Fixture),
    )


def _refused(folder: Path, found: str) -> Refused:
    remedy = "name a folder that doesn't exist yet and that you may write to"
    what = "the demo's folder"
    return Refused([Fault(what, found, "a new or empty folder", remedy, Position(str(folder)))])


def serve(files: Files, letter: str, clock: Clock) -> Served:
    """Serve the instruments of a station, and write where they are into its file.

    Raises:
        Refused: a faulty station file, or an instrument that can't be served.
    """
    path = files.station(letter)
    # On paper first: which instruments there are, and their addresses.
    plan = plan_station(read_document(path, Station), files.folder)
    addresses = {name: chain.addresses for name, chain in plan.chains.items()}
    make = plugin(BENCHES, "served")
    served = cast("Served", make(plan.station, files.fixture.model, addresses, clock=clock))
    text = path.read_text(encoding="utf-8")
    path.write_text(with_links(text, served.links), encoding="utf-8")
    return served


def with_links(text: str, links: Mapping[str, str]) -> str:
    """A station file's text with the links in its lines marked ``# demo: NAME`` replaced.

    Raises:
        ValueError: the marked lines aren't those of the instruments served.
    """
    marked = sorted(found[2] for found in _LINK_LINE.finditer(text))
    if marked != sorted(links):
        raise ValueError(f"lines marked {marked}, instruments served {sorted(links)}")
    return _LINK_LINE.sub(lambda line: f"{line[1]}{links[line[2]]}  # demo: {line[2]}", text)


def read_station(files: Files, letter: str) -> StationPlan:
    """The station as its file now says. Raises Refused."""
    return plan_station(read_document(files.station(letter), Station), files.folder)
