"""`ohmward address`: switches drawn, told apart by shape and word."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from drivers.language.switches import Position
from orchestrator.cli.main import main
from orchestrator.cli.switch_drawing import drawing

Out = pytest.CaptureFixture[str]


def test_an_address_is_drawn_with_word_and_worth_of_each_position(capsys: Out) -> None:
    """Address 5 of a Comb: 4 + 1, and 'down' counts there."""
    assert main(["address", "5", "--profile", "comb"]) == 0
    told = capsys.readouterr().out
    rows = {
        line.split()[0]: line.split()[1:] for line in told.splitlines() if line.startswith("  ")
    }
    assert rows["position"] == ["1", "2", "3", "4", "5"]
    assert rows["stands"] == ["▲", "up", "▲", "up", "▼", "down", "▲", "up", "▼", "down"]
    assert rows["worth"] == ["16", "8", "4", "2", "1"]
    assert rows["counts"] == ["-", "-", "4", "-", "1"]
    assert "'down' counts: 4 + 1 = 5" in told
    assert "\x1b[" not in told  # no colour is needed to read it


def test_a_picture_tells_its_address(capsys: Out) -> None:
    """The reverse; position 1 counts least on a Lattice."""
    assert main(["address", "--switches", "up down up down", "--profile", "lattice"]) == 0
    assert "address 5 (of 1 to 15)" in capsys.readouterr().out


@pytest.mark.parametrize("address", range(32))
def test_what_is_drawn_reads_back(address: int, capsys: Out) -> None:
    """Through the command line in both directions."""
    assert main(["address", str(address), "--profile", "comb", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert main(["address", "--switches", shown["switches"], "--profile", "comb", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == shown
    assert shown["address"] == sum(p["worth"] for p in shown["positions"] if p["counts"])


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--profile", "comb"], "neither"),
        (["5", "--switches", "up", "--profile", "comb"], "both"),
        (["32", "--profile", "comb"], "from 0 to 31"),
        (["0", "--profile", "lattice"], "from 1 to 15"),
        (["--switches", "up down", "--profile", "comb"], "5 positions"),
        (["--switches", "up down up down on", "--profile", "comb"], "up or down"),
        (["--switches", "down down down down", "--profile", "lattice"], "from 1 to 15"),
        (["1", "--profile", "pell"], "units with addresses"),
        (["1", "--profile", "nosuch"], "the profile"),
    ],
)
def test_what_cannot_be_drawn_is_refused(arguments: list[str], told: str, capsys: Out) -> None:
    """Exit code 2, with found, expected and remedy."""
    assert main(["address", *arguments]) == 2
    assert told in capsys.readouterr().err


def test_an_offset_is_told(tmp_path: Path, capsys: Out) -> None:
    """A switch whose lowest address isn't 0."""
    from orchestrator.resources import resource_folder

    text = (resource_folder("profiles") / "lattice.yaml").read_text(encoding="utf-8")
    changed = text.replace("words: [down, up]}", "words: [down, up], offset: 1}", 1)
    assert changed != text
    file = tmp_path / "shifted.yaml"
    file.write_text(changed, encoding="utf-8")
    assert main(["address", "5", "--profile", str(file)]) == 0
    assert "'up' counts: 4 + offset 1 = 5" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "encoding", "shapes"),
    [
        (("down", "up"), "utf-8", "▼▲"),
        (("right", "left"), "utf-8", "▶◀"),
        (("off", "on"), "utf-8", "─◆"),
        (("down", "up"), "ascii", "v^"),
        (("off", "on"), "ascii", "-#"),
    ],
)
def test_shapes_follow_the_words_and_the_terminal(
    words: tuple[str, str], encoding: str, shapes: str
) -> None:
    """Where a word points somewhere its shape does; ASCII where the terminal has no more."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    stands = (Position(1, words[0], False, 1), Position(2, words[1], True, 2))
    row = next(line for line in drawing(stands, stream) if line.startswith("stands"))
    assert row.split()[1::2] == list(shapes)
    assert row.split()[2::2] == list(words)
