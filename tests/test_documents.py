"""Documents: every fault of a file at once, each with line and column; else a frozen model."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import Field, ValidationError, ValidationInfo, field_validator

from orchestrator import yaml_nodes
from orchestrator.documents import (
    LARGEST_FILE,
    Document,
    Strict,
    WholeNumber,
    YesNo,
    build,
    parse_document,
    read_document,
    refuse,
)
from orchestrator.errors import Position, Refused
from orchestrator.quantities import Dimension, Quantity, QuantityField

Level = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "100 kV")]


class Bond(Strict):
    kind: Literal["bond"]
    level: Level


class Soak(Strict):
    kind: Literal["soak"]
    level: Level
    others: Literal["open", "against"] = "open"


class Plan(Strict):
    name: str
    note: str | None = None
    quick: YesNo = False
    repeats: Annotated[WholeNumber, Field(ge=1, le=9)] = 1
    steps: tuple[Annotated[Bond | Soak, Field(discriminator="kind")], ...] = ()
    spare: Mapping[str, Bond] = {}

    @field_validator("name")
    @classmethod
    def _known(cls, name: str, info: ValidationInfo) -> str:
        allowed = (info.context or {}).get("names")
        if allowed is not None and name not in allowed:
            raise refuse(found=repr(name), expected="a known name", remedy="choose a known name")
        if name == "plain":
            raise ValueError("choose a better name")
        return name


def faults(text: str) -> list[str]:
    with pytest.raises(Refused) as caught:
        parse_document(text, "p.yaml", Plan)
    return [str(fault) for fault in caught.value.faults]


GOOD = """\
# a comment
name: OFF
quick: yes
steps:
  - kind: bond
    level: 1.5 kV
  - {kind: soak, level: 10 V}
"""


def test_a_good_file_becomes_a_frozen_model(tmp_path: Path) -> None:
    """Model, name and hash of the very bytes."""
    path = tmp_path / "p.yaml"
    path.write_bytes(GOOD.encode())
    document = read_document(path, Plan)
    assert document.model.steps[0].level == Quantity.of("1500 V", Dimension.VOLTAGE)
    assert document.file == str(path)
    assert document.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    with pytest.raises(ValidationError, match="frozen"):
        document.model.name = "other"  # type: ignore[misc]


@pytest.mark.parametrize("text", ["OFF", "010", "1.0", "2026-01-01", "0x1F", "1_000", "no", "1:30"])
def test_a_scalar_stays_the_text_it_is(text: str) -> None:
    """YAML's own guesses at types don't happen."""
    assert parse_document(f"name: {text}", "p.yaml", Plan).model.name == text


@pytest.mark.parametrize("text", ["", "~", "null"])
def test_an_empty_value_is_nothing(text: str) -> None:
    """A plain empty value counts as left out; a quoted one is an empty text."""
    assert parse_document(f"name: x\nnote: {text}", "p.yaml", Plan).model.note is None
    assert parse_document(f"name: x\nnote: '{text}'", "p.yaml", Plan).model.note == text


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    """Some editors write one; columns of the first line still fit."""
    path = tmp_path / "p.yaml"
    path.write_bytes(b"\xef\xbb\xbfname: x\r\nquick: no\r\n")
    assert read_document(path, Plan).locate("name").column == 7


@pytest.mark.parametrize(
    ("loc", "line", "column"),
    [
        ((), 2, 1),
        (("name",), 2, 7),
        (("steps",), 5, 3),
        (("steps", 0), 5, 5),
        (("steps", 0, "level"), 6, 12),
        (("steps", 1, "level"), 7, 25),
        (("steps", 1, "missing", "deeper"), 7, 5),
        (("steps", 7), 5, 3),
        (("nowhere",), 2, 1),
    ],
)
def test_values_are_located(loc: tuple[str | int, ...], line: int, column: int) -> None:
    """Line and column of the value, or of the nearest one around it."""
    document = parse_document(GOOD, "p.yaml", Plan)
    assert document.locate(*loc) == Position("p.yaml", line, column)


def test_all_faults_of_a_file_are_told_at_once_in_its_order() -> None:
    """Ten faults, ten lines, each with its place and its remedy; a misspelt key is one fault."""
    text = """\
naem: x
quick: maybe
quick: yes
repeats: 1_0
steps:
  - kind: bond
    level: 1,5 kV
    levle: 3
  - kind: saok
    level: 1 kV
  - level: 3 V
  - kind: soak
    others: opne
