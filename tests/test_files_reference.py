"""examples/FILES.md is true: every key of every model, every block, every command of its tour."""

from __future__ import annotations

import io
import json
import re
import shlex
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
import typer
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from drivers.simulators import unit
from drivers.simulators.demo_bench import serve_station
from orchestrator.assembly.plan import read_plan
from orchestrator.cli import running
from orchestrator.cli.codes import Exit
from orchestrator.cli.main import app, main
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.documents import parse_document, read_document
from orchestrator.model import fixture, product, program, rule_sheet, station
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.record import RunResult, StepResult
from orchestrator.model.station import Station
from orchestrator.quantities import QuantityField

Out = pytest.CaptureFixture[str]

FILES = Path(__file__).resolve().parent.parent / "examples" / "FILES.md"
TEXT = FILES.read_text("utf-8")
ROOTS: dict[str, type[BaseModel]] = {
    "Program": Program,
    "Fixture": Fixture,
    "Station": Station,
    "Unit": unit.UnitUnderTest,
    "Product": product.Product,
    "Rule sheet": rule_sheet.RuleSheet,
}
BLOCK = re.compile(r"^```yaml (\w+)\n(.*?)^```", re.MULTILINE | re.DOTALL)


def section(title: str) -> str:
    """The text from one heading of second rank to the next."""
    found = re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", TEXT, re.MULTILINE | re.DOTALL)
    assert found, title
    return found[1]


# ---- every key ----------------------------------------------------------------------------------


def parts_of(annotation: Any) -> Iterator[Any]:
    """Everything within a type: arguments of unions, tuples, mappings and annotations."""
    yield annotation
    for argument in get_args(annotation):
        yield from parts_of(argument)


def models_below(root: type[BaseModel]) -> list[type[BaseModel]]:
    """The model and all models that its fields hold, each once."""
    found: list[type[BaseModel]] = []
    waiting = [root]
    while waiting:
        model = waiting.pop(0)
        if model in found:
            continue
        found.append(model)
        for field in model.model_fields.values():
            held = [p for p in parts_of(field.annotation) if isinstance(p, type)]
            waiting += [p for p in held if issubclass(p, BaseModel)]
    return found


def all_fields() -> list[tuple[str, str, FieldInfo]]:
    """Section, key as a file writes it, field; the station's inline fixture is the fixture's."""
    found = []
    for title, root in ROOTS.items():
        models = models_below(root)
        if title == "Station":
            models = [model for model in models if model.__module__ == station.__name__]
        for model in models:
            for name, field in model.model_fields.items():
                found.append((title, field.alias or name, field))
    return found


def rows(title: str, key: str) -> list[str]:
    return [line for line in section(title).splitlines() if line.startswith(f"| `{key}` |")]


def test_the_introspection_reaches_every_model_of_the_files() -> None:
    """Otherwise the tests below would check less than they say."""
    reached = {model for root in ROOTS.values() for model in models_below(root)}
    for module in (program, fixture, station, unit, product, rule_sheet):
        own = {m for m in vars(module).values() if isinstance(m, type) and issubclass(m, BaseModel)}
        own = {m for m in own if m.__module__ == module.__name__ and not m.__name__.startswith("_")}
        assert own <= reached, module.__name__


def test_every_key_stands_in_a_table_of_its_file() -> None:
    """Keys of all models, aliases as files write them, in code type within a table's row."""
    tables = {
        title: "\n".join(line for line in section(title).splitlines() if line.startswith("|"))
        for title in ROOTS
    }
    missing = [(title, key) for title, key, _ in all_fields() if f"`{key}`" not in tables[title]]
    assert missing == []


def quantity_of(field: FieldInfo) -> list[QuantityField]:
    nested = [m for part in parts_of(field.annotation) for m in getattr(part, "__metadata__", ())]
    return [m for m in (*field.metadata, *nested) if isinstance(m, QuantityField)]


def test_every_range_stands_in_the_row_of_its_key() -> None:
    """'1 ms to 2 s' as the model has it; a key that several models have says each range."""
    checked = 0
    for title, key, field in all_fields():
        for span in quantity_of(field):
            told = f"{span.least} to {span.most}"
            assert any(told in row for row in rows(title, key)), f"{title} {key}: {told}"
            checked += 1
    assert checked > 30


def test_every_default_stands_in_the_row_of_its_key() -> None:
    """Where a key may be left out and something stands in for it."""
    checked = 0
    for title, key, field in all_fields():
        default = field.get_default(call_default_factory=True, validated_data={})
        nothing = default is None or default in ("", (), {}) or isinstance(default, BaseModel)
        if field.is_required() or nothing:
            continue
        word = str(default) if not isinstance(default, bool) else "yes" if default else "no"
        told = [row.split("|")[-3].strip(' `"') for row in rows(title, key)]
        assert word in told, f"{title} {key}: {word}, not {told}"
        checked += 1
    assert checked > 12


