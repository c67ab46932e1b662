"""`check --explain`: the reasons of each step, the stop times, the duration of the whole."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from orchestrator.cli.main import main

Out = pytest.CaptureFixture[str]


@pytest.fixture
def bay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out) -> list[str]:
    monkeypatch.chdir(tmp_path)
    assert main(["new", "bay"]) == 0
    capsys.readouterr()
    return ["check", "bay/station.yaml", "bay/program.yaml"]


def test_the_last_line_is_how_long_it_takes(bay: list[str], capsys: Out) -> None:
    """Steps, the estimate of the whole, and what of it is rise, dwell and fall."""
    assert main(bay) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith("12 steps, about ")
    assert "14.4 s of rise, dwell and fall, the rest estimated" in last


def test_stop_times_are_told_with_and_without_a_program(bay: list[str], capsys: Out) -> None:
    """One line for each tester; the terms only when asked."""
    for command in (bay, bay[:2]):
        assert main(command) == 0
        out = capsys.readouterr().out
        assert out.count("stop time of t1: off and discharged within") == 1
        assert "[profile]" not in out
        assert main([*command, "--explain"]) == 0
        assert "    scan of the inputs: 10 ms [this program]" in capsys.readouterr().out


def test_explain_tells_the_figures_under_each_step(bay: list[str], capsys: Out) -> None:
    """25 A through 2 · 1.2 m of 4 mm² (IEC 60228, class 5: 4.95 ohm/km) and 100 mohm: 2.797 V."""
    assert main([*bay, "--explain"]) == 0
    lines = capsys.readouterr().out.splitlines()
    first = lines.index(next(line for line in lines if line.startswith("1. ")))
    second = lines.index(next(line for line in lines if line.startswith("2. ")))
    under = lines[first + 1 : second]
    assert all(line.startswith("    ") and line.endswith(".") for line in under)
    assert any("the limit needs 2.797 V (100 mohm, declared leads 11.88 mohm" in x for x in under)
    assert any("Takes 1.3 s of rise, dwell and fall" in line for line in under)


def test_json_holds_the_same(bay: list[str], capsys: Out) -> None:
    """`reasons` only when asked; stop times and estimate always."""
    assert main([*bay, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "reasons" not in told
    assert told["estimated_s"] > told["predicted_s"] == pytest.approx(14.4)
    (stop,) = told["stop_times"]
    assert stop["total_s"] == pytest.approx(sum(seconds for _, seconds, _ in stop["terms"]))
    assert {origin for _, _, origin in stop["terms"]} <= {
        "station file",
        "profile",
        "this program",
        "assumed",
    }
    assert main([*bay, "--json", "--explain"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["reasons"]) == len(told["steps"]) == 12
    assert all(reasons for reasons in told["reasons"])


def test_a_lead_too_thin_is_refused_with_its_place(bay: list[str], capsys: Out) -> None:
    """0.75 mm² for 25 A."""
    file = Path("bay/fixture.yaml")
    file.write_text(file.read_text("utf-8").replace("4 mm2", "0.75 mm2"), "utf-8")
    assert main(bay) == 2
    err = capsys.readouterr().err
    assert "lead at 'hc-2', found 25 A through 0.75 mm2, expected at most 5.406 A" in err