"""
    expected = [
        ("1:1: naem, found the unknown key 'naem'", "did you mean 'name'?"),
        ("2:8: quick, found 'maybe'", "write yes or no"),
        ("3:1: YAML, found the key 'quick' a second time", "the first stands in line 2"),
        ("4:10: repeats, found '1_0'", "digits only"),
        ("7:12: steps[1].level, found '1,5 kV'", "'1.5 kV'"),
        ("8:5: steps[1].levle, found the unknown key 'levle'", "did you mean 'level'?"),
        ("9:11: steps[2].kind, found 'saok'", "did you mean 'soak'?"),
        ("11:5: steps[3].kind, found nothing, expected the key 'kind'", "add 'kind: …'"),
        ("12:5: steps[4].level, found nothing, expected the key 'level'", "add 'level: …'"),
        ("13:13: steps[4].others, found 'opne'", "did you mean 'open'?"),
    ]
    told = faults(text)
    assert len(told) == len(expected)
    by_place = sorted(told), sorted(f"p.yaml:{start}" for start, _ in expected)
    for line, start in zip(*by_place, strict=True):
        assert line.startswith(start)
    for start, remedy in expected:
        assert any(line.startswith(f"p.yaml:{start}") and remedy in line for line in told)
    lines = [int(line.split(":")[1]) for line in told]
    assert lines == sorted(lines)


SINGLE = [
    ("name: x\n\tquick: yes", "p.yaml:2:1: YAML, found a tab", "not with tabs"),
    ("name: [x", "p.yaml:2:1: YAML", "check indentation"),
    ("name: 'x", "p.yaml:1:9: YAML", "check indentation"),
    ("name: x: y", "p.yaml:1:8: YAML", "check indentation"),
    ("name: x\n---\nname: y", "p.yaml:2:1: YAML, found a second document", "a file of its own"),
    ("name: &a x", "p.yaml:1:7: YAML, found an anchor ('&a')", "remove the anchor"),
    ("name: *a", "p.yaml:1:7: YAML, found an alias ('*a')", "write the value out"),
    ("name: !!int 5", "p.yaml:1:7: YAML, found a tag", "remove the tag"),
    ("name: !x 5", "p.yaml:1:7: YAML, found a tag ('!x')", "remove the tag"),
    ("name: x\n<<: {quick: yes}", "p.yaml:2:1: YAML, found a merge key", "write the keys out"),
    ("name: x\n? [a]\n: b", "p.yaml:2:3: YAML, found a key that isn't a word", "key: value"),
    ("", "p.yaml: the file, found nothing in it", "fill it in"),
    ("# only a comment\n", "p.yaml: the file, found nothing in it", "fill it in"),
    ("---\n...\n", "p.yaml: the file, found nothing in it", "fill it in"),
    ("- a\n- b", "p.yaml:1:1: the file, found a list of 2", "key: value"),
    ("word", "p.yaml:1:1: the file, found 'word'", "key: value"),
    ("name: a\x01b", "p.yaml:1:8: the text, found the character U+0001", "remove it"),
    ("name: x\nn\ud800", "p.yaml:2:2: the text, found the character U+D800", "remove it"),
    ("name: [a, b]", "p.yaml:1:7: name, found a list of 2, expected a text", "write a text"),
    ("name: {}", "p.yaml:1:7: name, found an empty mapping, expected a text", "write a text"),
    ("name:", "p.yaml:1:6: name, found nothing, expected a text", "write a text"),
    ("name: plain", "p.yaml:1:7: name, found 'plain'", "choose a better name"),
    ("name: x\nsteps: y", "p.yaml:2:8: steps, found 'y', expected a list", "one item per line"),
    ("name: x\nspare: [y]", "p.yaml:2:8: spare, found a list of 1", "key: value"),
    ("name: x\nrepeats: 12", "p.yaml:2:10: repeats, found '12', expected at most 9, ", "range"),
    ("name: x\nrepeats: 0", "p.yaml:2:10: repeats, found '0', expected at least 1, ", "range"),
    ("name: x\n5 s: 1", "p.yaml:2:1: 5 s, found the unknown key", "must be a point"),
    ("name: x\nquick:", "p.yaml:2:7: quick, found nothing, expected yes or no", "yes or no"),
    ("name: x\nquick: on", "p.yaml:2:8: quick, found 'on'", "yes or no"),
    ("name: x\nzzzz: 1", "p.yaml:2:1: zzzz, found the unknown key", "remove it"),
]


@pytest.mark.parametrize(("text", "start", "remedy"), SINGLE)
def test_each_kind_of_fault_is_placed_and_remedied(text: str, start: str, remedy: str) -> None:
    """One fault, one line: the place, what was found, what to do."""
    (told,) = faults(text)
    assert told.startswith(start)
    assert remedy in told


def test_keys_inside_a_mapping_of_models_are_known_too() -> None:
    """The nearest known key is that of the model at this very place."""
    (told,) = faults("name: x\nspare:\n  q: {kind: bond, lvel: 3 V}")
    assert told.startswith("p.yaml:3:19: spare.q.lvel, found the unknown key 'lvel'")
    assert "expected one of kind, level, did you mean 'level'?" in told


def test_a_models_own_name_can_be_a_key_elsewhere() -> None:
    """A key equal to the word that tells union members apart doesn't confuse the place."""
    told = faults("name: x\nsteps:\n  - kind: bond\n    level: 1 A\n    bond: 2")
    assert [line.split(", ")[0] for line in told] == [
        "p.yaml:4:12: steps[1].level",
        "p.yaml:5:5: steps[1].bond",
    ]


