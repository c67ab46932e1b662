"""`ohmward coverage`: complete or not, in words, as JSON, as a picture."""

from __future__ import annotations

import colorsys
import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from orchestrator.cli.main import main

Out = pytest.CaptureFixture[str]

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
LARKFIELD = str(EXAMPLES / "products" / "larkfield.yaml")
DEMO = str(EXAMPLES / "demo" / "program.yaml")
SVG = "{http://www.w3.org/2000/svg}"

PRODUCT = """\
name: pair of wires (invented)
revision: "1"
nets: {a: [a1, a2], b: [b1, b2], c: [c1, c2]}
demands:
  - {name: wire, kind: continuity, level: 100 mA, dwell: 0.2 s,
     accept: {resistance: {at_most: 1 ohm}}}
  - {name: ir, kind: insulation, among: every_net, level: 500 V, dwell: 1 s,
     accept: {resistance: {at_least: 10 Mohm}}}
"""
PROGRAM = """\
name: by hand
revision: "1"
defaults:
  continuity: {level: 100 mA, dwell: 0.2 s, accept: {resistance: {at_most: 1 ohm}}}
  insulation: {level: 500 V, dwell: 1 s, accept: {resistance: {at_least: 10 Mohm}}}
steps:
  - {name: a, kind: continuity, apply_to: [a1], against: [a2]}
  - {name: b, kind: continuity, apply_to: [b1], against: [b2]}
  - {name: c, kind: continuity, apply_to: [c1], against: [c2]}
  - {name: first, kind: insulation, apply_to: [a1, a2], against: [b1, b2, c1, c2],
     prove_contact: [a, b, c]}
  - {name: second, kind: insulation, apply_to: [b1, b2], against: [a1, a2, c1, c2],
     prove_contact: [a, b, c]}
"""


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("product.yaml").write_text(PRODUCT, "utf-8")
    Path("program.yaml").write_text(PROGRAM, "utf-8")
    return tmp_path


COMMAND = ["coverage", "product.yaml", "program.yaml"]


def test_a_complete_program_is_exit_code_0(files: Path, capsys: Out) -> None:
    """With the figures, and the steps in the matrix."""
    assert main(COMMAND) == 0
    out = capsys.readouterr().out
    assert out.startswith(
        "program 'by hand' for product 'pair of wires (invented)': complete; levels as they are"
    )
    assert "ir (insulation, 500 V): 3 of 3 pairs covered by steps 4, 5" in out
    assert "leads: 6 proved by contact steps, 0 by a limit" in out
    assert "4,5" in out
    assert "finding" not in out


def test_one_pair_missing_and_one_lead_unproved_are_both_named(files: Path, capsys: Out) -> None:
    """Exit code 3: a pass of this program wouldn't show what is demanded."""
    text = PROGRAM.replace("against: [a1, a2, c1, c2]", "against: [a1, a2]")
    text = text.replace("  - {name: b, kind: continuity, apply_to: [b1], against: [b2]}\n", "")
    Path("program.yaml").write_text(text.replace("[a, b, c]", "[a, c]"), "utf-8")
    assert main(COMMAND) == 3
    out = capsys.readouterr().out
    assert "1 pair of 3 covered by no step: b – c" in out
    assert "lead at b1 (net b) isn't proved by any step; steps 3, 4 rely on it: no bond" in out
    assert "step 4 (second) leaves 1 net open that may not float: c" in out


