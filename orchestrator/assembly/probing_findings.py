"""What a probe finds, item by item, and what all of it comes to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from orchestrator.model.record import Identity, OffProof
from orchestrator.model.schedule import Contact
from orchestrator.model.words import TesterState

Status = Literal["found", "silent", "other"]

WAYS = ("one position", "reversed", "inverted", "other")
"""Ways to set a switch wrong as the switch's report names them, the likeliest first."""

ON = frozenset(
    {TesterState.RISING, TesterState.DWELLING, TesterState.FALLING, TesterState.DISCHARGING}
)
"""States that say that the output is live."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether an instrument, a unit or an I/O block answers as the station file declares it.

    ``other``: something answers, but not what is declared. ``remedy`` is empty where it was found.
    """

    what: str
    name: str
    kind: Literal["tester", "chain", "unit", "io"]
    status: Status
    expected: str
    found: str
    remedy: str = ""
    identity: Identity | None = None
    address: int | None = None

    @property
    def ok(self) -> bool:
        """As declared."""
        return self.status == "found"


@dataclass(frozen=True, slots=True)
class OutputFound:
    """A tester's output as it was met and as it was left.

    Attributes:
        met: the state read at first, None where it couldn't be read.
        stopped: a stop was sent. proof: what was read last. problem: why it isn't proved off
        and discharged, else empty.
    """

    tester: str
    met: TesterState | None
    stopped: bool
    proof: OffProof | None
    problem: str = ""
    remedy: str = ""

    @property
    def was_on(self) -> bool:
        """Met with its output live."""
        return self.met in ON

    @property
    def ok(self) -> bool:
        """Wasn't met live, and is proved off and discharged."""
        return not self.was_on and not self.problem


@dataclass(frozen=True, slots=True)
class OutputOn:
    """Told at once, before the stop goes out: an output is on that nobody here ordered."""

    tester: str
    state: TesterState


@dataclass(frozen=True, slots=True)
class InputFound:
    """An interlock or spare input. ``closed`` is None where it can't be read, or not be told."""

    name: str
    source: str
    closed: bool | None
    detail: str = ""
    problem: str = ""

    @property
    def ok(self) -> bool:
        """It could be read; an open guard is no fault of the rack."""
        return not self.problem


@dataclass(frozen=True, slots=True)
class RelaysFound:
    """Relays of one unit as it reports them; ``closed`` is None where it can't report."""

    chain: str
    unit: str
    closed: tuple[Contact, ...] | None
    problem: str = ""
    remedy: str = ""

    @property
    def ok(self) -> bool:
        """They could be read. Closed ones are told, not judged."""
        return not self.problem


@dataclass(frozen=True, slots=True)
class SearchBegins:
    """Other addresses are going to be asked for units that don't answer."""

    chain: str
    units: tuple[str, ...]
    addresses: int
    takes_s: float


@dataclass(frozen=True, slots=True)
class SearchStep:
    """Address ``asked`` of so many is asked now; ``found``: how many answered so far."""

    chain: str
    asked: int
    addresses: int
    address: int
    left_s: float
    found: int


@dataclass(frozen=True, slots=True)
class Candidate:
    """A unit that answers where none is declared, and how its switch got there.

    Attributes:
        kinds: ways to set the switch wrong that lead from the declared address to this one.
        why: in words. must, stands: positions of the switch; empty where no switch is described.
        better_for: another missing unit that it fits better.
        pinned: it has the serial number that the station file pins for the missing unit.
        garbled: no whole answer, as from two units with one address.
    """

    address: int
    kinds: tuple[str, ...]
    why: str
    identity: Identity | None = None
    must: tuple[Any, ...] = ()
    stands: tuple[Any, ...] = ()
    better_for: str = ""
    pinned: bool = False
    garbled: bool = False

    @property
    def rank(self) -> tuple[bool, bool, int, bool]:
        """The smaller, the likelier; equal for candidates that nothing tells apart."""
        way = min((WAYS.index(kind) for kind in self.kinds if kind in WAYS), default=len(WAYS))
        return (not self.pinned, self.garbled, way, bool(self.better_for))


@dataclass(frozen=True, slots=True)
class SearchFound:
    """What the search brought for one missing unit, the likeliest candidate first.

    ``broken_off``: why not all addresses were asked, else empty.
    """

    chain: str
    unit: str
    expected: int
    asked: int
    addresses: int
    candidates: tuple[Candidate, ...]
    broken_off: str = ""
    ok: bool = False
    """A missing unit stays missing, wherever it was found."""


@dataclass(frozen=True, slots=True)
class Note:
    """Something worth saying that is no fault of the rack."""

    text: str


Found: TypeAlias = Answer | OutputFound | InputFound | RelaysFound | SearchFound
Told: TypeAlias = Found | OutputOn | SearchBegins | SearchStep | Note
Tell = Callable[[Told], None]


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """All that was found."""

    station: str
    simulated: bool
    items: tuple[Found, ...]
    notes: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Everything answers as declared and every output was met off and proved discharged."""
        return all(item.ok for item in self.items)
