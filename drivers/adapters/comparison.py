"""Whether what was read back is what was sent, compared as the wire carries it."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from drivers.language.templates import Template
from orchestrator.contract import CannotCarry
from orchestrator.model.record import Reading


def differences(
    replies: tuple[Template, ...], fields: Mapping[str, Any], values: Mapping[str, Any]
) -> tuple[str, ...]:
    """Every field that differs, told as 'level 1490 read, 1500 sent'.

    Only fields that `values` knows are compared. A value off the reply's grid may come back as
    either neighbour.
    """
    found = []
    for name, read in fields.items():
        if name not in values:
            continue
        sent = values[name]
        carriers = [template for template in replies if name in template.fields]
        if carriers and not any(_agrees(t, name, read, sent) for t in carriers):
            found.append(f"{name} {_shown(read)} read, {_shown(sent)} sent")
    return tuple(found)


def _agrees(template: Template, name: str, read: Any, sent: Any) -> bool:
    if isinstance(read, Reading):
        read = read.value if read.bound == "exact" else read
    if not isinstance(sent, Decimal) or not isinstance(read, Decimal):
        return bool(read == sent)
    if read == sent:
        return True
    try:
        down = template.carried(name, sent, up=False)
        up = template.carried(name, sent, up=True)
    except CannotCarry:
        return False
    # On the grid both are the value itself, and then nothing else will do.
    return read in {down, up}


def unwanted(want: Mapping[str, str], fields: Mapping[str, Any]) -> str | None:
    """The first field that isn't as wanted, told; ``None`` if all are."""
    for name, text in want.items():
        if not is_wanted(fields.get(name), text):
            return f"{name} is {_shown(fields.get(name))}, wanted {text}"
    return None


def is_wanted(value: Any, text: str) -> bool:
    """Whether a field's value is what a text says, as a word or as a number."""
    if isinstance(value, Reading):
        value = value.value
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        try:
            return Decimal(value) == Decimal(text)
        except InvalidOperation:
            return False
    return value is not None and str(value) == text


def _shown(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, Decimal):
        return f"{value:f}"
    return str(getattr(value, "name", value))
