"""pydantic's validation errors, told in the user's terms: where, found, expected, remedy."""

from __future__ import annotations

import re
import types
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from typing_extensions import TypeAliasType

from orchestrator.errors import REFUSAL_TYPE, Fault, Position
from orchestrator.yaml_nodes import Node

Loc = tuple[int | str, ...]
_ENUM_MEMBER = re.compile(r"<[A-Za-z_.]+: ('[^']*')>")


def faults_of(
    error: ValidationError, model: type[BaseModel], root: Node | None, name: str
) -> tuple[Fault, ...]:
    """Every error of a validation as a fault, in the order of the file, without repeats.

    Args:
        error: what pydantic raised.
        model: the model it was raised for.
        root: the nodes that were validated; None for a model built without a file.
        name: the file's name, or what stands for it.
    """
    errors = [details for details in error.errors() if not _is_echo(details, error)]
    found = dict.fromkeys(_fault(details, model, root, name) for details in errors)
    return tuple(sorted(found, key=_order))


def _is_echo(details: ErrorDetails, error: ValidationError) -> bool:
    """A list counts as too short once its faulty items are left out: their faults say enough."""
    loc = details["loc"]
    return details["type"] == "too_short" and any(
        other["loc"][: len(loc)] == loc and len(other["loc"]) > len(loc) for other in error.errors()
    )


def find(root: Node | None, loc: Iterable[int | str], name: str) -> tuple[Position, Loc]:
    """The place of a value, and the part of `loc` that leads there.

    Parts that no key or index answers to (names of union members, keys that are missing) are
    passed over, so the place is that of the nearest enclosing value.
    """
    if root is None:
        return Position(name), ()
    node, position = root, root.position
    taken: list[int | str] = []
    for part in loc:
        if part == "[key]" and taken:  # pydantic's way to say: the key itself is at fault
            break
        child = _child(node, part)
        if child is not None:
            node, position = child, child.position
            taken.append(part)
    return position, tuple(taken)


def _child(node: Node, part: int | str) -> Node | None:
    if node.kind == "mapping":
        entry = node.entries.get(str(part))
        return None if entry is None else entry[1]
    if node.kind == "list" and isinstance(part, int) and 0 <= part < len(node.items):
        return node.items[part]
    return None


def _order(fault: Fault) -> tuple[int, int]:
    return (0, 0) if fault.position is None else (fault.position.line, fault.position.column)


# ---- one error ----------------------------------------------------------------------------------


def _fault(details: ErrorDetails, model: type[BaseModel], root: Node | None, name: str) -> Fault:
    loc, kind = _walk(model, details["loc"])[0], details["type"]
    position, taken = find(root, loc, name)
    if root is None:
        taken = tuple(loc)
    ctx = details.get("ctx", {})
    cause: Any = ctx.get("error")
    if kind == REFUSAL_TYPE:
        told = (ctx["found"], ctx["expected"], ctx["remedy"])
    elif all(hasattr(cause, word) for word in ("found", "expected", "remedy")):
        told = (cause.found, cause.expected, cause.remedy)
    elif kind == "missing":
        key = str(loc[-1])
        told = ("nothing", f"the key {key!r}", f"add '{key}: …' here")
        return Fault(_path((*taken, key)), *told, position)
    elif kind == "extra_forbidden":
        key_position = _key_position(root, loc, name) or position
        return Fault(_path(taken or loc), *_unknown_key(details["loc"], model), key_position)
    elif kind in {"union_tag_invalid", "literal_error", "enum", "union_tag_not_found"}:
        told = _choice(details, ctx)
        if kind.startswith("union_tag"):
            key = str(ctx.get("discriminator", "")).strip("'")
            position = find(root, (*taken, key), name)[0]
            taken = (*taken, key)
    else:
        told = _general(details)
    return Fault(_path(taken), *told, position)


def _path(loc: Sequence[int | str]) -> str:
    """steps[3].level: list items count from 1, as people do."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text or "the file"


def _shown(value: object) -> str:
    """A short form of what was found."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "keys with values" if value else "an empty mapping"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}…'"


def _key_position(root: Node | None, loc: Loc, name: str) -> Position | None:
    if root is None:
        return None
    node = root
    for part in loc[:-1]:
        node = _child(node, part) or node
    entry = node.entries.get(str(loc[-1]))
    return None if entry is None else entry[0].position


def _unknown_key(loc: Loc, model: type[BaseModel]) -> tuple[str, str, str]:
    key = str(loc[-1])
    names = known_keys(model, loc[:-1])
    near = get_close_matches(key.casefold(), names, n=1, cutoff=0.6)
    remedy = f"did you mean {near[0]!r}?" if near else "remove it"
    expected = f"one of {', '.join(names)}" if names else "no such key"
    return f"the unknown key {key!r}", expected, remedy


