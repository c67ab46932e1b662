"""The demo, run once as its user runs it, and what it is made of."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from orchestrator.assembly.plan import read_plan
from orchestrator.cli.demo_show import Ledger
from orchestrator.cli.demo_stage import lay_out, with_links
from orchestrator.cli.demo_words import Teller
from orchestrator.cli.screen import make_console
from orchestrator.errors import Refused
from orchestrator.model.words import Measured, Outcome, StepKind
from orchestrator.records.reader import list_runs, show_run
from orchestrator.records.verify import verify
from orchestrator.resources import resource_folder

DEMO = "import sys; from orchestrator.cli.demo import demo; from pathlib import Path; "


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    """The demo's output, and the folder it kept."""
    folder = tmp_path_factory.mktemp("demo") / "kept"
    done = subprocess.run(
        [sys.executable, "-c", DEMO + "sys.exit(demo(Path(sys.argv[1])))", str(folder)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env=_environment(),
        timeout=120,
        check=False,
    )
    return done, folder


def _environment() -> dict[str, str]:
    import os

    root = str(Path(__file__).resolve().parents[2])
    return {**os.environ, "PYTHONPATH": root, "PYTHONIOENCODING": "utf-8", "COLUMNS": "120"}


Ran = tuple[subprocess.CompletedProcess[str], Path]


@pytest.mark.slow
def test_the_demo_comes_out_as_expected_and_says_nothing_on_standard_error(ran: Ran) -> None:
    """Exit code 0 means that every expectation held; the output has no escape sequences."""
    done, _ = ran
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    assert "NOT AS EXPECTED" not in done.stdout
    assert "\x1b" not in done.stdout


@pytest.mark.slow
def test_the_demo_marks_every_verdict_as_simulated_and_names_the_leaky_points(ran: Ran) -> None:
    """Five runs, five verdicts, each marked; the points of the failing step by name."""
    verdicts = re.findall(r"^verdict .*$", ran[0].stdout, re.MULTILINE)
    assert len(verdicts) == 5
    assert all("SIMULATED" in line for line in verdicts)
    for text in ("failing step: insulation mains to sensor", "fan line", "sensor return"):
        assert text in ran[0].stdout
    assert "that can kill" in ran[0].stdout


@pytest.mark.slow
def test_the_demos_records_hold_what_it_told(ran: Ran) -> None:
    """Read apart from the demo: outcomes, simulated mark, guard run without verdict."""
    _, folder = ran
    outcomes = {}
    for letter in "ab":
        path = folder / f"records_{letter}.sqlite"
        assert verify(path).ok
        runs = list(reversed(list_runs(path)))
        assert all(run.simulated for run in runs)
        outcomes[letter] = [run.outcome for run in runs]
    assert outcomes == {"a": ["pass", "fail", "no_verdict"], "b": ["pass", "fail"]}
    guard = list_runs(folder / "records_a.sqlite")[0]
    steps = {s.name: s for s in show_run(folder / "records_a.sqlite", guard.run_id).steps}
    assert steps["withstand mains to all else"].outcome == "no_verdict"
    assert steps["withstand mains to sensor"].outcome == "not_run"


def test_the_same_program_binds_at_both_stations(tmp_path: Path) -> None:
    """Ten points or more, all five kinds of step, nothing but station file and profiles differ."""
    files = lay_out(tmp_path / "demo")
    assert len(files.fixture.model.points) >= 10
    assert {step.kind for step in files.program.model.steps} == set(StepKind)
    schedules = [
        read_plan(files.station(letter)).bind(files.program, files.fixture) for letter in "AB"
    ]
    a, b = schedules
    assert a.hashes["program"] == b.hashes["program"]
    assert a.hashes["fixture"] == b.hashes["fixture"]
    assert {step.tester for step in a.steps} == {"orrin"}
    assert {step.tester for step in b.steps} == {"pell"}


def test_a_folder_that_holds_something_is_not_used(tmp_path: Path) -> None:
    """The demo overwrites nobody's files."""
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(Refused, match="new or empty folder"):
        lay_out(tmp_path)


def test_a_station_file_whose_marks_are_not_the_instruments_served_is_an_error() -> None:
    """A link that was left as it is would reach for somebody else's instrument."""
    text = "  t:\n    link: {kind: tcp, host: h, port: 1}  # demo: t\n"
    wanted = "  t:\n    link: {kind: serial, port: /dev/x}  # demo: t\n"
    assert with_links(text, {"t": "{kind: serial, port: /dev/x}"}) == wanted
    with pytest.raises(ValueError, match="marked"):
        with_links(text, {"other": "{}"})


def test_an_expectation_that_does_not_hold_is_told_and_kept(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The exit code hangs on this ledger."""
    ledger = Ledger(Teller(make_console()))
    ledger.expect("holds", held=True)
    assert ledger.wrong == []
    ledger.expect("doesn't", held=False)
    assert ledger.wrong == ["doesn't"]
    assert "NOT AS EXPECTED: doesn't" in capsys.readouterr().out


def _example() -> ModuleType:
    path = resource_folder("examples") / "python_interface.py"
    spec = importlib.util.spec_from_file_location("python_interface", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_example_of_the_python_interface_gives_typed_results(tmp_path: Path) -> None:
    """A good kettle passes; one with 240 mohm to earth fails there and sees no voltage."""
    good, poor = _example().run_two(tmp_path)
    assert good.outcome is Outcome.PASS
    assert all(step.outcome is Outcome.PASS for step in good.steps)
    current_a = next(s for s in good.steps if s.name == "withstand").values[Measured.TOTAL_CURRENT]
    # 1500 V, 50 Hz, 1.5 nF: 2π·50·1.5e-9·1500 = 0.707 mA (Ohm's law); Orrin: 1 % + 5 uA.
    assert current_a.value is not None
    assert float(current_a.value) == pytest.approx(0.707e-3, rel=0.02)
    assert poor.outcome is Outcome.FAIL
    assert [s.outcome for s in poor.steps if s.name == "bond body"] == [Outcome.FAIL]
    assert poor.steps[-1].outcome is Outcome.NOT_RUN
