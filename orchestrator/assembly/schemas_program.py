"""What a program's ``defaults`` mean for its schema: a step may leave out what they hold."""

from __future__ import annotations

from typing import Any

from orchestrator.assembly.schemas_walk import Json, Walk


def with_defaults(walk: Walk, schema: Json) -> None:
    """Let a step of some kind leave out a key that the defaults hold, and only such a key.

    Each group of defaults offers the keys of its kind, ``all`` those of every kind.
    """
    steps = schema["properties"]["steps"]["items"]
    kinds = {case["if"]["properties"]["kind"]["const"]: case["then"] for case in steps["allOf"]}
    models = {kind: _definition(walk, ref) for kind, ref in kinds.items()}
    conditions = []
    for kind, model in models.items():
        needed, model["required"] = model["required"], ["kind"]
        conditions += [_unless_defaulted(kind, key) for key in needed if key != "kind"]
    steps["required"] = []
    conditions.append(
        {"if": _no_group_holds(["all"], "kind"), "then": _each_step({"required": ["kind"]})}
    )
    groups = schema["properties"]["defaults"]["properties"]
    for group in groups:
        held = list(models.values()) if group == "all" else [models[group]]
        groups[group] = {
            "type": "object",
            "description": _told(group),
            "properties": _merged(held),
            "additionalProperties": False,
        }
    schema["allOf"] = conditions


def _told(group: str) -> str:
    return "values for all steps" if group == "all" else f"values for all steps of kind {group}"


def _definition(walk: Walk, ref: Json) -> Json:
    found: Json = walk.definitions[ref["$ref"].rpartition("/")[2]]
    return found


def _unless_defaulted(kind: str, key: str) -> Json:
    such = {"properties": {"kind": {"const": kind}}, "required": ["kind"]}
    step = {"if": such, "then": {"required": [key]}}
    return {"if": _no_group_holds(["all", kind], key), "then": _each_step(step)}


def _no_group_holds(groups: list[str], key: str) -> Json:
    lacking = {group: {"not": {"required": [key]}} for group in groups}
    return {"properties": {"defaults": {"properties": lacking}}}


def _each_step(demand: Json) -> Json:
    return {"properties": {"steps": {"items": demand}}}


def _merged(models: list[Json]) -> dict[str, Any]:
    """The keys of several kinds of step; where they mean different values, any of them."""
    merged: dict[str, list[Json]] = {}
    for model in models:
        for key, value in model["properties"].items():
            known = merged.setdefault(key, [])
            if value not in known:
                known.append(value)
    return {key: some[0] if len(some) == 1 else _any_of(some) for key, some in merged.items()}


def _any_of(some: list[Json]) -> Json:
    if all(set(one) == {"enum"} for one in some):
        return {"enum": [word for one in some for word in one["enum"]]}
    told = some[0].get("description")
    return {"anyOf": some, **({"description": told} if told else {})}
