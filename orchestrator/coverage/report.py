"""What coverage says: figures by demand, findings by step and by point. All values in SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal

from orchestrator.errors import Position
from orchestrator.model.demands import Highest, Origin
from orchestrator.model.words import StepKind, Waveform

NetPair = tuple[str, str]
"""Two nets by name."""


@dataclass(frozen=True, slots=True)
class Masked:
    """A pair that step `step` opposes at the level, but whose fault it wouldn't show.

    ``why``: the figures in words.
    """

    nets: NetPair
    step: int
    why: str


@dataclass(frozen=True, slots=True)
class PairCover:
    """One demand on pairs. ``pairs`` = ``covered`` + ``masked`` + ``open``.

    ``open_pairs``, ``masked_pairs``: the first ones, by name. ``steps``: numbers of the steps
    that cover pairs of it. ``near``: steps of its kind that don't count for it, and why.
    """

    name: str
    kind: StepKind
    level_v: Decimal
    origin: Origin
    pairs: int
    covered: int
    masked: int
    open_pairs: tuple[NetPair, ...]
    masked_pairs: tuple[Masked, ...]
    steps: tuple[int, ...]
    near: tuple[str, ...]

    @property
    def open(self) -> int:
        """Pairs that no step covers, not even in level."""
        return self.pairs - self.covered - self.masked

    @property
    def complete(self) -> bool:
        """Every pair covered."""
        return self.covered == self.pairs


@dataclass(frozen=True, slots=True)
class PartCover:
    """One demand on contacts: bonding of parts, continuity within nets, a load.

    ``wanted``: how many parts, nets or loads. ``missing``: what isn't shown, in words, all.
    """

    name: str
    kind: StepKind
    origin: Origin
    wanted: int
    missing: tuple[str, ...]
    steps: tuple[int, ...]
    near: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Nothing missing."""
        return not self.missing


@dataclass(frozen=True, slots=True)
class Short:
    """A step that puts one net, or two joined nets, on both sides. It covers nothing."""

    step: int
    name: str
    nets: NetPair
    at: Position


@dataclass(frozen=True, slots=True)
class Stress:
    """Pairs that a step puts on opposite sides above what they may see.

    ``most_v``: the most that the wire may carry (AC rms, DC). ``pairs``: how many;
    ``first``: the first ones, with the highest level that each may see.
    """

    step: int
    name: str
    at: Position
    waveform: Waveform
    most_v: Decimal
    pairs: int
    first: tuple[tuple[NetPair, Highest], ...]


@dataclass(frozen=True, slots=True)
class TooMuch:
    """A bonding or continuity step whose current may pass what every demand on it allows (A)."""

    step: int
    name: str
    at: Position
    most_a: Decimal
    ceiling_a: Decimal


@dataclass(frozen=True, slots=True)
class Afloat:
    """Nets that a step leaves open though they may not float at its level.

    ``reach_v``: what they may reach against either side. ``first``: name, and what is allowed
    (None: floating isn't allowed at all).
    """

    step: int
    name: str
    at: Position
    waveform: Waveform
    reach_v: Decimal
    nets: int
    first: tuple[tuple[str, Decimal | None], ...]


@dataclass(frozen=True, slots=True)
class Lead:
    """A point whose contact isn't proved in some steps. ``reason``: of the product's
    `unproved_contact`; with it the lead is accepted. ``why``: in words."""

    point: str
    net: str
    steps: tuple[int, ...]
    why: str
    reason: str | None


@dataclass(frozen=True, slots=True)
class Leads:
    """Contact proof by point. ``idle``: points that no voltage step relies on."""

    by_step: tuple[str, ...]
    by_limit: tuple[str, ...]
    idle: tuple[str, ...]
    unproved: tuple[Lead, ...]
    accepted: tuple[Lead, ...]


@dataclass(frozen=True, slots=True)
class Exposures:
    """How often one run puts a pair on opposite sides. ``histogram``: times → pairs of nets.

    ``kinds``: which steps count. ``most``: a pair with the highest number.
    """

    kinds: str
    histogram: dict[int, int]
    most: NetPair | None

    @property
    def highest(self) -> int:
        """The highest number of exposures of any pair in one run."""
        return max((times for times, pairs in self.histogram.items() if pairs), default=0)


@dataclass(frozen=True, slots=True)
class StepSeen:
    """A voltage step as it was judged: nets on its sides, and left open."""

    number: int
    name: str
    kind: StepKind
    least_v: Decimal
    most_v: Decimal
    source: int
    back: int
    open: int


@dataclass(frozen=True)
class Coverage:
    """The judgement. ``station`` and ``fixture`` are None where no binding was given; then a
    level may lie up to its ceiling, or 3 % higher."""

    product: str
    product_revision: str
    product_file: str
    program: str
    program_revision: str
    program_file: str
    station: str | None
    fixture: str | None
    nets: int
    points: int
    runs_per_serial: int
    steps: tuple[StepSeen, ...]
    pairs: tuple[PairCover, ...]
    parts: tuple[PartCover, ...]
    shorts: tuple[Short, ...]
    stresses: tuple[Stress, ...]
    too_much: tuple[TooMuch, ...]
    afloat: tuple[Afloat, ...]
    leads: Leads
    exposures: tuple[Exposures, ...]
    notices: tuple[str, ...] = field(default=())

    @property
    def complete(self) -> bool:
        """Everything demanded is covered, nothing is stressed beyond, every lead is proved."""
        found = (self.shorts, self.stresses, self.too_much, self.afloat, self.leads.unproved)
        if any(found):
            return False
        return all(p.complete for p in self.pairs) and all(p.complete for p in self.parts)
