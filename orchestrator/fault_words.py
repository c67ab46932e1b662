"""What pydantic's error types are called in plain words: found, expected, remedy."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Told = tuple[str, str, str]
"""Found, expected, remedy."""

_ENUM_MEMBER = re.compile(r"<[A-Za-z_.]+: ('[^']*')>")


def shown(value: object) -> str:
    """A short form of what was found."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "keys with values" if value else "an empty mapping"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}" if value else "an empty list"
    if value == "":
        return "an empty text"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}…'"


def nearest(word: str, words: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The word that was probably meant."""
    near = get_close_matches(word.casefold(), tuple(words), n=1, cutoff=cutoff)
    return near[0] if near else None


def unknown_key(key: str, names: tuple[str, ...]) -> Told:
    """A key that the model doesn't know; `names` are those it knows."""
    near = nearest(key, names)
    if near is not None:
        remedy = f"did you mean {near!r}?"
    elif key[:1].isdigit() and not any(name[:1].isdigit() for name in names):
        # Never 'remove it': of '{dwell: 1,5 s}' a wrong but valid value would be left.
        remedy = "write a key; if this is the rest of a number, its decimal sign must be a point"
    else:
        remedy = "remove it"
    expected = f"one of {', '.join(names)}" if names else "no such key"
    return f"the unknown key {key!r}", expected, remedy


def choice(details: ErrorDetails) -> Told:
    """A word that is none of a closed list."""
    ctx: dict[str, Any] = details.get("ctx", {})
    listed = str(ctx.get("expected_tags") or ctx.get("expected") or "")
    listed = _ENUM_MEMBER.sub(r"\1", listed)
    words = [word.strip(" '") for word in listed.replace(" or ", ", ").split(",")]
    words = [word for word in words if word]
    if details["type"] == "union_tag_not_found":
        key = str(ctx.get("discriminator", "")).strip("'")
        return "nothing", f"the key {key!r}", f"add '{key}: …' here"
    value = ctx["tag"] if "tag" in ctx else details["input"]
    expected = f"one of {', '.join(words)}" if len(words) > 1 else f"{words[0]!r}" if words else "…"
    near = nearest(str(value), words, cutoff=0.5)
    remedy = f"did you mean {near!r}?" if near else "write one of these words"
    return shown(value), expected, remedy


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

_BOUNDS = {
    "greater_than_equal": ("ge", "at least"),
    "less_than_equal": ("le", "at most"),
    "greater_than": ("gt", "more than"),
    "less_than": ("lt", "less than"),
}


def general(details: ErrorDetails) -> Told:
    """Any other error."""
    kind, found = details["type"], shown(details["input"])
    if (plain := _PLAIN.get(kind)) is not None:
        return found, *plain
    ctx: dict[str, Any] = details.get("ctx", {})
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        return found, f"{words} {ctx[key]}", "write a number in this range"
    if kind.endswith(("too_short", "too_long")):
        return _length(kind, found, details["input"], ctx)
    if kind == "string_pattern_mismatch":
        return found, f"a text of the form {ctx['pattern']}", "write it in this form"
    message = details["msg"]
    for lead in ("Value error, ", "Assertion failed, "):
        if message.startswith(lead):
            return found, "a valid value", message.removeprefix(lead) or "correct the value"
    for lead in ("Input should be ", "String should ", "Tuple should ", "List should "):
        message = message.removeprefix(lead)
    return found, message[:1].lower() + message[1:], "correct the value"


def _length(kind: str, found: str, value: object, ctx: dict[str, Any]) -> Told:
    text = kind.startswith("string")
    unit = "character" if text else "item"
    bound = int(ctx["min_length" if kind.endswith("short") else "max_length"])
    if text and isinstance(value, str) and value:
        found = f"{found} ({counted(len(value), unit)})"
    if kind.endswith("long"):
        return found, f"at most {counted(bound, unit)}", "shorten it"
    remedy = "write it out" if text else "add what is missing"
    return found, f"at least {counted(bound, unit)}", remedy


def counted(number: int, word: str) -> str:
    """'1 item', '2 items', '2 entries'."""
    if number == 1:
        return f"1 {word}"
    return f"{number} {word[:-1]}ies" if word.endswith("ry") else f"{number} {word}s"
