"""What coverage says: figures by demand, findings by step and by point. All values in SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

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
    ``first``: the first ones, with the highest level that each may see. ``search``: not the step
    itself, but a search after it may do so.
    """

    step: int
    name: str
    at: Position
    waveform: Waveform
    most_v: Decimal
    pairs: int
    first: tuple[tuple[NetPair, Highest], ...]
    search: bool = False


@dataclass(frozen=True, slots=True)
class Reached:
    """Pairs with an open net that may reach the level against the other one, which is more than
    the product declares for them (`never_above`). Else as `Stress`."""

    step: int
    name: str
    at: Position
    waveform: Waveform
    reach_v: Decimal
    pairs: int
    first: tuple[tuple[NetPair, Highest], ...]
    search: bool = False


@dataclass(frozen=True, slots=True)
class Overspent:
    """A search may expose a pair more often than the product allows one serial number.

    ``kinds``: insulation, or withstand where its level lies above every insulation demand's.
    """

    step: int
    name: str
    at: Position
    kinds: str
    level_v: Decimal
    exposures: int
    allowed: int


@dataclass(frozen=True, slots=True)
class Stored:
    """A step whose sides may store more energy (J) than is allowed: ½·C·U² with the most declared
    capacitance (F) and the peak that the wire may carry (V)."""

    step: int
    name: str
    at: Position
    capacitance_f: Decimal
    peak_v: Decimal
    energy_j: Decimal
    allowed_j: Decimal
    search: bool = False


@dataclass(frozen=True, slots=True)
class Crowded:
    """A step with more contacts closed at once than are allowed: its points on both sides."""

    step: int
    name: str
    at: Position
    contacts: int
    allowed: int


@dataclass(frozen=True, slots=True)
class TooMuch:
    """A bonding or continuity step whose current may pass what every demand on it allows (A).

    ``loads``: through which; 3 % above a load's own level is its ceiling.
    """

    step: int
    name: str
    at: Position
    most_a: Decimal
    ceiling_a: Decimal
    loads: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Afloat:
    """Nets that a step leaves open though they may not float at its level.

    ``reach_v``: what they may reach against either side. ``first``: name, and what is allowed
    (None: floating isn't allowed at all). ``search``: a search after the step may do so.
    """

    step: int
    name: str
    at: Position
    waveform: Waveform
    reach_v: Decimal
    nets: int
    first: tuple[tuple[str, Decimal | None], ...]
    search: bool = False


@dataclass(frozen=True, slots=True)
class Lead:
    """A point whose lead no step would show to be off. ``steps``: those that rely on it.

    ``reason``: of the product's `unproved_contact`; with it the lead is accepted. ``why``: in
    words.
    """

    point: str
    net: str
    steps: tuple[int, ...]
    why: str
    reason: str | None


@dataclass(frozen=True, slots=True)
class LeadProof:
    """Which step of the program would fail with a point's lead off, and by what: ``contact`` (a
    bonding or continuity step) or ``limit`` (a lower limit on current)."""

    point: str
    by: Literal["contact", "limit"]
    step: int


@dataclass(frozen=True, slots=True)
class Leads:
    """Contact proof by point. ``idle``: points that no voltage step relies on. ``proofs``: the
    first step that shows each of `by_step` and `by_limit`."""

    by_step: tuple[str, ...]
    by_limit: tuple[str, ...]
    idle: tuple[str, ...]
    unproved: tuple[Lead, ...]
    accepted: tuple[Lead, ...]
    proofs: tuple[LeadProof, ...]


@dataclass(frozen=True, slots=True)
class Exposures:
    """How often one run puts a pair on opposite sides. ``histogram``: times → pairs of nets.

    ``kinds``: which steps count. ``most``: a pair with the highest number. ``by_search``: how
    often searches may expose a pair besides, over all runs of one serial number;
    ``search_allowed``: how often they may.
    """

    kinds: str
    histogram: dict[int, int]
    most: NetPair | None
    by_search: int = 0
    search_allowed: int = 0

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
    reached: tuple[Reached, ...]
    overspent: tuple[Overspent, ...]
    stored: tuple[Stored, ...]
    crowded: tuple[Crowded, ...]
    leads: Leads
    exposures: tuple[Exposures, ...]
    notices: tuple[str, ...] = field(default=())

    @property
    def complete(self) -> bool:
        """Everything demanded is covered, nothing is stressed beyond, every lead is proved."""
        strain = (self.shorts, self.stresses, self.too_much, self.afloat, self.reached)
        burden = (self.overspent, self.stored, self.crowded)
        if any((*strain, *burden, self.leads.unproved)):
            return False
        return all(p.complete for p in self.pairs) and all(p.complete for p in self.parts)
