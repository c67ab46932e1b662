"""The README is true: its commands run, its output is what they print, its script works."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import orchestrator.assembly.live as live
from orchestrator.cli.main import main
from orchestrator.clock import VirtualClock

README = Path(__file__).resolve().parent.parent / "README.md"
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
VARIES = re.compile(r"[0-9a-f]{8}  2026-|\d+ entries agree")


def blocks(language: str) -> list[str]:
    return [text for kind, text in BLOCK.findall(README.read_text("utf-8")) if kind == language]


def commands() -> Iterator[tuple[list[str], list[str]]]:
    """Every command of the tour, in order, with the lines it is said to print."""
    for block in blocks(""):
        command: list[str] | None = None
        shown: list[str] = []
        for line in block.splitlines():
            if line.startswith("$ ohmward "):
                if command is not None:
                    yield command, shown
                command, shown = shlex.split(line)[2:], []
            elif command is not None:
                shown.append(line)
        if command is not None:
            yield command, shown


@pytest.fixture
def in_virtual_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(live, "SystemClock", VirtualClock)
    return tmp_path


def test_the_tour_runs_and_prints_what_it_shows(
    in_virtual_time: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Command after command in one folder; every line shown appears, but for '…' and run ids."""
    for command, shown in commands():
        code = main(command)
        out, err = capfd.readouterr()
        assert code == 0, f"{command}: {err}"
        printed = out + err
        for line in shown:
            if line != "…" and not VARIES.search(line):
                assert line in printed, f"{command} does not print {line!r}:\n{printed}"


def test_the_planning_section_is_what_the_commands_print(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """They need the examples of the source tree; '…' stands for what is left out of a line."""
    for folder in ("products", "rules"):
        shutil.copytree(README.parent / "examples" / folder, tmp_path / "examples" / folder)
    monkeypatch.chdir(tmp_path)
    (part,) = re.findall(
        r"^## From product to program\n(.*?)^## ",
        README.read_text("utf-8"),
        re.MULTILINE | re.DOTALL,
    )
    printed = ""
    ran = 0
    shown = "\n".join(text for kind, text in BLOCK.findall(part) if not kind)
    for line in shown.splitlines():
        if line.startswith("ohmward "):
            assert main(shlex.split(line)[1:]) == 0, line
            printed, ran = "".join(capfd.readouterr()), ran + 1
            continue
        pattern = ".*".join(map(re.escape, line.split("…")))
        assert re.search(f"^{pattern}$", printed, re.MULTILINE), f"{line!r} not in\n{printed}"
    assert ran == 2
    planned = (tmp_path / "planned.yaml").read_text("utf-8")
    for text in (text for kind, text in BLOCK.findall(part) if kind == "yaml"):
        assert text in planned


def test_the_python_example_runs(in_virtual_time: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In the folder that the tour made."""
    assert main(["new", "bay"]) == 0
    (script,) = blocks("python")
    exec(compile(script, "README.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert sum(" pass" in line for line in lines) == 12


def test_every_link_of_the_documents_leads_somewhere() -> None:
    """Relative links of README and DEVELOPERS.md."""
    for name in ("README.md", "DEVELOPERS.md"):
        text = (README.parent / name).read_text("utf-8")
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (README.parent / target).exists(), f"{name}: {target}"
