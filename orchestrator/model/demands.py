"""What a product demands, resolved: nets by number, demands by groups of nets.

Planner and coverage both start here. Nothing in it holds a list of pairs: a `Grouping` says which
group each of its nets belongs to, and every two nets of different groups are a pair. SI units.
Made by `orchestrator.model.resolve`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property

from orchestrator.errors import Position
from orchestrator.formulas.currents import ROOT_TWO
from orchestrator.model.program import DecisionRule
from orchestrator.model.schedule import LimitOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform


@dataclass(frozen=True, slots=True)
class Origin:
    """Where something stems from, for comments and reports.

    ``what``: 'demand harness insulation', 'rule withstand basic'. ``at``: in the product file,
    ``rule_at``: in the rule sheet. ``source``, ``status``: what the sheet says of the level.
    """

    what: str
    at: Position
    rule_at: Position | None = None
    source: str | None = None
    status: str | None = None
    reasons: tuple[str, ...] = ()

    @property
    def from_rule(self) -> bool:
        """Whether a rule sheet demands it, not the product file itself."""
        return self.rule_at is not None


@dataclass(frozen=True)
class Grouping:
    """Disjoint groups of nets; every two nets of different groups are a pair of it."""

    groups: tuple[tuple[int, ...], ...]

    @cached_property
    def group_of(self) -> Mapping[int, int]:
        """Net → index of its group; nets that take no part are absent."""
        return {net: index for index, group in enumerate(self.groups) for net in group}

    @cached_property
    def nets(self) -> frozenset[int]:
        """All nets that take part."""
        return frozenset(self.group_of)

    @cached_property
    def masks(self) -> tuple[int, ...]:
        """Each group as a whole number with bit n set for net n."""
        return tuple(mask_of(group) for group in self.groups)

    def __contains__(self, pair: object) -> bool:
        """Whether two nets are a pair of it: ``(3, 5) in grouping``."""
        if not isinstance(pair, tuple) or len(pair) != 2:
            return False
        one, other = self.group_of.get(pair[0]), self.group_of.get(pair[1])
        return one is not None and other is not None and one != other

    @property
    def pairs(self) -> int:
        """How many pairs it has."""
        sizes = [len(group) for group in self.groups]
        return (sum(sizes) ** 2 - sum(size**2 for size in sizes)) // 2

    def pair_in_both(self, other: Grouping) -> tuple[int, int] | None:
        """A pair that both have, or None; in time proportional to the nets.

        Nets in both are points of a grid of groups; a common pair differs in row and column.
        There is none exactly if all points lie in one row or in one column.
        """
        here, there = self.group_of, other.group_of
        small = here if len(here) <= len(there) else there
        common = [net for net in small if net in here and net in there]
        if not common:
            return None
        first = common[0]
        row = column = None
        for net in common:
            new_row, new_column = here[net] != here[first], there[net] != there[first]
            if new_row and new_column:
                return _ordered(first, net)
            row = net if new_row else row
            column = net if new_column else column
            if row is not None and column is not None:
                return _ordered(row, column)
        return None


def _ordered(one: int, other: int) -> tuple[int, int]:
    return (one, other) if one < other else (other, one)


def mask_of(nets: Iterable[int]) -> int:
    """Nets as a whole number with bit n set for net n; 5,000 nets take 625 bytes."""
    data = bytearray()
    for net in nets:
        if (byte := net >> 3) >= len(data):
            data.extend(bytes(byte + 1 - len(data)))
        data[byte] |= 1 << (net & 7)
    return int.from_bytes(data, "little")


def nets_of(mask: int) -> Iterator[int]:
    """The nets of such a number, lowest first."""
    for index, eight in enumerate(mask.to_bytes((mask.bit_length() + 7) // 8, "little")):
        rest = eight
        while rest:
            low = rest & -rest
            yield 8 * index + low.bit_length() - 1
            rest ^= low


@dataclass(frozen=True, slots=True)
class Net:
    """One net: points that are one conductor. ``circuit``: the name of its circuit."""

    index: int
    name: str
    points: tuple[str, ...]
    circuit: str | None
    at: Position


@dataclass(frozen=True, slots=True)
class CircuitOf:
    """One circuit. ``class_name``: the word of the rule sheet."""

    name: str
    nets: tuple[int, ...]
    working_v: Decimal | None
    class_name: str | None
    at: Position


@dataclass(frozen=True, slots=True)
class _Needed:
    name: str
    origin: Origin
    limits: tuple[LimitOrder, ...]
    rise_s: Decimal | None
    dwell_s: Decimal
    fall_s: Decimal | None

    def limit(self, quantity: Measured, edge: Edge) -> Decimal | None:
        """One limit, for a single pair or contact, or None."""
        for limit in self.limits:
            if limit.quantity is quantity and limit.edge is edge:
                return limit.value
        return None


@dataclass(frozen=True, slots=True)
class PairDemand(_Needed):
    """Insulation or withstand of every pair of `pairs`; limits are those of one pair.

    ``ceiling_v``: the most that the wire may carry where this demand sets the level.
    """

    kind: StepKind
    pairs: Grouping
    level_v: Decimal
    ceiling_v: Decimal
    frequency_hz: Decimal | None = None
    settle_s: Decimal | None = None
    limits_during_rise: bool = False
    flash_over_a: Decimal | None = None

    @property
    def waveform(self) -> Waveform:
        """AC (the level is rms) or DC; insulation is DC."""
        return Waveform.AC if self.kind is StepKind.WITHSTAND_AC else Waveform.DC


@dataclass(frozen=True, slots=True)
class NetDemand(_Needed):
    """Continuity from point to point within each of these nets; all have several points."""

    nets: tuple[int, ...]
    level_a: Decimal
    ceiling_a: Decimal


@dataclass(frozen=True, slots=True)
class LoadDemand(_Needed):
    """Continuity from one net to another through a part of the product."""

    nets: tuple[int, int]
    level_a: Decimal


@dataclass(frozen=True, slots=True)
class BondDemand(_Needed):
    """Bonding from earth (`Demands.earth_points`) to each of these points."""

    parts: tuple[str, ...]
    level_a: Decimal
    ceiling_a: Decimal
    waveform: Waveform
    frequency_hz: Decimal | None


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The highest level that every pair of `pairs` may see, AC rms and DC. 0: never opposite."""

    pairs: Grouping
    ac_v: Decimal
    dc_v: Decimal
    origin: Origin


