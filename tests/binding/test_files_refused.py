"""Program, fixture and station files: which texts are refused, and at which line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from pydantic import BaseModel

from orchestrator.assembly.plan import read_plan
from orchestrator.documents import Document, parse_document
from orchestrator.errors import Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.station import Station

STEP = """\
  - {name: a, kind: bonding, apply_to: [p], against: [e], accept: {resistance: {at_most: 1 ohm}}}
  - {name: b, kind: bonding, apply_to: [q], against: [e], accept: {resistance: {at_most: 1 ohm}}}
"""


def told(text: str, model: type[BaseModel] = Program) -> list[str]:
    """Place and path of every fault, the file's name left out."""
    with pytest.raises(Refused) as caught:
        parse_document(text, "f", model)
    return [str(fault).removeprefix("f:") for fault in caught.value.faults]


def program(defaults: str, steps: str = STEP) -> str:
    return f"name: x\nrevision: 1\ndefaults:\n{defaults}steps:\n{steps}"


SOUND = "  bonding: {level: 25 A, dwell: 1 s, frequency: 50 Hz}\n"


def read(text: str) -> Document[Program]:
    return parse_document(text, "f", Program)


# ---- defaults -----------------------------------------------------------------------------------


def test_defaults_become_part_of_the_steps() -> None:
    """The step's own value wins, then its kind's, then that of all."""
    own = STEP.replace("name: b,", "name: b, dwell: 3 s, rise: 2 s,")
    model = read(program(SOUND + "  all: {dwell: 9 s, rise: 4 s}\n", own)).model
    assert [str(step.dwell) for step in model.steps] == ["1 s", "3 s"]
    assert [str(step.rise) for step in model.steps] == ["4 s", "2 s"]


def test_how_a_program_is_written_doesnt_change_its_hash() -> None:
    """Defaults written out or not: built models of the same steps are the same program."""
    short = read(program(SOUND)).model
    long = read(program("  all: {level: 25 A, dwell: 1 s, frequency: 50 Hz}\n")).model
    assert Document.built(short, "a").sha256 == Document.built(long, "b").sha256


@pytest.mark.parametrize(
    ("defaults", "start"),
    [
        ("  bonding: {dwell: 1 s, level: 25 V}\n", "4:32: defaults.bonding.level, found '25 V'"),
        ("  bonding: {dwell: 1 s}\n  all: {level: 25}\n", "5:16: defaults.all.level, found '25'"),
        (
            "  bonding: {dwell: 1 s, levl: 2 A}\n",
            "4:25: defaults.bonding.levl, found the unknown key 'levl', expected one of",
        ),
        (
            "  all: {dwell: 1 s, level: 25 A, freqency: 50 Hz}\n",
            "4:34: defaults.all.freqency, found the unknown key 'freqency', expected one of",
        ),
        (
            "  all: {dwell: 1 s, level: 25 A, flash_over: 1 mA}\n",
            "4:34: defaults.all.flash_over, found the key 'flash_over', which not every kind",
        ),
        (
            "  all: {dwell: 1 s, level: 25 A, accept: {}}\n",
            "4:42: defaults.all.accept, found no limit",
        ),
        (SOUND + "  bondin: {level: 1 A}\n", "5:3: defaults.bondin, found 'bondin', expected"),
        (SOUND + "  all: 3\n", "5:8: defaults.all, found '3', expected keys with values"),
    ],
)
def test_a_fault_of_the_defaults_is_told_once_and_where_it_stands(
    defaults: str, start: str
) -> None:
    """Not at each step that the value went into."""
    steps = (
        STEP.replace(", accept: {resistance: {at_most: 1 ohm}}", "") if "{}" in defaults else STEP
    )
    (line,) = told(program(defaults, steps))
    assert line.startswith(start)
    assert "remove" not in line


def test_what_steps_lack_is_told_at_the_steps() -> None:
    """A key that no default holds is missing in each step."""
    assert [line.split(", ")[0] for line in told(program("  bonding: {dwell: 1 s}\n"))] == [
        "6:5: steps[1].level",
        "7:5: steps[2].level",
    ]