def _choice(details: ErrorDetails, ctx: dict[str, Any]) -> tuple[str, str, str]:
    listed = str(ctx.get("expected_tags") or ctx.get("expected") or "")
    listed = _ENUM_MEMBER.sub(r"\1", listed)
    words = [word.strip(" '") for word in listed.replace(" or ", ", ").split(",")]
    words = [word for word in words if word]
    if details["type"] == "union_tag_not_found":
        key = str(ctx.get("discriminator", "")).strip("'")
        return "nothing", f"the key {key!r}", f"add '{key}: …' here"
    value = ctx["tag"] if "tag" in ctx else details["input"]
    expected = f"one of {', '.join(words)}" if len(words) > 1 else f"{words[0]!r}" if words else "…"
    near = get_close_matches(str(value).casefold(), words, n=1, cutoff=0.5)
    remedy = f"did you mean {near[0]!r}?" if near else "write one of these words"
    return _shown(value), expected, remedy


_PLAIN = {
    "model_type": ("keys with values", "write 'key: value' lines here"),
    "model_attributes_type": ("keys with values", "write 'key: value' lines here"),
    "dict_type": ("keys with values", "write 'key: value' lines here"),
    "mapping_type": ("keys with values", "write 'key: value' lines here"),
    "tuple_type": ("a list", "write '[a, b]', or one item per line after '- '"),
    "list_type": ("a list", "write '[a, b]', or one item per line after '- '"),
    "string_type": ("a text", "write a text here"),
    "int_parsing": ("a whole number", "write digits only"),
    "int_type": ("a whole number", "write digits only"),
    "int_from_float": ("a whole number", "write digits only"),
    "float_parsing": ("a number", "write a number with a decimal point"),
    "float_type": ("a number", "write a number with a decimal point"),
    "decimal_parsing": ("a number", "write a number with a decimal point"),
    "date_from_datetime_parsing": ("a date", "write it as 2026-01-31"),
    "date_parsing": ("a date", "write it as 2026-01-31"),
    "date_type": ("a date", "write it as 2026-01-31"),
}


def _general(details: ErrorDetails) -> tuple[str, str, str]:
    found = _shown(details["input"])
    if (plain := _PLAIN.get(details["type"])) is not None:
        return found, *plain
    if details["type"] == "too_short":
        least = details.get("ctx", {}).get("min_length", 1)
        return found, f"at least {least} item{'s' if least != 1 else ''}", "add what is missing"
    message = details["msg"]
    for lead in ("Value error, ", "Assertion failed, "):
        if message.startswith(lead):
            return found, "a valid value", message.removeprefix(lead) or "correct the value"
    for lead in ("Input should be ", "String should ", "Tuple should ", "List should "):
        message = message.removeprefix(lead)
    return found, message[:1].lower() + message[1:], "correct the value"


# ---- what a model says about a place ------------------------------------------------------------


def known_keys(model: type[BaseModel], loc: Iterable[int | str]) -> tuple[str, ...]:
    """The keys allowed in the mapping that `loc` leads to; empty where that can't be told."""
    candidates = _walk(model, loc)[1]
    return tuple(dict.fromkeys(key for m in candidates if _is_model(m) for key in _fields(m)))


def _walk(model: type[BaseModel], loc: Iterable[int | str]) -> tuple[Loc, list[Any]]:
    """Follow a location through the annotations.

    Returns:
        The location without the parts by which pydantic names a union's member (a file has no
        such level), and the annotations possible at its end.
    """
    clean: list[int | str] = []
    candidates: list[Any] = [model]
    chosen = False
    for part in loc:
        deeper = [m for c in candidates for kind in _step(c, part) for m in _members(kind)]
        named = _named(candidates, part)
        if len(candidates) > 1 and (not chosen or (named and not deeper)):
            candidates = named or candidates
            chosen = True
            continue
        clean.append(part)
        candidates, chosen = deeper, False
    return tuple(clean), candidates


def _step(kind: Any, part: int | str) -> list[Any]:
    """The annotations one part further down."""
    if _is_model(kind):
        return [its for key, its in _fields(kind).items() if key == part]
    arguments = [a for a in get_args(kind) if a is not Ellipsis]
    if get_origin(kind) is Literal:
        return []
    if isinstance(part, int):
        fixed = get_origin(kind) is tuple and len(arguments) == len(get_args(kind))
        return arguments[part : part + 1] if fixed else arguments
    return arguments[1:] if len(arguments) == 2 else []  # a mapping: its values


def _named(candidates: list[Any], part: int | str) -> list[Any]:
    """Members of a union that pydantic calls by this word: the tag, or the class's name."""
    return [c for c in candidates if _is_model(c) and (part == c.__name__ or part in _tags(c))]


def _members(kind: Any) -> list[Any]:
    """The alternatives of an annotation, without Annotated, Optional and aliases."""
    if isinstance(kind, TypeAliasType):
        return _members(kind.__value__)
    origin = get_origin(kind)
    if origin is Annotated:
        return _members(get_args(kind)[0])
    if origin in {Union, types.UnionType}:
        return [m for a in get_args(kind) if a is not type(None) for m in _members(a)]
    return [kind]


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _fields(model: type[BaseModel]) -> dict[str, Any]:
    """Keys as files write them, with their annotations."""
    return {field.alias or name: field.annotation for name, field in model.model_fields.items()}


def _tags(model: type[BaseModel]) -> set[Any]:
    """The words by which a discriminated union may know this model."""
    return {
        word
        for kind in _fields(model).values()
        for member in _members(kind)
        if get_origin(member) is Literal
        for word in get_args(member)
    }
