"""`ohmward probe` as a user meets it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from drivers.simulators.bench import Bench
from orchestrator import clock as clocks
from orchestrator.assembly import probing
from orchestrator.assembly.probing_findings import OutputOn, SearchBegins, SearchStep
from orchestrator.cli.main import main
from orchestrator.cli.probe_views import lines_of, output_on
from orchestrator.cli.screen import make_console
from orchestrator.clock import Clock, VirtualClock
from orchestrator.model.words import TesterState
from tests.runs.probing_stations import COMB, DECLARED, bench_at, write

Out = pytest.CaptureFixture[str]


@pytest.fixture
def stand(monkeypatch: pytest.MonkeyPatch) -> dict[str, int]:
    """Where the units of the simulated chain stand, whatever the file declares; no real time."""
    addresses = dict(DECLARED)

    def make_bench(plan: Any, _: object, clock: Clock) -> Bench:
        return bench_at(plan, addresses, clock)

    monkeypatch.setattr(clocks, "SystemClock", VirtualClock)
    monkeypatch.setattr(probing, "make_bench", make_bench)
    return addresses


def test_a_station_of_the_scaffold_is_probed_whole(
    tmp_path: Path, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From `new` straight to `probe`: exit code 0, each instrument with its identity."""
    monkeypatch.setattr(clocks, "SystemClock", VirtualClock)
    folder = tmp_path / "bench"
    assert main(["new", str(folder)]) == 0
    capsys.readouterr()
    assert main(["probe", str(folder / "station.yaml")]) == 0
    told = capsys.readouterr().out
    assert "found  tester 't1': QUILLHAVEN ORRIN, serial SIM-00417" in told
    assert "found  unit 'u2' of chain 'm1', address 2: Ostrel Lattice, serial SIM-4002" in told
    assert "input guard (simulated): closed" in told
    assert "3 of 3 answer as declared" in told
    assert not (folder / "records.sqlite").exists()  # no run, no record


def test_a_switch_that_stands_wrong_is_named_and_drawn(
    tmp_path: Path, stand: dict[str, int], capsys: Out
) -> None:
    """Expected at 5, one at 7: position 4 (a Comb, most significant first, 'down' counts)."""
    stand["left"] = 7
    assert main(["probe", str(write(tmp_path))]) == 3
    told = capsys.readouterr().out
    assert "silent  unit 'left' of chain 'c1'" in told
    assert "searching chain c1 for left: about " in told
    assert (
        "unit 'left' of chain 'c1' was expected at address 5, one answers at 7: position 4 stands "
        "down, should be up"
    ) in told
    lines = told.splitlines()
    drawn = next(i for i, line in enumerate(lines) if line.split()[:1] == ["position"])
    words = [" ".join(lines[drawn + row].split()) for row in (1, 2)]
    assert words == [
        "stands ▲ up ▲ up ▼ down ▼ down ▼ down",
        "should be ▲ up ▲ up ▼ down ▲ up ▼ down",
    ]
    mark = lines[drawn + 3].index("wrong")
    assert abs(mark - lines[drawn].index("4")) <= 4
    assert "2 of 3 answer as declared; nothing was energised, no relay moved" in told


def test_without_a_search_the_unit_is_only_told_as_silent(
    tmp_path: Path, stand: dict[str, int], capsys: Out
) -> None:
    """--no-search."""
    stand["left"] = 7
    assert main(["probe", str(write(tmp_path)), "--no-search"]) == 3
    told = capsys.readouterr().out
    assert "silent  unit 'left'" in told
    assert "address switch" in told
    assert "searching" not in told


def test_several_candidates_are_ranked_and_said_to_be(
    tmp_path: Path, stand: dict[str, int], capsys: Out
) -> None:
    """Equal ones 'as likely', others 'less likely'."""
    stand |= {"left": 7, "a": 21, "b": 20}
    assert main(["probe", str(write(tmp_path))]) == 3
    told = capsys.readouterr().out
    assert "one answers at 7: position 4" in told
    assert "or, as likely, one answers at 21: position 1" in told
    assert "or, less likely, one answers at 20: the whole switch reads as if set from" in told
    assert "ranked: " in told


def test_json_is_one_object_with_everything(
    tmp_path: Path, stand: dict[str, int], capsys: Out
) -> None:
    """For machines, the positions too."""
    stand["left"] = 7
    assert main(["probe", str(write(tmp_path)), "--json"]) == 3
    got = capsys.readouterr()
    assert not got.err
    report: Mapping[str, Any] = json.loads(got.out)
    assert (report["kind"], report["ok"], report["exit_code"]) == ("probed", False, 3)
    assert {a["name"]: a["status"] for a in report["answers"]} == {
        "t1": "found",
        "left": "silent",
        "right": "found",
    }
    assert report["outputs"][0]["was_on"] is False
    assert report["outputs"][0]["proof"]["state"] == "off"
    assert {i["name"]: i["closed"] for i in report["inputs"]} == {"door": True, "guard": True}
    assert report["relays"][0]["closed"] == []
    (candidate,) = report["searches"][0]["candidates"]
    assert (candidate["address"], candidate["kinds"]) == (7, ["one position"])
    assert [p["word"] for p in candidate["stands"]] == ["up", "up", "down", "down", "down"]


def test_a_faulty_station_file_is_refused(tmp_path: Path, capsys: Out) -> None:
    """Exit code 2, with the place; nothing is opened."""
    path = write(tmp_path, COMB.replace("address: 17", "address: 5"))
    assert main(["probe", str(path)]) == 2
    assert "station.yaml" in capsys.readouterr().err
    assert not list(tmp_path.glob("*.lock"))


def test_an_output_that_is_on_cannot_be_overlooked(capsys: Out) -> None:
    """A line of its own in capitals, on standard error too where JSON is asked for."""
    from orchestrator.cli.probe_views import Silent

    told = OutputOn("t1", TesterState.DWELLING)
    assert "OUTPUT ON: tester t1 is dwelling. Keep away." in output_on(told).plain
    with Silent() as screen:
        screen.take(told)
    got = capsys.readouterr()
    assert "OUTPUT ON" in got.err
    assert not got.out


def test_the_progress_of_a_search_shows_on_a_terminal_only(
    tmp_path: Path, stand: dict[str, int], capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Address, how many of how many, time left; a file gets none of it."""
    stand["left"] = 7
    path = str(write(tmp_path))
    assert main(["probe", path]) == 3
    assert "s left" not in capsys.readouterr().out
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    assert main(["probe", path]) == 3
    told = capsys.readouterr().out
    assert "searching chain c1: address 21 (1 of 30), about" in told
    assert "Ctrl-C ends it" in told


def test_ctrl_c_in_the_search_still_shows_the_report(
    tmp_path: Path, stand: dict[str, int], capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was found until then, and how far it got."""
    from orchestrator.cli import probe_views

    stand["left"] = 7
    shown = probe_views.ProbeScreen.take

    def take(self: probe_views.ProbeScreen, told: Any) -> None:
        if isinstance(told, SearchStep) and told.asked == 6:
            raise KeyboardInterrupt
        shown(self, told)

    monkeypatch.setattr(probe_views.ProbeScreen, "take", take)
    assert main(["probe", str(write(tmp_path))]) == 3
    told = capsys.readouterr().out
    assert "one answers at 7" in told
    assert "5 of 30 addresses asked, interrupted" in told


def test_a_search_of_one_address_is_told_in_the_singular() -> None:
    """Small things."""
    (line,) = lines_of(SearchBegins("c1", ("left",), 1, 0.4), make_console())
    assert "about 0 s for 1 address, the likeliest" in line.plain
