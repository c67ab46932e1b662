"""`ohmward profile try --energise`: one start on a dummy load, through the ordinary run."""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import pytest

from orchestrator.assembly import bring_up
from orchestrator.assembly.bring_up_proof import read_proof, write_proof
from orchestrator.assembly.bring_up_start import prepare_start
from orchestrator.assembly.plan import read_plan
from orchestrator.cli.failures import Situation
from orchestrator.cli.files import read_files
from orchestrator.cli.main import main
from orchestrator.cli.profile_try_start import StartArguments, start_once
from orchestrator.clock import VirtualClock
from orchestrator.errors import Refused
from orchestrator.model.words import StepKind

UNIT = """\
name: a dummy load (invented)
parts:
  - {between: [line, earth], resistance: 1 Mohm}
  - {between: [shell, earth], resistance: 500 mohm}
"""


@pytest.fixture(scope="module")
def report() -> str:
    """What a trial of the profile writes; made once."""
    document = bring_up.load_profile(Path("orrin"))
    wish = bring_up.TryWish(document, "simulated:orrin", unasked=True)
    came = bring_up.try_profile(wish, ask=lambda _: False, clock=VirtualClock())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "orrin.proved.yaml"
        write_proof(path, came.proved)
        return path.read_text("utf-8")


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, report: str) -> Path:
    """The bench station with a dummy load in it; its tester's profile was tried before."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "bench"]) == 0
    (tmp_path / "bench" / "unit.yaml").write_text(UNIT, "utf-8")
    (tmp_path / "orrin.proved.yaml").write_text(report, "utf-8")
    return tmp_path / "bench" / "station.yaml"


def start(
    station: Path | None, kind: str, load: str, points: str = "line,earth", *, yes: bool = True
) -> Any:
    wish = StartArguments(Path("orrin"), station, None, kind, points, load, yes, None)
    return start_once(Situation(), wish, VirtualClock())


@pytest.mark.parametrize(
    ("kind", "load", "points"),
    [
        ("insulation", "1 Mohm", "line,earth"),
        ("withstand_ac", "1Mohm", "line,earth"),
        ("withstand_dc", "1 Mohm", "line,earth"),
        ("bonding", "500 mohm", "shell,earth"),
    ],
)
def test_a_declared_load_that_is_read_proves_the_start(
    station: Path, kind: str, load: str, points: str
) -> None:
    """Ohm's law is the outside check: R as declared, or I = U / R in withstand."""
    assert start(station, kind, load, points) == 0
    proved = read_proof(Path("orrin.proved.yaml"))
    assert proved is not None
    assert [s.outcome for s in proved.starts] == ["proved"]
    assert proved.starts[0].kind == kind


def test_it_runs_as_every_run_does(station: Path) -> None:
    """The run stands in the station's records, begun and ended."""
    assert start(station, "insulation", "1 Mohm") == 0
    plan = read_plan(station)
    with sqlite3.connect(plan.records) as records:
        rows = records.execute("SELECT * FROM runs").fetchall()
    assert len(rows) == 1
    proved = read_proof(Path("orrin.proved.yaml"))
    assert proved is not None
    assert proved.starts[0].run_id in rows[0]


def test_another_load_than_declared_fails_with_the_ratio(
    station: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 Mohm read, 1.5 Mohm declared: two thirds."""
    assert start(station, "insulation", "1.5 Mohm") == 3
    assert "read is 0.6667 times what was expected" in capsys.readouterr().out


def test_the_lowest_level_and_the_shortest_dwell_are_bound(station: Path) -> None:
    """The profile's own ranges say what they are."""
    document = bring_up.load_profile(Path("orrin"))
    files = read_files(station, None, None)
    ready = prepare_start(document, files.plan, files.fixture, "insulation", "line,earth", "1 Mohm")
    model = document.model.kinds[StepKind.INSULATION]
    (step,) = ready.schedule.steps
    assert step.order.level == model.level.range[0].value
    assert step.order.dwell == model.dwell.range[0].value
    assert ready.watts == step.order.level**2 / 1_000_000


@pytest.mark.parametrize("answers", ["no\n", "yes\nno\n", ""])
def test_it_is_asked_twice_and_needs_two_yes(
    station: Path, answers: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The load first, then the cautions of every run; nothing is recorded without both."""
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO(answers))
    with pytest.raises(Refused, match="not confirmed"):
        start(station, "insulation", "1 Mohm", yes=False)
    proved = read_proof(Path("orrin.proved.yaml"))
    assert proved is not None
    assert proved.starts == ()


def test_an_open_interlock_starts_nothing(station: Path) -> None:
    """The station's guard, as in every run: no verdict, nothing proved."""
    door = station.parent / "guard.txt"
    door.write_text("open", "utf-8")
    text = station.read_text("utf-8")
    source = "    source: {kind: simulated}\n"
    assert source in text
    station.write_text(text.replace(source, "    source: {kind: file, path: guard.txt}\n"), "utf-8")
    code = start(station, "insulation", "1 Mohm")
    assert code == 3
    proved = read_proof(Path("orrin.proved.yaml"))
    assert proved is not None
    assert all(s.outcome != "proved" for s in proved.starts)


def test_another_instrument_than_was_tried_proves_nothing(
    station: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The trial was held with another serial number: the start is told as not proved."""
    path = Path("orrin.proved.yaml")
    path.write_text(path.read_text("utf-8").replace("SIM-00417", "SIM-00418"), "utf-8")
    assert start(station, "insulation", "1 Mohm") == 3
    assert "serial 'SIM-00418' was tried, 'SIM-00417' was started" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("kind", "load", "points", "told"),
    [
        ("insulatoin", "1 Mohm", "line,earth", "one of bonding"),
        ("insulation", "1 MV", "line,earth", "a resistance"),
        ("insulation", "0 ohm", "line,earth", "more than 0"),
        ("insulation", "1 Mohm", "line", "two points"),
        ("withstand_ac", "1 ohm", "line,earth", "that the tester can judge"),
    ],
)
def test_what_doesnt_suit_is_refused(
    station: Path, kind: str, load: str, points: str, told: str
) -> None:
    """Before anything is opened."""
    with pytest.raises(Refused, match=told):
        start(station, kind, load, points)


def test_a_profile_that_was_never_tried_isnt_started(station: Path) -> None:
    """The locked-out trial comes first, without failures, on the same text."""
    Path("orrin.proved.yaml").unlink()
    with pytest.raises(Refused, match="output locked out"):
        start(station, "insulation", "1 Mohm")


def test_without_a_station_there_is_no_start() -> None:
    """Its interlock is what the start leans on."""
    with pytest.raises(Refused, match="--station"):
        start(None, "insulation", "1 Mohm")
