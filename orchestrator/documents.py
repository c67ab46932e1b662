"""Files in, frozen models out; or every fault of the file at once, with line and column.

YAML is read with every scalar as the text it is ('OFF' stays 'OFF', '010' stays '010'); the model
says what a text means. Duplicate keys, unknown keys, anchors, tags and second documents are
refused.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Generic, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from orchestrator.errors import Fault, Position, Refused, refuse
from orchestrator.model_faults import faults_of, find
from orchestrator.yaml_nodes import Node, read_nodes

__all__ = [
    "Document",
    "Strict",
    "WholeNumber",
    "YesNo",
    "parse_document",
    "read_document",
    "refuse",
]

LARGEST_FILE = 1_000_000
"""Bytes. A program of 4096 points and a thousand steps needs less than half of it."""


class Strict(BaseModel):
    """Base of every model that is read from a file: frozen, unknown keys refused."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_default=True, allow_inf_nan=False
    )


def _yes_or_no(value: object) -> bool:
    if isinstance(value, bool):
        return value
    if value in {"yes", "true"}:
        return True
    if value in {"no", "false"}:
        return False
    found = "nothing" if value is None else f"{value!r:.60}"
    raise refuse(found=found, expected="yes or no", remedy="write yes or no")


def _whole(value: object) -> object:
    if isinstance(value, str) and not re.fullmatch(r"[+-]?[0-9]{1,18}", value):
        remedy = "write digits only, without point, unit or separators"
        raise refuse(found=f"{value!r:.60}", expected="a whole number", remedy=remedy)
    return value


YesNo = Annotated[bool, BeforeValidator(_yes_or_no)]
"""A choice written yes, no, true or false."""

WholeNumber = Annotated[int, BeforeValidator(_whole)]
"""A whole number written in digits; add `Field(ge=…, le=…)` for its range."""

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class Document(Generic[M]):
    """A model together with where it came from.

    Attributes:
        model: what the file says.
        file: the path as it was given, or the name of a model built in Python.
        sha256: of the file's bytes, in hexadecimal; it goes into every record.
    """

    model: M
    file: str
    sha256: str
    _root: Node | None = field(default=None, repr=False, compare=False)

    def locate(self, *loc: str | int) -> Position:
        """Where the value at `loc` stands, such as ``locate("steps", 0, "level")``.

        Falls back to the nearest enclosing value; a model built in Python has no lines.
        """
        return find(self._root, loc, self.file)[0]

    @classmethod
    def built(cls, model: M, name: str) -> Document[M]:
        """Wrap a model built in Python; the hash is over its canonical JSON."""
        data = json.dumps(model.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        return Document(model, name, hashlib.sha256(data.encode()).hexdigest())


def read_document(
    path: str | Path, model: type[M], *, context: Mapping[str, Any] | None = None
) -> Document[M]:
    """Read a file into a model.

    Args:
        path: the file; UTF-8.
        model: what it must hold.
        context: handed to the model's validators.

    Raises:
        Refused: with every fault of the file, a missing or unreadable file included.
    """
    name = str(path)
    data = _bytes_of(Path(path), name)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        column = error.start - (data[: error.start].rfind(b"\n") + 1) + 1
        position = Position(name, line, column)
        found = f"the byte 0x{data[error.start]:02x}"
        fault = Fault("the text", found, "UTF-8", "save the file as UTF-8", position)
        raise Refused((fault,)) from error
    return _parse(text, data, name, model, context)


def parse_document(
    text: str, name: str, model: type[M], *, context: Mapping[str, Any] | None = None
) -> Document[M]:
    """Like `read_document`, from a text already at hand; `name` stands in messages.

    Raises:
        Refused: with every fault of the text.
    """
    return _parse(text, text.encode("utf-8", "surrogatepass"), name, model, context)


def _bytes_of(path: Path, name: str) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_FILE + 1)
    except FileNotFoundError as error:
        fault = Fault("the file", "no such file", "a file", "check the path", Position(name))
        raise Refused((fault,)) from error
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        reason = getattr(error, "strerror", None) or str(error)
        remedy = "check that it is a file and that you may read it"
        fault = Fault("the file", reason, "a readable file", remedy, Position(name))
        raise Refused((fault,)) from error


def _parse(
    text: str, data: bytes, name: str, model: type[M], context: Mapping[str, Any] | None
) -> Document[M]:
    if len(data) > LARGEST_FILE:
        remedy = "check that this is the right file"
        found, expected = "more than 1 MB", "at most 1 MB"
        raise Refused((Fault("the file", found, expected, remedy, Position(name)),))
    root, faults = read_nodes(text, name)
    if root is None:
        raise Refused(faults)
    plain = root.plain()
    try:
        result = model.model_validate(plain, context=None if context is None else dict(context))
    except ValidationError as error:
        refused_already = {fault.position for fault in faults}
        told = faults_of(error, model, root, name)
        more = tuple(fault for fault in told if fault.position not in refused_already)
        raise Refused(_in_order(faults + more)) from error
    if faults:
        raise Refused(faults)
    return Document(result, name, hashlib.sha256(data).hexdigest(), root)


def _in_order(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    def place(fault: Fault) -> tuple[int, int]:
        at = fault.position
        return (0, 0) if at is None else (at.line, at.column)

    return tuple(sorted(faults, key=place))