def test_a_value_from_the_defaults_is_located_there() -> None:
    """So that what binding refuses leads to the text as well."""
    document = read(program(SOUND))
    assert str(document.locate("steps", 1, "level")) == "f:4:20"
    assert str(document.locate("steps", 1, "name")) == "f:7:12"
    assert str(document.locate("steps", 1, "fall")) == "f:7:5"


# ---- names --------------------------------------------------------------------------------------


def test_steps_of_one_name_are_refused_at_each_repetition() -> None:
    """With the number of the step that had the name first."""
    steps = (STEP + STEP).replace("name: b", "name: a")
    lines = told(program(SOUND, steps))
    assert [line.split(", ")[0] for line in lines] == [
        f"{line}:12: steps[{line - 5}].name" for line in (7, 8, 9)
    ]
    assert all("of step 1 a second time" in line for line in lines)


HOSTILE = ["\\e[31mred", "two\\nlines", "bell\\a", "\\u202Eright", "a\\x85b", "a\\u2028b"]


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize(
    ("model", "written", "path"),
    [
        (Program, 'name: "{}"', "name"),
        (Program, 'name: x\nrevision: "{}"', "revision"),
        (Program, 'name: x\nnotes: "{}"', "notes"),
        (Program, 'name: x\nno_protective_earth: "no earth {}"', "no_protective_earth"),
        (Fixture, 'name: x\npoints: {{p: "{}"}}', "points.p"),
        (Station, 'name: x\nchains: {{c: {{carried_by: "{}"}}}}', "chains.c.carried_by"),
        (Station, 'name: x\ninterlock: [{{name: "{}"}}]', "interlock[1].name"),
    ],
)
def test_a_text_that_isnt_printable_is_refused(
    text: str, model: type[BaseModel], written: str, path: str
) -> None:
    """It would reach screens and reports: one line each, and no control of the terminal."""
    lines = told(written.format(text), model)
    (line,) = [line for line in lines if f": {path}, found" in line]
    assert "expected printable text" in line
    assert line.isprintable()


@pytest.mark.parametrize(
    ("model", "written", "start"),
    [
        (Fixture, 'name: x\npoints: {"a\\eb": s1}', "2:10: points.a\\x1bb, found the character"),
        (Station, 'testers:\n  "a\\nb": {}', "2:3: testers.a\\nb, found a line break"),
        (Station, 'chains:\n  "a\\nb": {}', "2:3: chains.a\\nb, found a line break"),
        (Station, 'positions:\n  "a\\nb": c/u/b/1', "2:3: positions.a\\nb, found a line break"),
    ],
)
def test_a_key_that_isnt_printable_is_refused_at_the_key(
    model: type[BaseModel], written: str, start: str
) -> None:
    """Keys of a user's choice are names like any other."""
    assert any(line.startswith(start) for line in told(written, model))


@pytest.mark.parametrize("name", ["Prüfling Ω", "検査", "a-b/c (2)", "x" * 64])
def test_letters_of_any_script_are_names(name: str) -> None:
    """Only what can't be printed is refused."""
    assert parse_document(f"name: '{name}'\npoints: {{p: s}}", "f", Fixture).model.name == name


WORDS = [
    ('name: ""', "name, found an empty text, expected at least 1 character, write it out"),
    (f"name: {'x' * 65}", "(65 characters), expected at most 64 characters, shorten it"),
    ("no_protective_earth: none", "found 'none' (4 characters), expected at least 8 characters"),
    ("name: x\nrevison: 1\nsteps: []", "revison, found the unknown key 'revison'"),
    ("steps: []", "steps, found an empty list, expected at least 1 item, add what is missing"),
]


@pytest.mark.parametrize(("text", "words"), WORDS)
def test_faults_are_told_in_plain_words(text: str, words: str) -> None:
    """As a person would say it."""
    assert any(words in line for line in told(text))


def test_a_missing_unit_is_answered_with_every_unit_there_is() -> None:
    """Minutes and hours included, without the other spellings of the same unit."""
    (line,) = told(program(SOUND.replace("1 s", "1")))
    assert line.endswith("add the unit: '1 s' if it is s (one of us, ms, s, min, h)")