def test_the_terminal_falls_back_to_plain_letters(
    files: Path, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the stream's encoding hasn't got the marks."""
    from orchestrator.cli import coverage_views

    monkeypatch.setattr(coverage_views, "can_show", lambda *_: False)
    Path("program.yaml").write_text(PROGRAM[: PROGRAM.rindex("  - {name: second")], "utf-8")
    assert main(COMMAND) == 3
    rows = [line for line in capsys.readouterr().out.splitlines() if line.startswith("  2 b")]
    assert rows[0].split() == ["2", "b", "4", "-", "X"]


def test_json_is_one_object_with_counts_and_sentences(files: Path, capsys: Out) -> None:
    """SI units as texts."""
    Path("program.yaml").write_text(PROGRAM[: PROGRAM.rindex("  - {name: second")], "utf-8")
    assert main([*COMMAND, "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], told["exit_code"], told["complete"]) == (False, 3, False)
    (demand,) = told["pairs"]
    assert (demand["pairs"], demand["covered"], demand["open"]) == (3, 2, 1)
    assert demand["open_pairs"] == [["b", "c"]]
    assert demand["level_v"] == "500"
    assert len(told["findings"]) == 1


def test_the_picture_tells_open_pairs_by_pattern_and_by_title(files: Path) -> None:
    """A well-formed SVG, without red or green."""
    Path("program.yaml").write_text(PROGRAM[: PROGRAM.rindex("  - {name: second")], "utf-8")
    assert main([*COMMAND, "--picture", "matrix.svg"]) == 3
    text = Path("matrix.svg").read_text("utf-8")
    cells = ET.fromstring(text).findall(f"{SVG}rect")
    titles = {c.find(f"{SVG}title").text: c.get("fill") for c in cells if len(c)}  # type: ignore[union-attr]
    assert titles["b | c: open: demanded, covered by no step"] == "url(#open)"
    assert titles["a | b … c: covered; covered by step 4"] == "#bcd7f0"
    for colour in set(re.findall(r"#[0-9a-f]{6}", text)):
        red, green, blue = (int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5))
        hue, _, saturation = colorsys.rgb_to_hls(red, green, blue)
        orange_or_blue = 20 <= hue * 360 <= 45 or 190 <= hue * 360 <= 250
        assert saturation < 0.1 or orange_or_blue, colour


def test_faults_of_both_files_are_told_at_once(files: Path, capsys: Out) -> None:
    """Exit code 2."""
    Path("product.yaml").write_text(PRODUCT.replace("500 V", "500"), "utf-8")
    Path("program.yaml").write_text(PROGRAM.replace("[a1]", "[a1], agains: [x]"), "utf-8")
    assert main(COMMAND) == 2
    err = capsys.readouterr().err
    assert "product.yaml:7" in err
    assert "program.yaml:7" in err


def test_a_fixture_without_a_station_and_a_picture_that_cant_be_written_are_refused(
    files: Path, capsys: Out
) -> None:
    """Exit code 2, with what to do."""
    assert main([*COMMAND, "--fixture", "fixture.yaml"]) == 2
    assert "add --station" in capsys.readouterr().err
    assert main([*COMMAND, "--picture", str(files / "matrix.png")]) == 2
    assert "let its name end in .svg" in capsys.readouterr().err
    assert main([*COMMAND, "--picture", str(files / "no" / "matrix.svg")]) == 2
    assert "make the folder" in capsys.readouterr().err


def test_on_a_station_the_wires_levels_count(capsys: Out) -> None:
    """The demo's program: two bonds go through each other, and earth floats in two steps."""
    station = str(EXAMPLES / "demo" / "station_a.yaml")
    fixture = str(EXAMPLES / "demo" / "fixture.yaml")
    assert main(["coverage", LARKFIELD, DEMO, "--station", station, "--fixture", fixture]) == 3
    out = capsys.readouterr().out
    assert "levels as the wire carries them" in out
    assert "bond of condenser coil to earth; bond of fan guard to earth" in out
    assert "may reach 2.12 kV DC" in out


def test_searches_energy_contacts_and_open_nets_are_told_on_the_terminal_and_as_json(
    files: Path, capsys: Out
) -> None:
    """Each keeps the program from being complete."""
    text = PRODUCT + (
        "capacitances: [{between: [a, b], value: 10 uF, tolerance_percent: 0}]\n"
        "never_above: [{between: [b, c], ac: 400 V, dc: 600 V}]\n"
        "allow:\n"
        "  relays_at_most: 5\n  extra_insulation: 2\n"
        "  floating: [{nets: [b, c], up_to_dc: 700 V, reason: they are shielded}]\n"
    )
    Path("product.yaml").write_text(text, "utf-8")
    locate = "{level: 500 V, dwell: 1 s, accept: {resistance: {at_least: 10 Mohm}}}"
    step = "  - {name: open, kind: insulation, apply_to: [a1], against: [b1], level: 650 V,\n"
    step += f"     on_failure: locate, locate: {locate}, prove_contact: [a, b]}}\n"
    Path("program.yaml").write_text(PROGRAM + step, "utf-8")
    assert main(COMMAND) == 3
    out = capsys.readouterr().out
    assert "step 6 (open) lets open nets reach up to 669.5 V DC in 1 pair" in out
    assert "step 4 (first) may store 1.326 J (½CU² of 10 uF at 515 V)" in out
    assert "step 4 (first) closes 6 contacts at once; at most 5 are allowed" in out
    assert "a search after step 6 (open) may put a pair under 500 V DC 12 times; 2 are" in out
    assert "exposures to insulation by searches: at most 12 of a pair" in out
    assert main([*COMMAND, "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert not told["complete"]
    (reached,) = told["reached"]
    assert (reached["first"][0][0], reached["reach_v"]) == (["b", "c"], "669.50")
    assert [each["step"] for each in told["stored"]] == [4, 5, 6]
    assert [each["contacts"] for each in told["crowded"]] == [6, 6]
    assert [each["exposures"] for each in told["overspent"]] == [12]
    assert told["leads"]["proofs"][0] == {"point": "a1", "by": "contact", "step": 1}
    assert any("lets open nets reach" in line for line in told["findings"])