COMMAS = [
    ("{kind: bond, level: 1,5 kV}", "'1,5 kV'", "write '1.5 kV': the decimal sign is"),
    ("{level: 1,5 kV, kind: bond}", "'1,5 kV'", "write '1.5 kV': the decimal sign is"),
    ("{kind: bond, level: 1,5}", "'1,5'", "write '1.5' and its unit: the decimal sign is"),
    ("{kind: bond, level: 1,500 V}", "'1,500 V'", "write '1.500 V' if the comma is the"),
    ("{kind: bond, level: 1,500 V}", "'1,500 V'", "decimal sign, '1500 V' if not"),
    ("{kind: bond, level: 1,500,5 V}", "'1,500,5 V'", "without separators"),
]


@pytest.mark.parametrize(("step", "found", "remedy"), COMMAS)
def test_a_decimal_comma_that_cuts_a_number_apart_is_told_as_such(
    step: str, found: str, remedy: str
) -> None:
    """Between braces YAML ends a value at a comma. Adding a unit to what is left and removing
    the rest would make another number of it: neither is ever suggested."""
    (told,) = faults(f"name: x\nsteps:\n  - {step}")
    assert told.startswith(f"p.yaml:3:{5 + step.index('level: ') + 7}: the number, found {found},")
    assert remedy in told
    assert "remove" not in told
    assert "add the unit" not in told


def test_two_decimal_commas_with_the_same_end_are_two_faults() -> None:
    """And not a key that stands there a second time."""
    text = "name: x\nspare:\n  a: {kind: bond, level: 1,5 V, other: 2,5 V}"
    told = [line.split(", ")[1] for line in faults(text)]
    assert "found '1,5 V'" in told
    assert "found '2,5 V'" in told
    assert not any("second time" in line for line in told)


def test_a_key_without_value_after_a_text_is_no_decimal_comma() -> None:
    """Only a bare number can have been cut."""
    (told,) = faults("{name: x, 5 s}")
    assert "unknown key '5 s'" in told


def test_data_built_in_python_is_refused_in_the_same_words() -> None:
    """`build` tells every fault, with the path in place of a line."""
    steps = [{"kind": "bond", "level": "1,5 V", "levle": "3 V"}, {"kind": "saok"}, {"kind": "soak"}]
    with pytest.raises(Refused) as caught:
        build(Plan, {"name": "x", "steps": steps}, "the plan")
    told = [str(fault) for fault in caught.value.faults]
    assert [line.split(", ")[0] for line in told] == [
        "the plan: steps[1].level",
        "the plan: steps[1].levle",
        "the plan: steps[2].kind",
        "the plan: steps[3].level",
    ]
    assert "did you mean 'soak'?" in told[2]


def test_data_built_in_python_becomes_the_model() -> None:
    """Sound data, and data that isn't even a mapping."""
    assert build(Plan, {"name": "x", "repeats": 3}) == Plan(name="x", repeats=3)
    with pytest.raises(Refused, match="built in Python: the data, found 'x', expected keys"):
        build(Plan, "x")


@pytest.mark.parametrize("bracket", ["[", "{a: ", "- ", "? "])
def test_a_deeply_nested_file_is_refused(bracket: str) -> None:
    """No stack overflow, no long wait."""
    assert any("levels of nesting" in told for told in faults(bracket * 5000))


def test_a_file_that_expands_itself_is_refused() -> None:
    """Aliases are never expanded, so they can't multiply."""
    lines = ["a0: &a0 [x, x]"] + [f"a{i}: &a{i} [*a{i - 1}, *a{i - 1}]" for i in range(1, 60)]
    assert any("an alias" in told for told in faults("\n".join(lines)))


