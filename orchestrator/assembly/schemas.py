"""One JSON Schema for each kind of file, and the line by which a file names its own.

What an editor is told is as strict as a schema can be; the loader knows more (keys that need each
other, ranges, names that must exist). A file that the loader takes is never refused, but for: an
unknown key in a group of defaults that no step uses, and a date that isn't written YYYY-MM-DD.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path, PurePath
from typing import Any

from pydantic import BaseModel

from orchestrator.assembly.plugins import plugin
from orchestrator.assembly.schemas_program import with_defaults
from orchestrator.assembly.schemas_texts import files_texts, profile_texts
from orchestrator.assembly.schemas_walk import (
    Json,
    Shape,
    Walk,
    as_is,
    matching,
    one_or_list,
    text_of,
)
from orchestrator.model import fixture
from orchestrator.model.fixture import Fixture
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.rule_sheet import RuleSheet
from orchestrator.model.station import Station

DRAFT = "http://json-schema.org/draft-07/schema#"
FOLDER = ".schemas"
"""Where a station folder keeps them: out of the way, and found by a relative path."""
KINDS = ("program", "fixture", "station", "unit", "profile", "product", "rules")
CHECKERS = "ohmward.checkers"

_PLACES: dict[Any, Shape] = {
    fixture._as_tuple: one_or_list,
    fixture._as_placement: lambda schema: {
        "anyOf": [text_of(schema), {"type": "array", "items": text_of(schema)}, schema]
    },
    fixture._as_gauge: matching(r"^(AWG [0-9]{1,2}|[0-9]{1,4}(\.[0-9]{1,4})? mm2)$", "1.5 mm2"),
}


@cache
def schema_of(kind: str) -> Json:
    """The schema of one kind of file, of `KINDS`; not to be changed.

    Raises:
        Refused: the package that offers profiles or the simulated bench isn't installed.
        Unknown: a model holds what can't be described; a mistake of this program.
    """
    if kind == "profile":
        return _profile()
    models: dict[str, Callable[[], type[BaseModel]]] = {
        "program": lambda: Program,
        "fixture": lambda: Fixture,
        "station": lambda: Station,
        "unit": lambda: plugin(CHECKERS, "unit"),
        "product": lambda: Product,
        "rules": lambda: RuleSheet,
    }
    walk = Walk(_PLACES, files_texts(), {Program: with_defaults})
    ref = walk.ref(models[kind]())
    name = ref["$ref"].rpartition("/")[2]
    return _document(kind, walk.definitions.pop(name), walk)


def _profile() -> Json:
    """Both kinds of profile, told apart by the key `kind`."""
    offered = plugin(CHECKERS, "schema")()
    shapes: dict[Any, Shape] = dict.fromkeys(offered.lists, one_or_list)
    shapes |= dict.fromkeys(offered.unchanged, as_is)
    shapes |= {function: matching(*form) for function, form in offered.texts.items()}
    walk = Walk(shapes, profile_texts(), {})
    return _document("profile", walk.tagged(offered.models, "kind"), walk)


def _document(kind: str, root: Json, walk: Walk) -> Json:
    head: Json = {"$schema": DRAFT, "title": f"ohmward {kind}"}
    return {**head, **root, "definitions": walk.definitions}


def text_of_schema(kind: str) -> str:
    """As it is written to a file."""
    return json.dumps(schema_of(kind), indent=1, ensure_ascii=False) + "\n"


def file_name(kind: str) -> str:
    """'station.schema.json'."""
    return f"{kind}.schema.json"


def first_line(kind: str, folder: PurePath | str = FOLDER) -> str:
    """The comment by which editors find the schema, `folder` as seen from the file."""
    return f"# yaml-language-server: $schema={PurePath(folder, file_name(kind)).as_posix()}"


def write_schemas(folder: Path) -> tuple[Path, ...]:
    """Write all schemas into a folder, which is made if need be; older ones are replaced.

    Raises:
        OSError: the folder can't be written.
    """
    texts = {kind: text_of_schema(kind) for kind in KINDS}
    folder.mkdir(parents=True, exist_ok=True)
    files = {folder / file_name(kind): text for kind, text in texts.items()}
    for file, text in files.items():
        file.write_bytes(text.encode())
    return tuple(files)
