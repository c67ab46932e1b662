"""``ohmward plan``, and what ``ohmward coverage`` says of its programs."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
PRODUCTS = ROOT / "examples" / "products"
Out = pytest.CaptureFixture[str]


@pytest.mark.parametrize("product", ["larkfield", "quince", "tansy", "bramley"])
def test_what_is_planned_is_judged_complete_by_what_shares_no_code_with_it(
    product: str, tmp_path: Path, capsys: Out
) -> None:
    """Planner and coverage check each other."""
    file, planned = PRODUCTS / f"{product}.yaml", tmp_path / "planned.yaml"
    assert main(["plan", str(file), "--out", str(planned)]) == 0
    told = capsys.readouterr().out
    assert "proved bound" in told
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
