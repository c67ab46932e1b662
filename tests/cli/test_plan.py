"""``ohmward plan``, and what ``ohmward coverage`` says of its programs."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.cli.main import main
from orchestrator.coverage.report import Coverage
from orchestrator.documents import parse_document
from orchestrator.model.program import Program

ROOT = Path(__file__).resolve().parents[2]
PRODUCTS = ROOT / "examples" / "products"
DEMO = ROOT / "examples" / "demo"
LARKFIELD = str(PRODUCTS / "larkfield.yaml")
Out = pytest.CaptureFixture[str]


@pytest.mark.parametrize("product", ["larkfield", "quince", "tansy", "bramley"])
def test_what_is_planned_is_judged_complete_by_what_shares_no_code_with_it(
    product: str, tmp_path: Path, capsys: Out
) -> None:
    """Planner and coverage check each other."""
    file, planned = PRODUCTS / f"{product}.yaml", tmp_path / "planned.yaml"
    assert main(["plan", str(file), "--out", str(planned)]) == 0
    told = capsys.readouterr().out
    assert "proved: at least" in told
    assert main(["coverage", str(file), str(planned)]) == 0
    assert "complete" in capsys.readouterr().out


def test_the_harness_of_64_wires_takes_six_tests_instead_of_63(capsys: Out) -> None:
    """ceil(log2 64); one wire against the rest would take n - 1."""
    assert main(["plan", str(PRODUCTS / "tansy.yaml"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (count,) = (c for c in told["counts"] if c["kind"] == "insulation")
    assert (count["tests"], count["least"], count["one_by_one"]) == (6, 6, 63)


def test_without_out_the_program_alone_goes_to_standard_output(capsys: Out) -> None:
    """So that it can be redirected; figures go to standard error."""
    assert main(["plan", str(PRODUCTS / "larkfield.yaml"), "--explain"]) == 0
    told = capsys.readouterr()
    assert told.out.lstrip().startswith(("#", "name:"))
    assert "how a lead that has come off would show" in told.err


def test_a_file_that_can_not_be_written_is_refused(tmp_path: Path, capsys: Out) -> None:
    """With the reason."""
    out = tmp_path / "none" / "x.yaml"
    assert main(["plan", str(PRODUCTS / "larkfield.yaml"), "--out", str(out)]) == 2
    assert "--out" in capsys.readouterr().err


def test_an_impossible_demand_is_refused_with_the_pair_and_both_lines(
    tmp_path: Path, capsys: Out
) -> None:
    """A level demanded of a pair that mustn't see it."""
    file = tmp_path / "impossible.yaml"
    file.write_text(
        "name: impossible (invented)\nrevision: '1'\nnets: {a: a, b: b}\n"
        "never_above:\n  - {between: [a, b], ac: 0 V, dc: 100 V}\n"
        "demands:\n  - {name: too much, kind: insulation, between: [a, b], level: 500 V,\n"
        "     dwell: 1 s, accept: {resistance: {at_least: 2 Mohm}}}\n",
        encoding="utf-8",
    )
    assert main(["plan", str(file)]) == 2
    err = capsys.readouterr().err
    assert "impossible.yaml:5" in err or "impossible.yaml:7" in err
    assert "'a'" in err or "a and b" in err or "a – b" in err


TRAPPED = """\
name: half impossible (invented)
revision: "1"
nets: {a: a, b: b, c: c, d: d, e: e}
never_above:
  - {between: [a, c], ac: 0 V, dc: 0 V}
  - {between: [c, b], ac: 0 V, dc: 0 V}
demands:
  - {name: no way, kind: insulation, between: [a, b], level: 500 V, dwell: 1 s,
     accept: {resistance: {at_least: 2 Mohm}}}
  - {name: possible, kind: insulation, between: [d, e], level: 500 V, dwell: 1 s,
     accept: {resistance: {at_least: 2 Mohm}}}
allow:
  undeclared_pairs: {ac: 1 kV, dc: 1 kV, reason: built to stand it}
  unproved_contact: [{points: [a, b, c, d, e], reason: not what is shown here}]
"""
"""a and b are demanded, c may be opposed to neither, and none may float."""