def test_a_huge_file_is_refused_before_it_is_read_through(tmp_path: Path) -> None:
    """The limit is on bytes, for files and texts alike."""
    path = tmp_path / "p.yaml"
    path.write_bytes(b"#" * (LARGEST_FILE + 1))
    with pytest.raises(Refused, match="more than 20 MB"):
        read_document(path, Plan)
    assert "more than 20 MB" in faults("#" * (LARGEST_FILE + 1))[0]


def test_the_number_of_faults_told_is_bounded() -> None:
    """Thousands of duplicate keys don't give thousands of lines."""
    assert len(faults("a: 1\n" * 5000)) <= 200


def test_a_missing_file_is_a_fault(tmp_path: Path) -> None:
    """It is told like any other, with the path as it was given."""
    with pytest.raises(Refused, match=r"none\.yaml: the file, found no such file"):
        read_document(tmp_path / "none.yaml", Plan)


@pytest.mark.parametrize("name", ["", "a\0b"])
def test_an_unreadable_file_is_a_fault(tmp_path: Path, name: str) -> None:
    """A folder, or a path that can't be one."""
    with pytest.raises(Refused, match="the file, found") as caught:
        read_document(tmp_path / name, Plan)
    assert "readable file" in str(caught.value)


def test_a_file_in_another_encoding_is_a_fault_with_its_place(tmp_path: Path) -> None:
    """The first byte that isn't UTF-8 is named."""
    path = tmp_path / "p.yaml"
    path.write_bytes("name: x\nnote: 5 µA".encode("latin-1"))
    with pytest.raises(Refused, match=r"p\.yaml:2:9: the text, found the byte 0xb5"):
        read_document(path, Plan)


def test_validators_get_the_context(tmp_path: Path) -> None:
    """What only the caller knows can be checked at the file's own line."""
    path = tmp_path / "p.yaml"
    path.write_text("name: x", encoding="utf-8")
    assert read_document(path, Plan, context={"names": {"x"}}).model.name == "x"
    with pytest.raises(Refused, match="1:7: name, found 'x', expected a known name, choose"):
        read_document(path, Plan, context={"names": {"y"}})


def test_a_model_built_in_python_is_a_document_without_lines() -> None:
    """Same model, same hash; another model, another hash."""
    one = Document.built(Plan(name="x"), "built here")
    assert one.locate("steps", 0) == Position("built here")
    assert one.sha256 == Document.built(Plan(name="x"), "elsewhere").sha256
    assert one.sha256 != Document.built(Plan(name="y"), "built here").sha256


pieces = st.sampled_from(
    [
        *"[]{}:,-?&*!|>'\"%@`#\n\t ~<=",
        "name",
        "steps",
        "kind",
        ": ",
        "- ",
        "\n  ",
        "---\n",
        "é",
        "\0",
    ]
)


@given(st.one_of(st.text(), st.lists(pieces).map("".join)))
def test_any_text_is_a_document_or_a_refusal(text: str) -> None:
    """Nothing else leaves the reader, and each fault names the file and a remedy."""
    try:
        parse_document(text, "p.yaml", Plan)
    except Refused as refused:
        told = refused.faults
    else:
        told = ()
    assert all(fault.position is not None and fault.remedy for fault in told)
    assert all("\n" not in str(fault) for fault in told)


@given(st.lists(pieces).map("".join))
@example('a: "\\UFFFFFFFF"')
@example('a: "\\UD800"')
@example("[" * 5000)
def test_the_loader_without_c_library_refuses_as_safely(text: str) -> None:
    """Where PyYAML was built without its C part, the same promise holds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(yaml_nodes, "_Loader", yaml.SafeLoader)
        root, told = yaml_nodes.read_nodes(text, "p.yaml")
    assert root is not None or told


@given(st.binary(max_size=200))
def test_any_bytes_are_a_document_or_a_refusal(data: bytes) -> None:
    """Read from text that may be anything an editor left behind."""
    text = data.decode("latin-1")
    try:
        document = parse_document(text, "p.yaml", Plan)
    except Refused as refused:
        assert refused.faults  # noqa: PT017 - both ways out are right
    else:
        assert document.model.name is not None


@given(st.text(st.characters(codec="utf-8", exclude_categories=["C"]), min_size=1, max_size=40))
def test_a_quoted_text_arrives_unchanged(text: str) -> None:
    """Whatever people call their points."""
    quoted = text.replace("'", "''")
    if text == "plain" or "\u2028" in text or "\u2029" in text:  # YAML 1.1 folds these as lines
        return
    assert parse_document(f"name: '{quoted}'", "p.yaml", Plan).model.name == text
