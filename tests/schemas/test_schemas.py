"""The schemas agree with the loader, judged by an independent validator (jsonschema, draft-07).

Files are parsed as an editor parses them: YAML 1.2, core schema (chapter 10.3.2 of the YAML 1.2.2
specification): 5 is a number, true a truth value, yes a text. Nothing here lists keys by hand.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator
from datetime import date
from functools import cache, partial
from pathlib import Path
from typing import Annotated, Any

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BeforeValidator, Field

from drivers.language.profile import parse_profile
from drivers.simulators.unit import UnitUnderTest
from orchestrator.assembly.schemas import KINDS, first_line, schema_of, text_of_schema
from orchestrator.assembly.schemas_walk import Unknown, Walk, quantity
from orchestrator.documents import Strict, parse_document
from orchestrator.errors import Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.rule_sheet import RuleSheet
from orchestrator.model.station import Station
from orchestrator.quantities import Dimension, QuantityError, QuantityField, parse_quantity
from orchestrator.units import EXAMPLE, UNITS

ROOT = Path(__file__).resolve().parents[2]
BLOCK = re.compile(r"^```yaml (\w+)\n(.*?)^```", re.MULTILINE | re.DOTALL)
MODELS: dict[str, type[Strict]] = {
    "program": Program,
    "fixture": Fixture,
    "station": Station,
    "unit": UnitUnderTest,
    "product": Product,
    "rules": RuleSheet,
}
BY_CLASS = {model.__name__: kind for kind, model in MODELS.items()}


# ---- an editor's reading ------------------------------------------------------------------------


class Core(yaml.SafeLoader):
    """YAML 1.2's core schema, tag resolution of chapter 10.3.2."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - as the base class has it


for tag, pattern, first in (
    ("null", r"^(?:null|Null|NULL|~|)$", ["n", "N", "~", ""]),
    ("bool", r"^(?:true|True|TRUE|false|False|FALSE)$", list("tTfF")),
    ("int", r"^(?:[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+)$", list("-+0123456789")),
    (
        "float",
        r"^[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?$",
        list("-+.0123456789"),
    ),
):
    Core.add_implicit_resolver(f"tag:yaml.org,2002:{tag}", re.compile(pattern), first)
Core.add_constructor("tag:yaml.org,2002:int", lambda _, node: int(node.value))
Core.add_constructor("tag:yaml.org,2002:float", lambda _, node: float(node.value))


def seen(text: str) -> Any:
    """As JSON sees it: keys are text."""
    return json.loads(json.dumps(yaml.load(text, Loader=Core)))


def plain(text: str) -> Any:
    return yaml.load(text, Loader=yaml.BaseLoader)


@cache
def validator(kind: str) -> Any:
    return jsonschema.Draft7Validator(schema_of(kind))


def schema_faults(kind: str, data: Any) -> list[str]:
    return [error.message for error in validator(kind).iter_errors(data)]


def loader_refuses(kind: str, text: str) -> bool:
    try:
        if kind == "profile":
            parse_profile(text, "a profile")
        else:
            parse_document(text, "a file", MODELS[kind])
    except Refused:
        return True
    return False


def files() -> Iterator[tuple[str, str, str]]:
    """Every file of ours that the loader takes, and every whole block of the reference pages."""
    for folder in ("examples", "profiles", "tests"):
        for path in sorted((ROOT / folder).rglob("*.yaml")):
            text = path.read_text("utf-8")
            for kind in KINDS:
                if not loader_refuses(kind, text):
                    yield str(path.relative_to(ROOT)), kind, text
    for page in ("examples/FILES.md", "profiles/REFERENCE.md"):
        blocks = BLOCK.findall((ROOT / page).read_text("utf-8"))
        for number, (name, text) in enumerate(blocks):
            if name in BY_CLASS:
                yield f"{page} {number}", BY_CLASS[name], text


FILES = list(files())
NAMES = [name for name, _, _ in FILES]
each_file = pytest.mark.parametrize(("name", "kind", "text"), FILES, ids=NAMES)


# ---- what is right ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_each_schema_is_a_schema(kind: str) -> None:
    """By the meta-schema of draft-07; and written as JSON it is the same."""
    jsonschema.Draft7Validator.check_schema(schema_of(kind))
    assert json.loads(text_of_schema(kind)) == schema_of(kind)


def test_there_are_files_of_every_kind() -> None:
    """Otherwise the tests below would show less than they say."""
    found = [kind for _, kind, _ in FILES]
    assert all(found.count(kind) >= 3 for kind in KINDS)


