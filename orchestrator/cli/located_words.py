"""What a search after a failed step came to, in lines; for the screen and for records."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from orchestrator.model.words import SearchEnding

MOST_LISTED = 10

_BEGINNINGS = {
    SearchEnding.FOUND: "located",
    SearchEnding.NOT_REPRODUCED: "not reproduced by the search",
    SearchEnding.STUCK: "not narrowed down further",
}


class _Sides(Protocol):
    @property
    def one(self) -> tuple[str, ...]: ...

    @property
    def other(self) -> tuple[str, ...]: ...


class _Pair(_Sides, Protocol):
    @property
    def evidence(self) -> str: ...

    @property
    def left_open(self) -> tuple[str, ...]: ...


def located_lines(
    ending: str,
    reason: str,
    pairs: Sequence[_Pair],
    candidates: Sequence[tuple[tuple[str, ...], tuple[str, ...]]],
) -> Iterator[str]:
    """First how it ended, then each pair found, then what is left to look at."""
    known = ending in set(SearchEnding)
    beginning = _BEGINNINGS[SearchEnding(ending)] if known else ending
    yield f"{beginning}: {reason}" if reason else beginning
    for pair in pairs:
        yield f"  faulty: {sides(pair.one, pair.other)} ({pair.evidence}){_open(pair.left_open)}"
    if candidates:
        told = "; ".join(sides(one, other) for one, other in candidates[:MOST_LISTED])
        more = len(candidates) - MOST_LISTED
        word = "not tested" if ending == SearchEnding.FOUND else "one of"
        yield f"  {word}: {told}" + (f"; and {more} more" if more > 0 else "")


def sides(one: tuple[str, ...], other: tuple[str, ...]) -> str:
    """A pair; points with + between them are one conductor."""
    return f"{' + '.join(one)} against {' + '.join(other)}"


def _open(points: tuple[str, ...]) -> str:
    if not points:
        return ""
    more = len(points) - MOST_LISTED
    told = ", ".join(points[:MOST_LISTED]) + (f" and {more} more" if more > 0 else "")
    return f"; its current may also run by way of points that were left open then: {told}"
