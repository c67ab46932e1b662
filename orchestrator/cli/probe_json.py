"""What a probe found, as one JSON object."""

from __future__ import annotations

import json
from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from orchestrator.assembly.probing_findings import (
    Answer,
    Found,
    InputFound,
    OutputFound,
    ProbeReport,
    RelaysFound,
    SearchFound,
)
from orchestrator.cli.codes import Exit


def report_json(report: ProbeReport, code: Exit) -> str:
    """The whole report as one line."""
    told = {
        "kind": "probed",
        "ok": report.ok,
        "exit_code": int(code),
        "station": report.station,
        "simulated": report.simulated,
        "answers": _all(report.items, Answer),
        "outputs": _all(report.items, OutputFound),
        "inputs": _all(report.items, InputFound),
        "relays": _all(report.items, RelaysFound),
        "searches": _all(report.items, SearchFound),
        "notes": list(report.notes),
    }
    return json.dumps(told)


def _all(items: Iterable[Found], kind: type[Any]) -> list[Any]:
    return [
        {**_plain(item), "ok": item.ok} | ({"was_on": item.was_on} if kind is OutputFound else {})
        for item in items
        if isinstance(item, kind)
    ]


def _plain(value: Any) -> Any:
    """Dataclasses, tuples and decimals as JSON has them."""
    names = getattr(value, "__dataclass_fields__", None)
    if names is not None:
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, StrEnum):
        return str(value)
    return value if value is None or isinstance(value, str | int | float) else str(value)