@dataclass(frozen=True, slots=True)
class Declared:
    """A capacitance (F) or a typical insulation resistance (ohm), tolerance included.

    ``each_pair``: the value is that of each pair; else that of all pairs taken together.
    """

    pairs: Grouping
    least: Decimal
    nominal: Decimal
    most: Decimal
    each_pair: bool
    origin: Origin


@dataclass(frozen=True, slots=True)
class Floating:
    """A net that may be left open, up to a level (None: whatever is tested), and the reason."""

    ac_v: Decimal | None
    dc_v: Decimal | None
    reason: str
    at: Position


@dataclass(frozen=True, slots=True)
class Allowed:
    """What the user allows. `floating`: by net; `unproved_contact`: reason by point.

    ``runs_per_serial``: how often one serial number may run the whole program.
    ``extra_insulation``, ``extra_withstand``: exposures of a pair, beyond the program's own steps,
    that locating a fault may cost one serial number over all its runs.
    ``search_level_v``: DC level for locating; None: the level of the pair's insulation demand.
    """

    floating: Mapping[int, Floating]
    undeclared_ac_v: Decimal | None
    undeclared_dc_v: Decimal | None
    undeclared_reason: str | None
    unproved_contact: Mapping[str, str]
    runs_per_serial: int
    extra_insulation: int
    extra_withstand: int
    search_level_v: Decimal | None
    stored_energy_at_most_j: Decimal
    relays_at_most: int | None


@dataclass(frozen=True, slots=True)
class SheetUsed:
    """The rule sheet that demands came from; an unchecked one is named on every page."""

    name: str
    edition: str
    source: str
    checked_by: str
    checked: bool
    statement: str
    file: str
    sha256: str

    @property
    def caution(self) -> str | None:
        """What has to be said on every page that comes of an unchecked sheet; None: checked."""
        if self.checked:
            return None
        return (
            f"rule sheet {self.name}, {self.edition}: checked by {self.checked_by}. A licensed "
            "professional must check it against the edition in force before it is used"
        )


