"""What a search for faulty pairs says: the next test, or how it ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from orchestrator.planning.ground import Pair


class Evidence(StrEnum):
    """Why a pair is held to be faulty."""

    FAILED_ALONE = "failed alone"
    """In a test that opposed this pair and no other."""
    OTHERS_PASSED = "failed, and all pairs beside it have passed"
    """Of what failed each time, only this pair has never passed and was opposed every time."""


@dataclass(frozen=True, slots=True)
class Ask:
    """The next test. `suspects`: how many it opposes; `others`: pairs it opposes that no test has
    proved yet. Every other pair it opposes is proved good."""

    apply_to: tuple[int, ...]
    against: tuple[int, ...]
    left_open: tuple[int, ...]
    suspects: int
    others: int


@dataclass(frozen=True, slots=True)
class Located:
    """A faulty pair and the evidence; nets that were open in the test that says so.

    ``beside``: how many other pairs that test opposed.
    """

    pair: Pair
    evidence: Evidence
    left_open: tuple[int, ...] = ()
    beside: int = 0

    @property
    def words(self) -> str:
        """The evidence as a record tells it."""
        if self.evidence is Evidence.FAILED_ALONE:
            return str(self.evidence)
        if self.beside == 1:
            return "failed, and the one pair beside it has passed"
        return f"failed, and all {self.beside} pairs beside it have passed"


@dataclass(frozen=True, slots=True)
class Found:
    """The faulty pairs; every other suspect passed."""

    located: tuple[Located, ...]
    tests: int

    @property
    def pairs(self) -> tuple[Pair, ...]:
        """The pairs alone."""
        return tuple(one.pair for one in self.located)


@dataclass(frozen=True, slots=True)
class NotReproduced:
    """Nothing failed at the level of the search; the fault is among the candidates all the same."""

    candidates: tuple[Pair, ...]
    tests: int


@dataclass(frozen=True, slots=True)
class Unresolved:
    """Pairs of which at least one is faulty, and why they weren't told apart."""

    pairs: tuple[Pair, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Stuck:
    """The search can't go on. What it did find stands.

    Attributes:
        reason: in words, with the remedy.
        candidates: all pairs that may still be faulty: the unresolved and the untested.
        unresolved: groups with at least one faulty pair each.
        untested: pairs of which nothing is known.
    """

    reason: str
    candidates: tuple[Pair, ...]
    located: tuple[Located, ...]
    unresolved: tuple[Unresolved, ...]
    untested: tuple[Pair, ...]
    tests: int


Answer = Ask | Found | NotReproduced | Stuck

EXPOSED = "their exposures are used up: allow more of them for locating"
HELD = "their nets must stand together: allow: floating for one of them would tell them apart"
UNPROVED = "every test that would tell them apart opposes pairs, too, that no step has proved good"
JOINED = "a pair that was found joins their nets: mend it, then run again"
COMES_AND_GOES = (
    "they failed together, and each of them has passed, too: the fault comes and goes, or shows "
    "only in them together"
)
UNCONFIRMED = (
    "all but one of them have passed, but no other test could show that none of them comes and "
    "goes: allow more exposures for locating, or a net to be left open"
)
MASKED = (
    "good pairs beside them conduct so much that a test would not show one pair at its limit: "
    "allow nets to be left open"
)
