"""Files in, frozen models out; or every fault of the file at once, with line and column.

YAML is read with every scalar as the text it is ('OFF' stays 'OFF', '010' stays '010'); the model
says what a text means. Duplicate keys, unknown keys, anchors, tags and second documents are
refused.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Generic, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from orchestrator.errors import Fault, Position, Refused, refuse
from orchestrator.model_faults import Loc, faults_of, find
from orchestrator.yaml_nodes import Node, read_nodes

__all__ = [
    "Document",
    "Loc",
    "Printable",
    "Strict",
    "WholeNumber",
    "YesNo",
    "build",
    "parse_document",
    "read_document",
    "refuse",
    "refuse_parts",
]

LARGEST_FILE = 20_000_000
"""Bytes. A program of 4096 points and a thousand steps needs less than half of it."""


class Strict(BaseModel):
    """Base of every model that is read from a file: frozen, unknown keys refused."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_default=True, allow_inf_nan=False
    )

    @classmethod
    def written_at(cls, data: Any, loc: Loc) -> Loc:
        """Where the value that the model holds at `loc` stands in `data`, as it was written.

        A model that moves values before it checks them (defaults into steps, say) overrides
        this, so that a fault is placed at the text and not at where its value went.
        """
        return loc


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


def _printable(text: str) -> str:
    bad = next((c for c in text if not c.isprintable()), None)
    if bad is None:
        return text
    if bad in "\r\n\x85\u2028\u2029":
        found, remedy = "a line break", "write it in one line (after '>' that takes '>-')"
    else:
        found = f"the character U+{ord(bad):04X}"
        remedy = "remove it; a blank is the space bar's"
    raise refuse(found=f"{found} in {text!r:.80}", expected="printable text", remedy=remedy)


Printable = AfterValidator(_printable)
"""Marks a text that reaches screens and reports: no control characters, no line breaks."""

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
        position, taken = find(self._root, loc, self.file)
        if taken != loc and (written := _written_at(type(self.model), self._plain, loc)) != loc:
            position = find(self._root, written, self.file)[0]
        return position

    @cached_property
    def _plain(self) -> Any:
        return None if self._root is None else self._root.plain()

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


def build(model: type[M], data: Any, name: str = "built in Python") -> M:
    """A model from Python data, written as in a file: quantities are texts such as '1.5 kV'.

    Args:
        model: what to build, such as `Program`.
        data: dicts, lists and texts, as a file would hold them.
        name: stands in messages where a file would stand with its line.

    Raises:
        Refused: with every fault of the data.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise Refused(_faults(error, model, None, data, name)) from error


def refuse_parts(parts: Iterable[tuple[Loc, PydanticCustomError]]) -> ValidationError:
    """The error a model's validator raises for faults of several parts of it, or of one.

    Usage: ``raise refuse_parts([(("steps", 3, "name"), refuse(found=…, …))])``.
    """
    lines = [InitErrorDetails(type=error, loc=loc, input=None) for loc, error in parts]
    return ValidationError.from_exception_data("model", lines)


def _written_at(model: type[BaseModel], data: Any, loc: Loc) -> Loc:
    return model.written_at(data, loc) if issubclass(model, Strict) else loc


def _faults(
    error: ValidationError, model: type[BaseModel], root: Node | None, data: Any, name: str
) -> tuple[Fault, ...]:
    def origin(loc: Loc) -> Loc:
        return _written_at(model, data, loc)

    return faults_of(error, model, root, name, origin)


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
        found, expected = "more than 20 MB", "at most 20 MB"
        raise Refused((Fault("the file", found, expected, remedy, Position(name)),))
    root, faults = read_nodes(text, name)
    if root is None:
        raise Refused(faults)
    plain = root.plain()
    try:
        result = model.model_validate(plain, context=None if context is None else dict(context))
    except ValidationError as error:
        refused_already = {fault.position for fault in faults}
        told = _faults(error, model, root, plain, name)
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
