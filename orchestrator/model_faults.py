"""pydantic's validation errors, told in the user's terms: where, found, expected, remedy."""

from __future__ import annotations

import types
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from typing_extensions import TypeAliasType

from orchestrator.errors import REFUSAL_TYPE, Fault, Position
from orchestrator.fault_words import Told, choice, general, nearest, unknown_key
from orchestrator.yaml_nodes import Node

Loc = tuple[int | str, ...]
Origin = Callable[[Loc], Loc]
"""Where a value stands that the model moved before it checked it; else the same place."""

KEY = "[key]"
"""pydantic's way to say in a location: the key itself is at fault."""

_CHOICES = frozenset({"union_tag_invalid", "literal_error", "enum", "union_tag_not_found"})


def faults_of(
    error: ValidationError,
    model: type[BaseModel],
    root: Node | None,
    name: str,
    origin: Origin = lambda loc: loc,
) -> tuple[Fault, ...]:
    """Every error of a validation as a fault, in the order of the file, without repeats.

    Args:
        error: what pydantic raised.
        model: the model it was raised for.
        root: the nodes that were validated; None for a model built without a file.
        name: the file's name, or what stands for it.
        origin: where the text of a value stands. What is written once is told once.
    """
    every = error.errors()
    meant = _meant_keys(every, model)
    found: dict[object, Fault] = {}
    for details in every:
        if _is_echo(details, every) or (details["type"] == "missing" and details["loc"] in meant):
            continue
        loc = _walk(model, details["loc"])[0]
        moved = origin(loc) != loc
        fault = _Teller(model, root, name, origin).fault(details, loc)
        found.setdefault((fault.what, fault.found) if moved else fault, fault)
    return tuple(sorted(found.values(), key=_order))


def _is_echo(details: ErrorDetails, every: list[ErrorDetails]) -> bool:
    """A list counts as too short once its faulty items are left out: their faults say enough."""
    loc = details["loc"]
    return details["type"] == "too_short" and any(
        other["loc"][: len(loc)] == loc and len(other["loc"]) > len(loc) for other in every
    )


def _meant_keys(every: list[ErrorDetails], model: type[BaseModel]) -> set[Loc]:
    """Keys that are there but misspelt: 'missing' would contradict 'did you mean'."""
    places = [details["loc"] for details in every if details["type"] == "extra_forbidden"]
    near = ((loc[:-1], nearest(str(loc[-1]), known_keys(model, loc[:-1]))) for loc in places)
    return {(*parent, key) for parent, key in near if key is not None}


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
        if part == KEY and taken:
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


@dataclass(frozen=True)
class _Teller:
    """Turns errors of one validation into faults."""

    model: type[BaseModel]
    root: Node | None
    name: str
    origin: Origin

    def fault(self, details: ErrorDetails, loc: Loc) -> Fault:
        """One error; `loc` is its location without the names of union members."""
        kind, told = details["type"], self._told(details, loc)
        place = self.origin(loc)
        if kind == "missing":
            return Fault(_path(place), *told, find(self.root, place[:-1], self.name)[0])
        if kind.startswith("union_tag"):
            tag = str(details.get("ctx", {}).get("discriminator", "")).strip("'")
            place = self.origin((*loc, tag))
            return Fault(_path(place), *told, find(self.root, place, self.name)[0])
        position, taken = find(self.root, place, self.name)
        if kind == "extra_forbidden":
            position = self._key_position(place) or position
        elif KEY in place:
            place = place[: place.index(KEY)]
            position = self._key_position(place) or position
        if self.root is None:
            taken = place
        whole = "the data" if self.root is None else "the file"
        return Fault(_path(taken or place) or whole, *told, position)

    def _told(self, details: ErrorDetails, loc: Loc) -> Told:
        kind, ctx = details["type"], details.get("ctx", {})
        cause: Any = ctx.get("error")
        if kind == REFUSAL_TYPE:
            return ctx["found"], ctx["expected"], ctx["remedy"]
        if all(hasattr(cause, word) for word in ("found", "expected", "remedy")):
            return cause.found, cause.expected, cause.remedy
        if kind == "missing":
            return "nothing", f"the key {str(loc[-1])!r}", f"add '{loc[-1]}: …' here"
        if kind == "extra_forbidden":
            key, tagged, place = str(loc[-1]), details["loc"], self.origin(loc)
            if place != loc and len(place) > 1 and place[-2] not in tagged:
                return _moved_key(key, loc, tagged, self.model)
            return unknown_key(key, known_keys(self.model, tagged[:-1]))
        if kind in _CHOICES:
            return choice(details)
        return general(details)

    def _key_position(self, loc: Loc) -> Position | None:
        if self.root is None or not loc:
            return None
        node = self.root
        for part in loc[:-1]:
            node = _child(node, part) or node
        entry = node.entries.get(str(loc[-1]))
        return None if entry is None else entry[0].position


def _path(loc: Sequence[int | str]) -> str:
    """steps[3].level: list items count from 1, as people do."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def _moved_key(key: str, loc: Loc, tagged: Loc, model: type[BaseModel]) -> Told:
    """An unknown key that was written once for several kinds.

    Args:
        key: its word.
        loc: where its value went.
        tagged: the same as pydantic says it, with the kind's word.
        model: the model of the whole.
    """
    everywhere = known_keys(model, loc[:-1])
    if key in everywhere:
        found = f"the key {key!r}, which not every kind here knows"
        return found, "keys that all of them know", "write it under the kinds that know it"
    return unknown_key(key, everywhere or known_keys(model, tagged[:-1]))


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
        names_one = not deeper or (named and not chosen)
        if len(candidates) > 1 and names_one and (named or not chosen):
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
    named = [c for c in candidates if _is_model(c) and (part == c.__name__ or part in _tags(c))]
    # A word may also be one of several that a common field takes; what tells members apart has one.
    return [c for c in named if part == c.__name__ or part in _tags(c, most=1)] or named


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


def _tags(model: type[BaseModel], most: int = 1000) -> set[Any]:
    """The words by which a discriminated union may know this model, from fields that take at
    most so many."""
    return {
        word
        for kind in _fields(model).values()
        for member in _members(kind)
        if get_origin(member) is Literal and len(get_args(member)) <= most
        for word in get_args(member)
    }
