"""The demo program at three stations, on simulated links: each tester with its own relay matrix.

Program, fixture and units are the shipped ones, stations A and B too, with simulated links in place
of the served ones. The third station is written here, so that the carried matrix is swept as well.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from drivers.adapters import building
from orchestrator.assembly.plan import StationPlan, plan_station
from orchestrator.documents import Document, read_document
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.schedule import Schedule
from orchestrator.model.station import Station
from orchestrator.resources import resource_folder
from tests.faults.fixtures import LOADERS

STATION_C = """\
name: Larkfield line, station C
testers:
  stave: {profile: stave, simulated: yes, link: {kind: simulated, instrument: stave}}
chains:
  sprig:
    profile: sprig
    simulated: yes
    carried_by: stave
    units:
      - name: box
        feeds:
          mix: {source: stave.output, return: stave.return}
          heavy: {source: stave.high_current_output, return: stave.high_current_return}
          sense: {source: stave.sense_high, return: stave.sense_low}
interlock:
  - {name: tester's door contact, source: {kind: tester, tester: stave}}
  - {name: guard switch, source: {kind: simulated}}
relay_settle: 10 ms
"""
POSITIONS = "positions:\n" + "".join(
    f"  {letter}{n}: sprig/box/{bank}/{n}\n"
    for letter, bank in (("H", "mix"), ("C", "heavy"), ("S", "sense"))
    for n in range(1, 11)
)
_LINK = re.compile(r"^( *link: )\{.*\}  # demo: (\S+)$", re.MULTILINE)
_RECORDS = re.compile(r"^records: .*$", re.MULTILINE)


class Made(NamedTuple):
    """The instruments of a site, and how its tester is told to stop (the prose in profiles/)."""

    tester: str
    chain: str
    stop: bytes
    carried: bool = False


SITES = {
    "A": Made("orrin", "lattice", b"TASK:HALT"),
    "B": Made("pell", "comb", b"ST"),
    "C": Made("stave", "sprig", b"QUIT", carried=True),
}


def read_profiles_once() -> None:
    """Frozen documents, read for thousands of stations; for a process that only sweeps."""
    for name, load in LOADERS.items():
        setattr(building, name, lambda file, _folder, load=load: load(file))


class Site:
    """One station on paper: files written and read once, bound once, planned anew for each run."""

    def __init__(self, letter: str, folder: Path, unit: str = "good") -> None:
        self.letter, self.made = letter, SITES[letter]
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        demo = resource_folder("examples") / "demo"
        for name in ("program.yaml", "fixture.yaml", f"{unit}.yaml"):
            (folder / name).write_bytes((demo / name).read_bytes())
        path = folder / "station.yaml"
        path.write_text(_station_text(letter, demo) + f"simulated_unit: {unit}.yaml\n", "utf-8")
        self.program: Document[Program] = read_document(folder / "program.yaml", Program)
        self.fixture: Document[Fixture] = read_document(folder / "fixture.yaml", Fixture)
        self._station: Document[Station] = read_document(path, Station)
        self.schedule: Schedule = self.plan().bind(self.program, self.fixture)

    def plan(self) -> StationPlan:
        """Adapters that have seen nothing yet."""
        return plan_station(self._station, self.folder)


def _station_text(letter: str, demo: Path) -> str:
    if letter == "C":
        return STATION_C + POSITIONS
    text = (demo / f"station_{letter.lower()}.yaml").read_text(encoding="utf-8")
    text, links = _LINK.subn(r"\1{kind: simulated, instrument: \2}", text)
    if links != 2:
        raise ValueError(f"station {letter}: {links} links marked for the demo, expected 2")
    return _RECORDS.sub("records: records.sqlite", text)