def test_gaps_that_are_kept_are_told_and_leave_no_program(tmp_path: Path, capsys: Out) -> None:
    """Refused without --keep-gaps; with it no verdict (3), and nothing that could be run."""
    file, out = tmp_path / "half.yaml", tmp_path / "planned.yaml"
    file.write_text(TRAPPED, encoding="utf-8")
    assert main(["plan", str(file), "--out", str(out)]) == 2
    assert "no way" in capsys.readouterr().err
    assert main(["plan", str(file), "--out", str(out), "--keep-gaps"]) == 3
    told = capsys.readouterr().out
    assert "GAP: " in told
    assert "no program is written while a gap is left" in told
    assert not out.exists()
    assert main(["plan", str(file), "--keep-gaps", "--json"]) == 3
    line = json.loads(capsys.readouterr().out)
    assert (line["ok"], line["exit_code"], line["text"], len(line["gaps"])) == (False, 3, "", 1)
    assert [step["kind"] for step in line["steps"]] == ["insulation"]  # the other demand's


def test_json_holds_the_program_that_out_writes(tmp_path: Path, capsys: Out) -> None:
    """One object; its text is read back as a program of as many steps as it tells."""
    out = tmp_path / "planned.yaml"
    assert main(["plan", LARKFIELD, "--out", str(out), "--json"]) == 0
    line = json.loads(capsys.readouterr().out)
    assert (line["kind"], line["ok"], line["bound"]) == ("planned", True, None)
    assert out.read_text("utf-8") == line["text"]
    program = parse_document(line["text"], "planned.yaml", Program).model
    assert [step.name for step in program.steps] == [step["name"] for step in line["steps"]]


@pytest.mark.parametrize("letter", ["A", "B"])
def test_a_plan_is_bound_to_the_station_that_is_named(
    letter: str, tmp_path: Path, capsys: Out
) -> None:
    """And stays complete as that station's wire carries it."""
    out = tmp_path / "planned.yaml"
    station = str(DEMO / f"station_{letter.lower()}.yaml")
    at = ["--station", station, "--fixture", str(DEMO / "fixture.yaml")]
    assert main(["plan", LARKFIELD, "--out", str(out), *at]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert f"bound to station Larkfield line, station {letter} with" in told
    assert main(["coverage", LARKFIELD, str(out), *at]) == 0
    assert "as the wire carries them" in " ".join(capsys.readouterr().out.split())


def test_a_plan_that_does_not_fit_the_station_is_refused(capsys: Out) -> None:
    """Points of another product: all that the fixture lacks in one fault, not one for each step."""
    at = ["--station", str(DEMO / "station_a.yaml"), "--fixture", str(DEMO / "fixture.yaml")]
    assert main(["plan", str(PRODUCTS / "quince.yaml"), *at]) == 2
    told = capsys.readouterr()
    assert told.err.startswith("refused: 1 fault")
    assert "1 point without a place: 'casing'" in told.err
    assert "fixture 'Larkfield cradle'" in told.err
    assert told.out == ""


def test_a_fixture_without_a_station_is_refused(capsys: Out) -> None:
    """As coverage refuses it; passed over in silence it would look as if it had been bound."""
    assert main(["plan", LARKFIELD, "--fixture", str(DEMO / "fixture.yaml")]) == 2
    assert "add --station" in capsys.readouterr().err


def test_no_input_and_no_file_of_anybody_is_replaced_unasked(tmp_path: Path, capsys: Out) -> None:
    """The product itself never; a program that was edited by hand only with --replace."""
    product, out = tmp_path / "product.yaml", tmp_path / "planned.yaml"
    product.write_text((PRODUCTS / "larkfield.yaml").read_text("utf-8"), encoding="utf-8")
    before = product.read_text("utf-8")
    assert main(["plan", str(product), "--out", str(product), "--replace"]) == 2
    assert "a file that this command reads" in capsys.readouterr().err
    assert product.read_text("utf-8") == before
    assert main(["plan", str(product), "--out", str(out)]) == 0
    out.write_text("edited by hand", encoding="utf-8")
    capsys.readouterr()
    assert main(["plan", str(product), "--out", str(out)]) == 2
    assert "add --replace" in capsys.readouterr().err
    assert out.read_text("utf-8") == "edited by hand"
    assert main(["plan", str(product), "--out", str(out), "--replace"]) == 0
    assert "steps:" in out.read_text("utf-8")


def test_what_coverage_does_not_call_complete_is_not_written(
    tmp_path: Path, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even if it had no finding to tell: silence is no proof."""
    monkeypatch.setattr(Coverage, "complete", property(lambda _: False))
    out = tmp_path / "planned.yaml"
    assert main(["plan", LARKFIELD, "--out", str(out)]) == 3
    assert "no program is written" in capsys.readouterr().out
    assert not out.exists()


def test_the_example_in_python_plans_and_proves() -> None:
    """As a notebook user would."""
    done = subprocess.run(
        [sys.executable, "examples/plan_in_python.py"],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("complete\n")
