"""``ohmward schema`` and the schemas that ``ohmward new`` puts beside its files."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest

from orchestrator.assembly.schemas import KINDS, schema_of
from orchestrator.cli.main import main
from orchestrator.documents import read_document
from orchestrator.model.station import Station

Out = pytest.CaptureFixture[str]


def written(folder: Path) -> dict[str, object]:
    return {path.name: json.loads(path.read_text("utf-8")) for path in folder.iterdir()}


def test_a_schema_of_each_kind_is_written(tmp_path: Path, capsys: Out) -> None:
    """Nothing else, and what is told is there."""
    assert main(["schema", str(tmp_path / "deep" / "s")]) == 0
    told = capsys.readouterr().out
    files = written(tmp_path / "deep" / "s")
    assert files == {f"{kind}.schema.json": schema_of(kind) for kind in KINDS}
    assert all(name in told for name in files)
    assert "# yaml-language-server: $schema=s/station.schema.json" in told


def test_the_default_folder_is_beside_the_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the current folder."""
    monkeypatch.chdir(tmp_path)
    assert main(["schema"]) == 0
    assert len(written(tmp_path / ".schemas")) == len(KINDS)


def test_older_schemas_are_replaced(tmp_path: Path) -> None:
    """After an update of ohmward."""
    (tmp_path / "unit.schema.json").write_text("{}", "utf-8")
    assert main(["schema", str(tmp_path)]) == 0
    assert written(tmp_path)["unit.schema.json"] == schema_of("unit")


def test_a_folder_that_cannot_be_written_is_refused(tmp_path: Path, capsys: Out) -> None:
    """What, found, expected, remedy; exit code 2."""
    (tmp_path / "file").write_text("x", "utf-8")
    assert main(["schema", str(tmp_path / "file")]) == 2
    assert "a writable folder" in capsys.readouterr().err


def test_new_files_name_their_schemas_which_are_there_and_fit(tmp_path: Path) -> None:
    """Each first line leads from the file to its schema; the loader takes the file still."""
    bay = tmp_path / "bay"
    assert main(["new", str(bay)]) == 0
    for file in sorted(bay.glob("*.yaml")):
        first = file.read_text("utf-8").splitlines()[0]
        match = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        assert match, file
        schema = json.loads((bay / match[1]).read_text("utf-8"))
        jsonschema.Draft7Validator.check_schema(schema)
        assert schema["title"] == f"ohmward {file.stem}"
    assert read_document(bay / "station.yaml", Station).model.name == "bench station"
