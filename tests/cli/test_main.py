"""The application: help at once, usage errors as bad input, no reserved colour anywhere."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.cli.main import main
from orchestrator.cli.screen import can_show, make_console, shape, verdict

Out = pytest.CaptureFixture[str]


@pytest.mark.parametrize(
    "arguments",
    [
        ["run"],
        ["run", "s.yaml", "p.yaml"],
        ["frobnicate"],
        ["run", "s.yaml", "p.yaml", "--serial", "X1", "--attempt", "0"],
        ["run", "s.yaml", "p.yaml", "--serial", "X1", "--attempt", "two"],
        ["records", "export", "--format", "xml"],
        ["check", "no such file.yaml"],
        ["check", "."],
        ["records", "list", "no such file.sqlite"],
        ["records", "show", "abc", "no such file.sqlite"],
        ["profile", "check", "no such profile"],
    ],
)
def test_bad_input_ends_as_2_without_a_traceback(arguments: list[str], capsys: Out) -> None:
    """Usage errors of the command line library included; code 1 belongs to failed units."""
    assert main(arguments) == 2
    told = capsys.readouterr()
    assert "Traceback" not in told.out + told.err
    assert told.err


@pytest.mark.parametrize("command", [[], ["run"], ["check"], ["records"], ["profile", "check"]])
def test_help_ends_as_done(command: list[str], capsys: Out) -> None:
    """And says something."""
    assert main([*command, "--help"]) == 0
    assert "Usage: ohmward" in capsys.readouterr().out


def test_help_imports_nothing_heavy() -> None:
    """What makes the start slow is imported by the commands that need it."""
    heavy = ("pydantic", "structlog", "rich.live", "yaml", "sqlite3", "numpy", "pyvisa")
    code = (
        "import sys\nfrom orchestrator.cli.main import main\nmain(['--help'])\n"
        f"print('HEAVY', [m for m in {heavy!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30
    )
    assert "HEAVY []" in done.stdout


def test_neither_red_nor_green_is_ever_sent_to_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: Out
) -> None:
    """EN 50191 gives them a meaning (lamps); errors have none of them either."""
    for system in ("256color", "color"):
        monkeypatch.setenv("FORCE_COLOR", "1")
        monkeypatch.setenv("TERM", f"xterm-{system}")
        monkeypatch.delenv("NO_COLOR", raising=False)
        assert main(["check", "no such file.yaml"]) == 2
        console = make_console()
        for outcome in ("pass", "fail", "no_verdict", "not_run"):
            console.print(verdict(outcome, sys.stdout))
        told = capsys.readouterr()
        text = told.out + told.err
        assert "\x1b[" in text
        # SGR: 31, 32, 91, 92 are red and green, 1, 2, 9, 10 in the 256-colour form.
        for code in ("31", "32", "91", "92", "41", "42", "38;5;1m", "38;5;2m", "38;5;9", "38;5;10"):
            assert f"[{code}" not in text
            assert f";{code}m" not in text


def test_no_color_is_heeded(monkeypatch: pytest.MonkeyPatch, capsys: Out) -> None:
    """With NO_COLOR no colour comes, on a terminal either."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("NO_COLOR", "1")
    assert main(["check", "no such file.yaml"]) == 2
    assert "38;5" not in capsys.readouterr().err


def test_outcomes_differ_by_word_and_by_shape_in_ascii_too() -> None:
    """Nobody needs to see a colour to tell them apart."""
    ascii_only = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    unicode = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    outcomes = ("pass", "fail", "no_verdict", "not_run", "unfinished")
    for stream in (ascii_only, unicode):
        shapes = [shape(outcome, stream) for outcome in outcomes]
        assert len(set(shapes)) == len(outcomes)
        assert all(can_show(mark, stream) for mark in shapes)
    assert "no verdict" in verdict("no_verdict", unicode).plain


def test_new_refuses_a_folder_that_holds_something(tmp_path: Path, capsys: Out) -> None:
    """Nothing of a user's is ever overwritten."""
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["new", str(tmp_path)]) == 2
    assert "found a folder that holds something" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "mine.txt")]) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mine.txt"]


def test_new_makes_a_station_folder(tmp_path: Path) -> None:
    """Missing parents are made; the four files are there, and the schemas for an editor."""
    folder = tmp_path / "a" / "b"
    assert main(["new", str(folder)]) == 0
    names = sorted(path.name for path in folder.iterdir())
    assert names == [".schemas", "fixture.yaml", "program.yaml", "station.yaml", "unit.yaml"]