def test_every_word_that_a_key_may_hold_is_told() -> None:
    """Closed vocabularies: kinds, rules, parities."""
    for title, key, field in all_fields():
        for part in parts_of(field.annotation):
            if type(part) is str:
                assert re.search(rf"\b{part}\b", section(title)), f"{title} {key}: {part}"


# ---- every block --------------------------------------------------------------------------------


def blocks() -> list[tuple[str, str]]:
    return [(found[1], found[2]) for found in BLOCK.finditer(TEXT)]


def model_named(name: str) -> type[BaseModel]:
    for module in (program, fixture, station, unit, product, rule_sheet):
        if hasattr(module, name):
            model: type[BaseModel] = getattr(module, name)
            return model
    raise LookupError(name)


@pytest.mark.parametrize("index", range(len(blocks())))
def test_every_yaml_block_is_what_it_says(index: int) -> None:
    """Each block names its model behind 'yaml' and is read by it without a fault."""
    name, text = blocks()[index]
    parse_document(text, f"block {index}", model_named(name))


def test_no_yaml_block_goes_unchecked() -> None:
    """A block without its model's name would escape the test above."""
    assert len(re.findall(r"^\s*```yaml", TEXT, re.MULTILINE)) == len(blocks()) > 12


def test_the_program_of_all_kinds_has_every_kind() -> None:
    """One step of each."""
    name, text = blocks()[0]
    model = parse_document(text, name, Program).model
    assert len({step.kind for step in model.steps}) == 5


# ---- JSON lines and exit codes ------------------------------------------------------------------


@pytest.fixture
def bench2(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the second station, with its real twin and a first program."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "bench2"
    folder.mkdir()
    for name, text in re.findall(
        r"^`bench2/(\w+\.yaml)`:\n```yaml \w+\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL
    ):
        (folder / name).write_text(text, "utf-8")
    (real,) = (t for n, t in BLOCK.findall(section("From simulated to real")) if n == "Station")
    (folder / "real.yaml").write_text(real, "utf-8")
    (folder / "first.yaml").write_text((folder / "program.yaml").read_text("utf-8"), "utf-8")
    return folder


@pytest.fixture
def in_virtual_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "SystemClock", VirtualClock)


RUN = ["run", "bench2/station.yaml", "bench2/program.yaml", "--serial", "QW-0001", "--yes"]


def told_keys(kind: str) -> set[str]:
    (row,) = rows("JSON lines", kind)
    return set(re.findall(r"`(\w+)`", row)) - ({kind} if kind != "phase" else set()) | {"kind"}