@each_file
def test_what_the_loader_takes_is_valid(name: str, kind: str, text: str) -> None:
    """Read as an editor reads it, and with every scalar as text."""
    assert schema_faults(kind, seen(text)) == []
    assert schema_faults(kind, plain(text)) == []


def test_numbers_and_truth_values_without_quotes_are_valid() -> None:
    """An editor sees numbers, dates and truth values where the loader sees text."""
    text = """
    name: 12
    testers:
      1: {profile: pell, simulated: true, address: 5, calibration_due: 2027-03-31,
          link: {kind: serial, port: COM3, bits: 8, stop_bits: 1, baud: 9600}}
    positions: {7: 1.output}
    """
    assert not loader_refuses("station", text)
    assert schema_faults("station", seen(text)) == []


def test_a_step_may_lean_on_defaults_and_only_on_those_of_its_kind() -> None:
    """As the loader merges them: the kind's own, and those for all."""
    step = "steps: [{name: a, kind: bonding, apply_to: [x], against: [y], level: 1 A,"
    step += " accept: {resistance: {at_most: 1 ohm}}}]"
    for defaults, valid in (
        ("all: {dwell: 1 s}", True),
        ("bonding: {dwell: 1 s}", True),
        ("insulation: {dwell: 1 s}", False),
        ("bonding: {rise: 1 s}", False),
    ):
        text = f"name: p\nrevision: 1\ndefaults: {{{defaults}}}\n{step}"
        assert loader_refuses("program", text) is not valid
        assert (schema_faults("program", seen(text)) == []) is valid


# ---- what is wrong ------------------------------------------------------------------------------

Path_ = tuple[str | int, ...]


def mappings(data: Any, at: Path_ = ()) -> Iterator[tuple[Path_, dict[str, Any]]]:
    if isinstance(data, dict):
        yield at, data
        for key, value in data.items():
            yield from mappings(value, (*at, key))
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from mappings(value, (*at, index))


def changed(data: Any, at: Path_, change: Callable[[dict[str, Any]], None]) -> Any:
    data = copy.deepcopy(data)
    inner = data
    for part in at:
        inner = inner[part]
    change(inner)
    return data


def both(kind: str, data: Any) -> tuple[bool, bool]:
    """Whether the loader refuses it, whether the schema does."""
    text = yaml.dump(data, allow_unicode=True, sort_keys=False)
    return loader_refuses(kind, text), not validator(kind).is_valid(data)


@pytest.mark.slow
@each_file
@settings(max_examples=5)
@given(choice=st.data())
def test_a_misspelt_or_missing_key_is_refused_by_both(
    name: str, kind: str, text: str, choice: st.DataObject
) -> None:
    """Whatever the schema refuses of a mutated file, the loader refuses; and a key misspelt where
    the loader has a closed set of keys is seen by the schema too."""
    data = plain(text)
    at, mapping = choice.draw(st.sampled_from([m for m in mappings(data) if m[1]]))
    key = choice.draw(st.sampled_from(sorted(mapping)))
    misspelt = choice.draw(st.booleans())

    def change(inner: dict[str, Any]) -> None:
        value = inner.pop(key)
        if misspelt:
            inner[f"{key}_x"] = value

    loader, schema = both(kind, changed(data, at, change))
    assert loader or not schema, (at, key)
    if misspelt and closed(kind, data, at, key):
        assert schema, (at, key)


def closed(kind: str, data: Any, at: Path_, key: str) -> bool:
    """Whether the loader takes no key of another name here: it tells an unknown key."""
    text = yaml.dump(changed(data, at, lambda inner: inner.update({f"{key}_x": "1"})))
    try:
        parse_profile(text, "x") if kind == "profile" else parse_document(text, "x", MODELS[kind])
    except Refused as refused:
        return any("unknown" in f"{fault.what} {fault.found}" for fault in refused.faults)
    return False


@pytest.mark.slow
def test_every_top_level_key_that_is_needed_is_needed_in_both() -> None:
    """Taken away one by one from every file: the two agree wherever the schema demands it."""
    checked = 0
    for name, kind, text in FILES:
        data = plain(text)
        for key in data:
            if key in schema_of(kind).get("required", ()):
                assert both(kind, {k: v for k, v in data.items() if k != key}) == (True, True), name
                checked += 1
    assert checked > 30