@dataclass(frozen=True, slots=True)
class Highest:
    """The highest level that a pair may see (AC rms, DC), and what says so."""

    ac_v: Decimal
    dc_v: Decimal
    why: str
    origins: tuple[Origin, ...] = ()

    def of(self, waveform: Waveform) -> Decimal:
        """For AC (rms) or DC."""
        return self.ac_v if waveform is Waveform.AC else self.dc_v


@dataclass(frozen=True)
class Demands:
    """A product, resolved.

    Attributes:
        bodies: nets that are joined within the product (earth with its accessible parts, loads):
            each a tuple of nets; every net is in exactly one, most are alone. Nets of one body
            always stand on the same side.
        body_of: net → index in `bodies`.
        earth_net: the net of the protective-earth points, or None; `earthed`: it and the nets of
            accessible parts.
        decision_rule: how limits are held, `simple` or `guarded`; ``take_out``: kinds of step that
            have the fixture's offsets taken out.
        unruled: pairs of circuits that the sheet says nothing about, in words.
        notices: what a person should read, such as that a sheet is unchecked.
    """

    product: str
    revision: str
    file: str
    sha256: str
    nets: tuple[Net, ...]
    circuits: tuple[CircuitOf, ...]
    earth_net: int | None
    earth_points: tuple[str, ...]
    accessible_parts: tuple[str, ...]
    earthed: frozenset[int]
    bodies: tuple[tuple[int, ...], ...]
    body_of: tuple[int, ...]
    pair_demands: tuple[PairDemand, ...]
    net_demands: tuple[NetDemand, ...]
    load_demands: tuple[LoadDemand, ...]
    bond_demands: tuple[BondDemand, ...]
    ceilings: tuple[Ceiling, ...]
    capacitances: tuple[Declared, ...]
    insulations: tuple[Declared, ...]
    allowed: Allowed
    sheet: SheetUsed | None = None
    decision_rule: DecisionRule = "simple"
    take_out: frozenset[StepKind] = frozenset()
    unruled: tuple[str, ...] = ()
    notices: tuple[str, ...] = field(default=())

    @property
    def cautions(self) -> tuple[str, ...]:
        """What every page that comes of this product has to say."""
        caution = None if self.sheet is None else self.sheet.caution
        return () if caution is None else (caution,)

    @cached_property
    def net_of_point(self) -> Mapping[str, int]:
        """Point → net."""
        return {point: net.index for net in self.nets for point in net.points}

    @cached_property
    def net_named(self) -> Mapping[str, int]:
        """Name of a net → net."""
        return {net.name: net.index for net in self.nets}

    def demands_of(self, one: int, other: int) -> tuple[PairDemand, ...]:
        """All demands on a pair of nets."""
        return tuple(demand for demand in self.pair_demands if (one, other) in demand.pairs)

    def highest(self, one: int, other: int) -> Highest:
        """The highest level that two nets may see when they stand on opposite sides.

        Joined nets: 0 V. Declared in `never_above`: the lowest that is declared. Else what is
        demanded of the pair (peak for peak: DC is √2 times AC) with the demand's ceiling, or what
        `allow: undeclared_pairs` says if that is more. Nothing demanded: 0 V.
        """
        zero = Decimal(0)
        if self.body_of[one] == self.body_of[other]:
            return Highest(zero, zero, "joined within the product")
        held = [ceiling for ceiling in self.ceilings if (one, other) in ceiling.pairs]
        if held:
            origins = tuple(ceiling.origin for ceiling in held)
            lowest_ac, lowest_dc = min(c.ac_v for c in held), min(c.dc_v for c in held)
            return Highest(lowest_ac, lowest_dc, "never_above", origins)
        ac_v, dc_v = self.allowed.undeclared_ac_v or zero, self.allowed.undeclared_dc_v or zero
        why = "nothing is demanded of it" if self.allowed.undeclared_reason is None else "allow"
        origins = ()
        for demand in self.demands_of(one, other):
            ac = demand.waveform is Waveform.AC
            its_ac = demand.ceiling_v if ac else demand.ceiling_v / ROOT_TWO
            its_dc = demand.ceiling_v * ROOT_TWO if ac else demand.ceiling_v
            if its_ac > ac_v or its_dc > dc_v:
                why, origins = "as demanded", (*origins, demand.origin)
            ac_v, dc_v = max(ac_v, its_ac), max(dc_v, its_dc)
        return Highest(ac_v, dc_v, why, origins)
