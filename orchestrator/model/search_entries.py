"""The journal entry of a search: what `located` holds."""

from __future__ import annotations

from orchestrator.model.entries import LOCATED, Stamp, reading_body
from orchestrator.model.record import Entry, Located, Together


def located(run_id: str, at: Stamp, found: Located) -> Entry:
    """A search for the pair behind a failed step has ended.

    Keys of the body: ``step`` and ``name`` of the failed step; ``ending`` (found, not_reproduced,
    stuck) and ``reason``; ``pairs``, each with the points of its two sides (``one``, ``other``:
    several where the run proved them to be one conductor), ``evidence`` and ``left_open``;
    ``candidates``, pairs of two sides; ``steps``, each with ``index``, ``apply_to``, ``against``,
    ``left_open``, ``outcome`` and ``values``.
    """
    body = {
        "step": found.step,
        "name": found.name,
        "ending": found.ending.value,
        "reason": found.reason,
        "pairs": [
            {
                "one": list(pair.one),
                "other": list(pair.other),
                "evidence": pair.evidence,
                "left_open": list(pair.left_open),
            }
            for pair in found.pairs
        ],
        "candidates": [_two_sides(pair) for pair in found.candidates],
        "steps": [
            {
                "index": step.result.index,
                "apply_to": list(step.apply_to),
                "against": list(step.against),
                "left_open": list(step.left_open),
                "outcome": step.result.outcome.value,
                "values": [reading_body(key, value) for key, value in step.result.values.items()],
            }
            for step in found.steps
        ],
    }
    return Entry(run_id, LOCATED, at.utc, at.monotonic_s, body)


def _two_sides(pair: tuple[Together, Together]) -> dict[str, list[str]]:
    one, other = pair
    return {"one": list(one), "other": list(other)}