@each_file
def test_a_wrong_unit_is_refused_by_both(name: str, kind: str, text: str) -> None:
    """The units of the first eight quantities, each replaced by one of another dimension."""
    data = plain(text)
    checked = 0
    for at, mapping in mappings(data):
        for key, value in mapping.items():
            if isinstance(value, str) and wrong_unit(value) is not None and not is_free(key):
                wrong = wrong_unit(value)
                broken = changed(data, at, partial(put, key=key, value=wrong))
                loader, schema = both(kind, broken)
                if loader and kind != "profile":
                    assert schema, (at, key, wrong)
                assert loader or not schema, (at, key, wrong)
                checked += 1
                if checked == 8:
                    return


def put(inner: dict[str, Any], *, key: str, value: Any) -> None:
    inner[key] = value


def wrong_unit(value: str) -> str | None:
    match = re.fullmatch(r"([0-9.]+) ?([A-Za-z]+)", value)
    if match is None or match[2] not in UNITS:
        return None
    return f"{match[1]} {'V' if UNITS[match[2]][0] is not Dimension.VOLTAGE else 's'}"


def is_free(key: str) -> bool:
    return key in {"name", "notes"}


# ---- quantities ---------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("dimension", Dimension)
@given(text=st.data())
def test_a_quantitys_pattern_is_its_grammar(dimension: Dimension, text: st.DataObject) -> None:
    """Any number with any unit, right or wrong, with none, one or two blanks."""
    number = text.draw(st.from_regex(r"[+-]?[0-9]{0,3}[.,]?[0-9]{0,3}", fullmatch=True))
    blank = text.draw(st.sampled_from(["", " ", "  "]))
    unit = text.draw(st.sampled_from([*sorted(UNITS), "", "x", "v"]))
    written = f"{number}{blank}{unit}"
    example = EXAMPLE[dimension]
    pattern = quantity(QuantityField(dimension, example, example))["pattern"]
    try:
        parse_quantity(written, dimension)
        right = True
    except QuantityError:
        right = False
    assert (re.search(pattern, written) is not None) is right


# ---- the walk -----------------------------------------------------------------------------------


def _odd(value: object) -> object:
    return value


class _Odd(Strict):
    strange: Annotated[date, BeforeValidator(_odd)]


class _Choice(Strict):
    either: Fixture | Program


class _Named(Strict):
    described: Annotated[str, Field(description="its own text")]


def test_a_validator_without_a_known_shape_is_told_and_not_guessed() -> None:
    """Whoever adds one must say what may be written."""
    with pytest.raises(Unknown, match=r"_Odd.strange.*_odd"):
        Walk({}, lambda *_: None, {}).ref(_Odd)


def test_a_choice_without_a_telling_key_is_refused() -> None:
    """An editor couldn't say what is wrong."""
    with pytest.raises(Unknown, match=r"_Choice.either"):
        Walk({}, lambda *_: None, {}).ref(_Choice)


def test_a_key_without_a_row_has_its_own_description() -> None:
    """Rather than none."""
    walk = Walk({}, lambda *_: None, {})
    walk.ref(_Named)
    properties = walk.definitions["_Named"]["properties"]
    assert properties["described"]["description"] == "its own text"


def described(kind: str) -> list[tuple[str, bool]]:
    schema = schema_of(kind)
    models = {**schema["definitions"], kind: schema}
    return [
        (f"{name}.{key}", "description" in value)
        for name, model in models.items()
        for key, value in model.get("properties", {}).items()
        if key != "kind"
    ]


@pytest.mark.parametrize(("kind", "share"), [(k, 0.95) for k in MODELS] + [("profile", 0.8)])
def test_nearly_every_key_has_a_text(kind: str, share: float) -> None:
    """From the reference pages, else from the models."""
    told = described(kind)
    assert sum(has for _, has in told) >= share * len(told), [key for key, has in told if not has]


def test_the_texts_are_those_of_the_reference_page() -> None:
    """So that each stands in one place: the row of `testers`, word by word."""
    page = (ROOT / "examples" / "FILES.md").read_text("utf-8")
    (row,) = re.findall(r"^\| `testers` \| ([^|]+) \|", page, re.MULTILINE)
    assert schema_of("station")["properties"]["testers"]["description"].startswith(row)


def test_a_rule_sheet_is_told_by_its_own_section_though_its_title_has_two_words() -> None:
    """'## Rule sheet' belongs to the module rule_sheet; `edition` stands there alone."""
    page = (ROOT / "examples" / "FILES.md").read_text("utf-8")
    (row,) = re.findall(r"^\| `edition` \| ([^|]+) \|", page, re.MULTILINE)
    assert schema_of("rules")["properties"]["edition"]["description"].startswith(row)


def test_the_first_line_is_a_relative_path_with_forward_slashes() -> None:
    """As language servers read it on every system."""
    assert first_line("unit") == "# yaml-language-server: $schema=.schemas/unit.schema.json"
