"""From the fields of a reply to what the engine judges: readings, verdict, evidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

from drivers.language.abilities import measured_by
from drivers.language.compiled_tester import CompiledKind
from drivers.language.templates import UNKNOWN, Template
from orchestrator.contract import StartMark
from orchestrator.model.record import Reading, TesterReading
from orchestrator.model.words import Evidence, Measured, StepKind

Verdict = Literal["pass", "fail", "breakdown", "overloaded"]
_VERDICTS: Mapping[str, Verdict] = {
    "pass": "pass", "fail": "fail", "breakdown": "breakdown", "overloaded": "overloaded",
}  # fmt: skip


def readings(
    fields: Mapping[str, Any], kind: StepKind, compiled: CompiledKind
) -> Mapping[Measured, Reading]:
    """Every reading of the step. 'Above' without a bound means above the measuring range."""
    found: dict[Measured, Reading] = {}
    for name, value in fields.items():
        measured = measured_by(name, kind)
        if measured is None or not isinstance(value, Reading):
            continue
        top = compiled.model.measures.get(measured)
        if value.bound == "above" and value.value is None and top is not None:
            value = Reading(top.value, "above")  # noqa: PLW2901 - the same reading, with its bound
        found[measured] = value
    return found


@dataclass(frozen=True, slots=True)
class Told:
    """A result as it came: its fields, the whole message, the body, templates for the cause."""

    fields: Mapping[str, Any]
    raw: bytes
    body: bytes
    causes: tuple[Template, ...] = ()


def reading_of(
    told: Told, kind: StepKind, compiled: CompiledKind, evidence: frozenset[Evidence]
) -> TesterReading:
    """A result. A verdict that is none of the neutral words is no verdict."""
    fields = told.fields
    word = fields.get("verdict")
    verdict = _VERDICTS.get(word) if isinstance(word, str) else None
    return TesterReading(
        verdict=verdict,
        values=readings(fields, kind, compiled),
        evidence=evidence,
        cause=_cause(told),
        raw=told.raw,
    )


def _cause(result: Told) -> str:
    for template in result.causes:
        parsed = template.parse(result.body)
        cause = None if parsed is None else parsed.get("cause")
        if isinstance(cause, str):
            return cause
    told = result.fields.get("cause")
    return told if isinstance(told, str) else ""


def counter_evidence(
    fields: Mapping[str, Any], mark: StartMark, after: int | None
) -> frozenset[Evidence]:
    """A counter in the result that moved since before the start, and is the one read after it."""
    counter = fields.get("counter")
    if mark.counter is None or not isinstance(counter, int) or counter == mark.counter:
        return frozenset()
    if after is not None and after != counter:
        return frozenset()
    return frozenset({Evidence.COUNTER})


def contradiction(
    fields: Mapping[str, Any], values: Mapping[str, Any], mark: StartMark, after: int | None
) -> str:
    """How a result shows that it belongs to another step or start, '' if it doesn't.

    ``after``: the counter asked for after the end, ``None`` where there is none.
    """
    for name in ("kind", "slot"):
        told = fields.get(name)
        if told is not None and told != values[name]:
            return f"the result is of {name} {told}, not {values[name]}"
    counter = fields.get("counter", after)
    if mark.counter is not None and counter == mark.counter:
        return f"the result counter still shows {counter}, as before the start"
    if after is not None and counter != after:
        return f"the result bears the counter {counter}, the tester is at {after}"
    return ""


def residual_of(reading: Any, percent: Decimal, plus: Decimal) -> Decimal | None:
    """A measured residual voltage at the upper end of its accuracy, V; ``None``: unknown."""
    if reading is UNKNOWN or not isinstance(reading, Reading) or reading.value is None:
        return None
    if reading.bound not in {"exact", "below"}:
        return None
    return abs(reading.value) * (1 + percent / 100) + plus


def elapsed(fields: Mapping[str, Any]) -> Decimal | None:
    """Seconds at the level, or in the present state, as a reply tells them."""
    for name in ("elapsed", "state_time"):
        reading = fields.get(name)
        if isinstance(reading, Reading) and reading.bound == "exact":
            return reading.value
    return None
