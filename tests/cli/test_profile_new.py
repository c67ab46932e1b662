"""`ohmward profile new`: a scaffold loads, and can't be taken for a finished profile."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.language import scaffold
from drivers.language.checker import check_profile
from drivers.language.profile import load_profile
from orchestrator.cli.main import main
from orchestrator.resources import resource_folder

FAMILIES = tuple(family.name for family in scaffold.families())
Out = pytest.CaptureFixture[str]


def made(tmp_path: Path, family: str) -> Path:
    path = tmp_path / "mine.yaml"
    assert main(["profile", "new", str(path), "--family", family]) == 0
    return path


def test_there_is_one_for_each_family_of_the_reference_page() -> None:
    """As many scaffolds as worked examples, (a) to (i) and whatever follows."""
    page = (resource_folder("profiles") / "REFERENCE.md").read_text("utf-8")
    assert len(FAMILIES) >= 9
    assert len(re.findall(r"^# example [a-i]$", page, re.MULTILINE)) == 9


def test_the_list_describes_each_in_plain_words(capsys: Out) -> None:
    """Name, kind and what the dialect looks like."""
    assert main(["profile", "new", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(FAMILIES)
    assert {line.split()[1] for line in lines} == {"tester", "matrix"}


@pytest.mark.parametrize("family", FAMILIES)
def test_a_scaffold_loads_and_holds_together(tmp_path: Path, family: str) -> None:
    """Its made-up values are free of contradictions, so that only the marks are left to do."""
    report = check_profile(load_profile(made(tmp_path, family)))
    assert report.faults == ()


@pytest.mark.parametrize("family", FAMILIES)
def test_check_lists_every_mark_and_refuses(tmp_path: Path, family: str, capsys: Out) -> None:
    """One line for each marked line, with its place; exit code 2."""
    path = made(tmp_path, family)
    capsys.readouterr()
    assert main(["profile", "check", str(path)]) == 2
    out = capsys.readouterr().out
    text = path.read_text("utf-8").splitlines()
    marked = [n for n, line in enumerate(text, 1) if "FILL" in line and not line.startswith("#")]
    assert marked
    assert all(f"{path}:{number}:" in out for number in marked)
    assert f"To fill in ({len(marked)})" in out


@pytest.mark.parametrize("family", FAMILIES)
def test_every_line_that_holds_a_value_is_marked(tmp_path: Path, family: str) -> None:
    """Only version, kind and keys that open a block go without."""
    for line in made(tmp_path, family).read_text("utf-8").splitlines():
        bare = line.strip()
        opens = re.fullmatch(r"(- )?\w+:", bare) is not None
        if bare and not bare.startswith("#") and not opens:
            assert "FILL" in bare or bare in {"profile: 1", "kind: tester", "kind: matrix"}, line


@pytest.mark.parametrize("family", FAMILIES)
def test_no_instrument_answers_to_a_scaffold(family: str) -> None:
    """Whoever loads one all the same is stopped at the first contact by its identity."""
    text = scaffold.family_of(family).text
    identify = text[text.index("\nidentify:") :][:400]
    assert re.search(r"(expect: \{[^}]*FILL|reply: '[^']*FILL)", identify)
    assert "simulated_serial" not in text


def test_filled_in_it_is_sound(tmp_path: Path, capsys: Out) -> None:
    """Without the marks the same file passes."""
    path = made(tmp_path, "echo_fixed_width")
    text = re.sub(r" +# FILL.*", "", path.read_text("utf-8")).replace("FILL", "SILL")
    path.write_text(text, "utf-8")
    capsys.readouterr()
    assert main(["profile", "check", str(path)]) == 0
    assert "never tried on an instrument" in capsys.readouterr().out


def test_a_scaffold_is_not_tried(tmp_path: Path, capsys: Out) -> None:
    """Nothing is sent before the marks are gone."""
    path = made(tmp_path, "query_tree")
    assert main(["profile", "try", str(path), "--link", "simulated:orrin", "--yes"]) == 2
    assert "the mark FILL" in capsys.readouterr().err


def test_nothing_is_overwritten(tmp_path: Path, capsys: Out) -> None:
    """A file that is there stays as it is."""
    path = made(tmp_path, "query_tree")
    before = path.read_bytes()
    assert main(["profile", "new", str(path), "--family", "bank_masks"]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--family", "query_tree"], "FILE"),
        (["x.yaml"], "--family"),
        (["x.yaml", "--family", "querytree"], "did you mean 'query_tree'?"),
        (["x.txt", "--family", "query_tree"], "ends in .yaml"),
    ],
)
def test_what_is_missing_is_told(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: Out,
    arguments: list[str],
    told: str,
) -> None:
    """Exit code 2, what was expected, nothing written."""
    monkeypatch.chdir(tmp_path)
    assert main(["profile", "new", *arguments]) == 2
    assert told in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