def test_a_misspelt_key_is_not_also_missing() -> None:
    """Adding the key beside the misspelt one would be wrong advice."""
    lines = told(program(SOUND).replace("revision", "revison"))
    assert [line.split(": ")[1].split(",")[0] for line in lines] == ["revison"]


def test_a_wire_gauge_is_refused_with_examples() -> None:
    """And not with a pattern for machines."""
    text = "name: x\npoints: {p: s}\nleads: {s: {gauge: thick, length: 1 m}}"
    (line,) = told(text, Fixture)
    assert "found 'thick', expected a wire gauge such as '1.5 mm2' or 'AWG 16'" in line


# ---- stations and their instruments -------------------------------------------------------------

STATION = """\
name: x
testers:
  t1:
    profile: orrin
    link: {kind: simulated, instrument: orrin}
chains:
  c1:
    profile: comb
    link: {kind: simulated, instrument: comb}
    units:
      - {name: left, address: 5}
      - {name: right, address: 6}
positions: {p: t1.output}
"""


def plan_faults(folder: Path, old: str, new: str) -> list[str]:
    path = folder / "station.yaml"
    assert old in STATION
    path.write_text(STATION.replace(old, new), encoding="utf-8")
    with pytest.raises(Refused) as caught:
        read_plan(path)
    return [str(fault).removeprefix(f"{folder}{os.sep}") for fault in caught.value.faults]


CHAIN = "link: {kind: simulated, instrument: comb}\n    units"


@pytest.mark.parametrize(
    ("old", "new", "start"),
    [
        ("orrin\n", "comb\n", "station.yaml:4:14: the profile, found 'comb' of kind matrix"),
        ("comb\n", "orrin\n", "station.yaml:8:14: the profile, found 'orrin' of kind tester"),
        ("orrin\n", "orin\n", "station.yaml:4:14: the profile, found 'orin', expected one of"),
        ("address: 6", "address: 999", "station.yaml:12:32: address of unit 'right', found addre"),
        (", address: 6", "", "station.yaml:12:9: address of unit 'right', found no address"),
        (
            "address: 5",
            "switches: up",
            "station.yaml:11:32: switches of unit 'left', found 1 position in 'up'",
        ),
        (CHAIN, "carried_by: t9\n    units", "station.yaml:9:17: carried_by of chain 'c1', found"),
        (
            "comb\n    " + CHAIN,
            "pell\n    built_in: t1\n    units",
            "station.yaml:9:15: the chain 'c1', found the profile",
        ),
    ],
)
def test_what_an_instrument_refuses_is_placed_in_the_station_file(
    tmp_path: Path, old: str, new: str, start: str
) -> None:
    """At the line of the tester, chain or unit that it is about, which it names."""
    (line,) = plan_faults(tmp_path, old, new)
    assert line.startswith(start)


def test_switch_and_address_that_disagree_are_placed_at_the_switch(tmp_path: Path) -> None:
    """Two units wrong are two faults, each with its name."""
    (tmp_path / "shown").mkdir()
    wrong = "switches: up up up up up up up up"
    lines = plan_faults(tmp_path, "address: 6}", f"address: 6, {wrong}}}\n      - {{name: third}}")
    assert [line.split(",")[0] for line in lines] == [
        "station.yaml:12:45: switches of unit 'right'",
        "station.yaml:13:9: address of unit 'third'",
    ]


def test_an_unknown_profile_is_answered_with_the_nearest_of_its_kind(tmp_path: Path) -> None:
    """Files beside the station that are no profiles, or of the other kind, aren't offered."""
    (tmp_path / "orrinx.yaml").write_text("a: b\n", encoding="utf-8")
    (line,) = plan_faults(tmp_path, "orrin\n", "orrinn\n")
    assert "did you mean 'orrin'?" in line
    for other in ("orrinx", "station,", "comb", "lattice"):
        assert other not in line


def test_a_chain_of_a_tester_that_is_refused_itself_is_not_refused_too(tmp_path: Path) -> None:
    """It would be told that a tester doesn't exist which stands a few lines above."""
    path = tmp_path / "station.yaml"
    text = STATION.replace("orrin\n", "orin\n").replace(CHAIN, "carried_by: t1\n    units")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Refused) as caught:
        read_plan(path)
    assert [fault.what for fault in caught.value.faults] == ["the profile"]
