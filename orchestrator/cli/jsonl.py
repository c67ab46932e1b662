"""Notices and results for machines: one JSON object per line on standard output."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from decimal import Decimal
from enum import Enum
from typing import TYPE_CHECKING, Any

from orchestrator.cli.codes import Exit
from orchestrator.cli.feed import Stamped, Taker
from orchestrator.model.schedule import BoundStep, Schedule

if TYPE_CHECKING:
    from orchestrator.model.record import RunResult


def plain(value: Any) -> Any:
    """JSON values: decimals as text in SI units, vocabularies as their words."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        return format(value, "f")
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, bytes):
        return value.hex(" ")
    return value


def json_lines(schedule: Schedule) -> Taker:
    """A taker that prints each notice; the run's end is left to `result_line`."""

    def take(item: Stamped) -> None:
        kind, data = item.notice.kind, item.notice.data
        if kind == "run_ended":
            return
        told = _step(data["step"], schedule) if kind == "step_started" else plain(data)
        if kind in {"step_ended", "located"}:
            told = told["result" if kind == "step_ended" else "located"]
        print(json.dumps({"kind": kind, "utc": item.utc, **told}), flush=True)

    return take


def _step(step: BoundStep, schedule: Schedule) -> dict[str, Any]:
    return {
        "index": step.index,
        "of": len(schedule.steps),
        "name": step.name,
        "step_kind": step.kind.value,
        "tester": step.tester,
        "apply_to": list(step.apply_to),
        "against": [*step.against, *step.others],
        "level": format(step.order.level, "f"),
        "predicted_s": step.predicted_s,
        "hazardous": step.hazardous,
        "search_of": step.search_of,
    }


def result_line(result: RunResult, code: Exit) -> str:
    """The last line of a run."""
    return json.dumps({"kind": "result", **plain(result), "exit_code": int(code)})
