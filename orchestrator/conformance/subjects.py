"""What a contract is tried on: the adapter, its link, and a hand on the instrument behind it.

A subject is made afresh for every rule and closed after it. On a `VirtualClock` a whole suite takes
seconds. Methods marked 'optional' may be left out: the rules that need them are then skipped and
say so.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

from orchestrator.clock import Clock
from orchestrator.conformance.demands import not_offered
from orchestrator.contract import InputBlock, Link, OutputBlock, RelayMatrix, RunStore, SafetyTester
from orchestrator.model.record import Entry
from orchestrator.model.schedule import Contact, Route, StepOrder


class Subject(ABC):
    """Something to be put through a contract. Subclasses are made without arguments."""

    __test__ = False  # no test class, whatever its name begins with

    clock: Clock

    def close(self) -> None:  # noqa: B027 - many have nothing to close
        """Put everything away."""


class TesterSubject(Subject):
    """A safety tester's adapter with an instrument to talk to.

    Attributes:
        tester: the adapter, fresh. link: open, to the instrument. clock: theirs.
        simulated: whether the instrument is a simulation; its identity must then say so.
    """

    tester: SafetyTester
    link: Link
    simulated: bool = True

    @abstractmethod
    def order(self) -> StepOrder:
        """A hazardous step with a dwell of 1 to 5 s that passes on the load that stands."""

    def orders(self) -> Sequence[StepOrder]:
        """Optional: one order of every kind, for the rules of quantising (default: `order`)."""
        return (self.order(),)

    @abstractmethod
    def output_on(self) -> bool:
        """Whether the output is on: by the instrument itself, not by the adapter."""

    def guard(self, closed: bool) -> None:
        """Optional: close or open the interlock that the tester sees."""
        del closed
        not_offered("a guard")

    def bad_load(self) -> None:
        """Optional: put a load on which the order fails."""
        not_offered("a load that fails")

    def as_another(self, reply: bytes) -> bytes:
        """Optional: the reply to 'who are you' as an instrument of another type would give it."""
        del reply
        not_offered("the reply of another instrument")

    def spoiled(self, sent: bytes) -> bytes:
        """Optional: a set-up message made so that the instrument refuses it (a level far out of
        range, say); other messages unchanged."""
        del sent
        not_offered("a set-up that is refused")


class MatrixSubject(Subject):
    """A chain of relay units. ``routes``: two or more, different, none empty."""

    matrix: RelayMatrix
    link: Link
    routes: Sequence[Route]
    simulated: bool = True

    @property
    @abstractmethod
    def units(self) -> frozenset[str]:
        """Names of the units."""

    @abstractmethod
    def closed(self) -> frozenset[Contact]:
        """The contacts that are closed: by the units themselves, not by the adapter."""

    def weld(self, contact: Contact) -> None:
        """Optional: this contact closes and stays closed."""
        del contact
        not_offered("a contact that welds")

    def as_another(self, reply: bytes) -> bytes:
        """Optional: the reply to 'who are you' as a unit of another type would give it."""
        del reply
        not_offered("the reply of another unit")


class LinkSubject(Subject):
    """A link with its far end in hand."""

    link: Link

    @abstractmethod
    def say(self, data: bytes) -> None:
        """Send from the far end; returns once handed over."""

    @abstractmethod
    def heard(self, size: int) -> bytes:
        """So many bytes as they arrived at the far end; fewer after two seconds."""

    def hang_up(self) -> None:
        """Optional: end the connection from the far end."""
        not_offered("a far end that hangs up")

    def answer_again(self) -> None:
        """Optional: told just after `link.reopen`, for a far end that must take the call."""


class InputSubject(Subject):
    """An interlock input."""

    block: InputBlock

    @abstractmethod
    def put(self, closed: bool) -> None:
        """Close or open what the input looks at."""

    def make_unreadable(self) -> None:
        """Optional: nothing can be read any more (wire off, file gone)."""
        not_offered("an input that can't be read")


class OutputSubject(Subject):
    """An output that must be refreshed, fresh and not ordered yet.

    ``lapses_within_s``: how long after the last refresh it must be off, by whatever means.
    """

    block: OutputBlock
    lapses_within_s: float = 1.0

    @abstractmethod
    def is_on(self) -> bool:
        """Whether the output is on, at its terminal."""

    def cut(self) -> None:
        """Optional: from now on the device isn't reached any more."""
        not_offered("a device that can't be reached")


class StoreSubject(Subject):
    """A journal. ``clock`` isn't used."""

    @abstractmethod
    def open(self) -> RunStore:
        """Open the journal, new at the first call and the same one afterwards."""

    @abstractmethod
    def stored(self) -> Sequence[Entry]:
        """All durable entries in order, read as another process would."""

    @abstractmethod
    def start(self, run_id: str) -> Entry:
        """An entry that starts a run."""

    @abstractmethod
    def end(self, run_id: str) -> Entry:
        """An entry that ends a run."""