@pytest.mark.usefixtures("bench2", "in_virtual_time")
def test_the_second_station_passes_a_good_unit_and_its_lines_are_as_told(capsys: Out) -> None:
    """Binds and runs on Pell and Comb; every key of every line stands in the row of its kind."""
    assert main(["check", *RUN[1:3]]) == 0
    capsys.readouterr()
    assert main([*RUN, "--json"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    seen = {line["kind"]: set(line) for line in lines}
    assert set(seen) == {"phase", "step_started", "live", "step_ended", "result"}
    for kind, keys in seen.items():
        assert keys == told_keys(kind), kind
    assert (lines[-1]["outcome"], lines[-1]["simulated"]) == ("pass", True)


def test_a_leaky_unit_fails_at_the_second_station(
    bench2: Path, in_virtual_time: None, capsys: Out
) -> None:
    """1250 V, 50 Hz over 20 nF is 7.9 mA (I = U * 2 pi f C), above 5 mA; exit code 1."""
    file = bench2 / "unit.yaml"
    file.write_text(file.read_text("utf-8").replace("1.5 nF", "20 nF"), "utf-8")
    assert main(RUN) == 1
    assert "failing step: mains to earth" in capsys.readouterr().out


def test_results_are_told_with_all_their_fields() -> None:
    """Those of the records' own types."""
    assert {f.name for f in fields(StepResult)} | {"kind", "utc"} == told_keys("step_ended")
    assert {f.name for f in fields(RunResult)} <= told_keys("result")


def test_a_refusal_as_json_is_as_told(bench2: Path, capsys: Out) -> None:
    """Its keys, and those of its faults."""
    (bench2 / "program.yaml").write_text("name: x\n", "utf-8")
    assert main([*RUN, "--json"]) == 2
    line = json.loads(capsys.readouterr().out)
    assert set(line) | set(line["faults"][0]) == told_keys("error") | {"error"}


def test_every_exit_code_is_told() -> None:
    """And no other."""
    told = re.findall(r"^\| (\d) \|", section("Exit codes"), re.MULTILINE)
    assert [int(code) for code in told] == sorted(Exit)


def test_faults_come_in_two_stages(bench2: Path, capsys: Out) -> None:
    """What can't be read hides what doesn't fit, until it is mended."""
    file = bench2 / "program.yaml"
    text = file.read_text("utf-8").replace("1250 V", "12.5 kV")
    file.write_text(text.replace("rise: 0.5 s", "rise: 0.5"), "utf-8")
    assert main(["check", *RUN[1:3]]) == 2
    first = capsys.readouterr().err
    assert "rise" in first
    assert "12.5 kV" not in first
    file.write_text(text, "utf-8")
    assert main(["check", *RUN[1:3]]) == 2
    assert "12.5 kV" in capsys.readouterr().err


# ---- from simulated to real ---------------------------------------------------------------------


def commands(title: str) -> list[list[str]]:
    found = re.findall(r"^\s*\$ ohmward (.+)$", section(title), re.MULTILINE)
    return [shlex.split(command) for command in found]


@pytest.mark.parametrize("title", ["A second station", "From simulated to real"])
def test_every_command_of_the_text_exists_with_its_options(title: str) -> None:
    """Parsed by the command line itself, without being carried out."""
    assert commands(title)
    for words in commands(title):
        command: Any = typer.main.get_command(app)
        rest = list(words)
        while hasattr(command, "commands"):
            command = command.commands[rest.pop(0)]
        command.make_context("ohmward", rest)


def real_station(folder: Path, links: dict[str, str]) -> Path:
    """The real station of the text at other ends, with a calibration that is never due."""
    text = (folder / "real.yaml").read_text("utf-8")
    for port, link in zip(("/dev/ttyUSB0", "/dev/ttyUSB1"), links.values(), strict=True):
        written = f"{{kind: serial, port: {port}}}"
        assert written in text
        text = text.replace(written, link)
    (folder / "real.yaml").write_text(text, "utf-8")
    return folder / "real.yaml"


def test_the_steps_without_connection_work_as_told(bench2: Path, capsys: Out) -> None:
    """Own profile, its exact bytes, check of the real station with and without the program."""
    shipped = FILES.parent.parent / "profiles" / "pell.yaml"
    (bench2 / "my_tester.yaml").write_bytes(shipped.read_bytes())
    file = bench2 / "station.yaml"
    text = file.read_text("utf-8").replace("profile: pell", "profile: my_tester.yaml")
    file.write_text(text, "utf-8")
    for words in commands("From simulated to real"):
        if words[0] == "check" or words[:2] == ["profile", "check"]:
            assert main(words) == 0, words
    told = capsys.readouterr().out
    # 1250 V in counts of 10 V, four digits, pell.md section 3
    assert "SL0125" in told
    assert "second bench, real (real instruments): no fault found" in told


def test_a_real_station_asks_and_refuses_yes(
    bench2: Path, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--yes is refused, 'no' is a no, and a 'yes' ends at first contact: these are simulations."""
    plan = read_plan(bench2 / "real.yaml")
    held = read_document(bench2 / "fixture.yaml", Fixture).model
    addresses = {name: chain.addresses for name, chain in plan.chains.items()}
    (words,) = (c for c in commands("From simulated to real") if c[0] == "run")
    with serve_station(plan.station, held, addresses, clock=SystemClock()) as served:
        real_station(bench2, served.links)
        assert main([*words, "--yes"]) == 2
        assert "no recorded commissioning sign-off" in capsys.readouterr().err
        for answer, code, said in (
            ("no\n", 2, "the run was not confirmed"),
            ("yes\n", 3, "answers as a simulation, the station file declares it real"),
        ):
            monkeypatch.setattr(sys, "stdin", io.StringIO(answer))
            assert main(words) == code
            err = capsys.readouterr().err
            assert "This station has REAL instruments. Type yes to go on:" in err
            assert said in err
        assert served.violations == ()
        assert not served.bench.state().any_on


def test_every_link_of_the_text_leads_somewhere() -> None:
    """To files, and to headings of this page."""
    headings = {
        re.sub(r"[^a-z0-9 -]", "", h.lower()).replace(" ", "-")
        for h in re.findall(r"^#+ (.+)$", TEXT, re.MULTILINE)
    }
    for target in re.findall(r"\]\(([^):]+)\)", TEXT):
        path, _, heading = target.partition("#")
        assert not path or (FILES.parent / path).exists(), target
        assert not heading or heading in headings, target
