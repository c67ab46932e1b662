"""What a search for faulty pairs says: the next test, or how it ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from orchestrator.planning.ground import Pair


class Evidence(StrEnum):
    """Why a pair is held to be faulty."""

    FAILED_ALONE = "failed alone"
    ELIMINATION = "all others of a failing group passed"


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
    """A faulty pair and the evidence; nets that were open in the test that says so."""

    pair: Pair
    evidence: Evidence
    left_open: tuple[int, ...] = ()


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
HELD = "nets that mustn't be opposed or left open hold them together: allow a net to be left open"
UNPROVED = (
    "only tests that oppose other unproved pairs too would tell: run those pairs' tests first"
)
JOINED = "pairs that were found already join their nets: mend these, then run again"
COMES_AND_GOES = "they failed together, and each part of them passed: the fault comes and goes"
