"""Two-sided tests for the demands of one kind: level by level, the highest first.

A test at a level counts for every demand of its kind and frequency at or below it, as long as all
pairs that it opposes may see the level. What is left then is planned at its own level.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property

import numpy as np

from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import StepKind, Waveform
from orchestrator.planning.colouring import Colouring, bits_of, colour
from orchestrator.planning.opposing import (
    Units,
    allowed_pairs,
    declared_below,
    units_of,
    wire_levels,
)
from orchestrator.planning.sorts import Bools, Ints, Sorts, sorts_of


@dataclass(frozen=True)
class Cut:
    """One test of two sides.

    ``sides``: net → 1 (apply to), 0 (against), -1 (left open). ``wire_v``: the most that the wire
    may carry, which every opposed pair may see.
    """

    level_v: Decimal
    wire_v: Decimal
    sides: Ints

    @property
    def floating(self) -> tuple[int, ...]:
        """The nets left open."""
        return tuple(int(net) for net in np.flatnonzero(self.sides < 0))


@dataclass(frozen=True)
class Trapped:
    """A demanded pair that no test can oppose. ``chain``: nets that mustn't be parted, in a row."""

    demand: PairDemand
    pair: tuple[int, int]
    chain: tuple[int, ...]


@dataclass(frozen=True)
class LevelPlan:
    """Tests at one level; none where tests at higher levels cover all. ``units``: what moves."""

    level_v: Decimal
    demands: tuple[PairDemand, ...]
    cuts: tuple[Cut, ...]
    colours: int
    least_tests: int
    proof: str
    units: Units | None = None


@dataclass(frozen=True)
class KindPlan:
    """Tests for all demands of a kind (and frequency).

    Attributes:
        levels: the highest first. trapped: demanded pairs that can't be opposed.
        least: proved lower bound of the number of tests. proof: how.
        one_by_one: tests that one unit against all others would take.
    """

    kind: StepKind
    frequency_hz: Decimal | None
    levels: tuple[LevelPlan, ...]
    trapped: tuple[Trapped, ...]
    least: int
    proof: str
    one_by_one: int

    @cached_property
    def cuts(self) -> tuple[Cut, ...]:
        """All tests."""
        return tuple(cut for level in self.levels for cut in level.cuts)


def plan_kind(
    demands: Demands, kind: StepKind, frequency_hz: Decimal | None, wanted: Sequence[PairDemand],
    *, sharing: bool = True,
) -> KindPlan:  # fmt: skip
    """Plan the demands of one kind. ``sharing``: let tests count for lower demands too."""
    making = _Making(demands, wanted, sharing=sharing)
    for level_v in sorted({demand.level_v for demand in wanted}, reverse=True):
        making.level(level_v)
    least, proof = making.bound()
    return KindPlan(
        kind, frequency_hz, tuple(making.levels), tuple(making.trapped), least, proof,
        making.one_by_one,
    )  # fmt: skip


@dataclass
class _Making:
    demands: Demands
    wanted: Sequence[PairDemand]
    sharing: bool
    levels: list[LevelPlan] = field(default_factory=list)
    trapped: list[Trapped] = field(default_factory=list)
    one_by_one: int = 0
    _bounds: list[Colouring] = field(default_factory=list)
    _own: list[int] = field(default_factory=list)

    @property
    def waveform(self) -> Waveform:
        return self.wanted[0].waveform

    @property
    def _counting(self) -> list[Cut]:
        """Tests made so far that count for lower demands."""
        return [cut for level in self.levels for cut in level.cuts] if self.sharing else []

    def level(self, level_v: Decimal) -> None:
        due = tuple(d for d in self.wanted if d.level_v == level_v)
        lower = tuple(d for d in self.wanted if d.level_v < level_v) if self.sharing else ()
        sorts, missing = self._missing(due)
        if not missing.any():
            why = "tests at higher levels cover all of it"
            self.levels.append(LevelPlan(level_v, due, (), 1, 0, why))
        else:
            wire_v, units = self._units(sorts, missing, level_v, min(d.ceiling_v for d in due))
            trapped = units.trapped(missing)
            found = self._colour(units, missing & ~trapped, sorts.any_of(d.pairs for d in lower))
            cuts = tuple(self._cuts(units, found, level_v, wire_v))
            cuts += self._with_floating(units, trapped, due, level_v, wire_v)
            least, proof = found.least_tests, found.proof
            self.levels.append(LevelPlan(level_v, due, cuts, found.count, least, proof, units))
        self._bound(level_v, due)

    def _missing(self, due: Sequence[PairDemand]) -> tuple[Sorts, Bools]:
        """Sorts, and which of their pairs are due and not yet covered."""
        cuts = self._counting
        if not cuts:
            sorts = sorts_of(self.demands)
            return sorts, sorts.any_of(d.pairs for d in due)
        sides = np.array([cut.sides for cut in cuts], dtype=np.int8)
        marks = [column.tobytes() for column in np.ascontiguousarray(sides.T)]
        if not any(_uncovered(demand, marks, cuts) for demand in due):
            sorts = sorts_of(self.demands)
            return sorts, np.zeros((sorts.count, sorts.count), dtype=np.bool_)
        sorts = sorts_of(self.demands, marks)
        missing = sorts.any_of(d.pairs for d in due)
        for row in sides[:, sorts.first]:
            missing &= ~((row[:, None] == 1) & (row[None, :] == 0))
            missing &= ~((row[:, None] == 0) & (row[None, :] == 1))
        return sorts, missing

    def _units(
        self, sorts: Sorts, missing: Bools, level_v: Decimal, ceiling_v: Decimal
    ) -> tuple[Decimal, Units]:
        """The highest wire level at which all can be opposed; else the level itself."""
        for wire_v in wire_levels(self.demands, self.waveform, level_v, max(ceiling_v, level_v)):
            units = units_of(sorts, allowed_pairs(self.demands, sorts, self.waveform, wire_v))
            if not units.trapped(missing).any():
                break
        return wire_v, units

    def _colour(self, units: Units, missing: Bools, lower: Bools) -> Colouring:
        """Colours for what is due; with what is demanded at lower levels, if that costs no test."""
        found = colour(units.table(missing), units.sizes)
        lower &= ~units.trapped(lower)
        if lower.any():
            more = colour(units.table(missing | lower), units.sizes)
            if more.tests == found.tests:
                return more
        return found

    def _cuts(
        self, units: Units, found: Colouring, level_v: Decimal, wire_v: Decimal
    ) -> Iterable[Cut]:
        codes = np.full(len(self.demands.nets), -1, dtype=np.int64)
        for block, sorts in enumerate(units.blocks):
            colours = found.of_block[block]
            for sort in sorts:
                nets = units.sorts.members[sort]
                codes[nets] = colours if len(colours) > 1 else colours[0]
        for bit in range(found.tests):
            sides = np.where(codes >= 0, codes >> bit & 1, -1)
            _check_bodies(self.demands, sides)
            yield Cut(level_v, wire_v, turned(self.demands, sides))

    # ---- leaving nets open -----------------------------------------------------------------------

    def _with_floating(
        self,
        units: Units,
        trapped: Bools,
        due: Sequence[PairDemand],
        level_v: Decimal,
        wire_v: Decimal,
    ) -> tuple[Cut, ...]:
        """What no two-sided test opposes, with nets left open that may be; the rest is told."""
        cuts: list[Cut] = []
        sorts = units.sorts
        allowed = allowed_pairs(self.demands, sorts, self.waveform, wire_v)
        left = np.triu(trapped)
        while left.any():
            one, other = (int(i) for i in np.argwhere(left)[0])
            both = np.zeros_like(left)
            both[one, other] = both[other, one] = True
            involved = set(np.flatnonzero((left | left.T).any(axis=1)).tolist())
            for wanted in (involved, {one, other}):
                staying = _with_bodies(sorts, wanted)
                away = [s for s in self._may_float(sorts, wire_v) if s not in staying]
                tried = units_of(sorts, allowed, leaving_open=away)
                if away and not tried.trapped(both).any():
                    now = (left | left.T) & ~tried.trapped(left | left.T)
                    now[away] = False
                    now[:, away] = False
                    found = colour(tried.table(now), tried.sizes)
                    cuts += self._cuts(tried, found, level_v, wire_v)
                    left &= ~now
                    break
            else:
                self.trapped += self._told(units, one, other, due)
                left[one, other] = False
        return tuple(cuts)

    def _may_float(self, sorts: Sorts, wire_v: Decimal) -> list[int]:
        """Sorts whose nets may be left open, their whole bodies with them: the product says so up
        to that level, and no never_above keeps one of them below it. An open net may reach the
        level against either side."""
        ac = self.waveform is Waveform.AC
        bodies, floating = self.demands.bodies, self.demands.allowed.floating
        table = declared_below(self.demands, sorts, self.waveform, wire_v)
        low: Bools = np.logical_or.reduce(table, axis=1)
        held = set(sorts.bodies[low & (sorts.bodies >= 0)].tolist())
        found = []
        for sort, net in enumerate(sorts.first):
            body = bodies[self.demands.body_of[int(net)]]
            says = [floating.get(member) for member in body]
            tops = [None if s is None else (s.ac_v if ac else s.dc_v) for s in says]
            if low[sort] or int(sorts.bodies[sort]) in held:
                continue
            if None not in says and all(top is None or top >= wire_v for top in tops):
                found.append(sort)
        return found

    def _told(
        self, units: Units, one: int, other: int, due: Sequence[PairDemand]
    ) -> Iterable[Trapped]:
        first = int(units.sorts.first[one])
        last = int(units.sorts.members[other][1 if one == other else 0])
        for demand in due:
            if (first, last) in demand.pairs:
                yield Trapped(demand, (first, last), units.chain(first, last))

    # ---- bounds ----------------------------------------------------------------------------------

    def _bound(self, level_v: Decimal, due: Sequence[PairDemand]) -> None:
        """Bounds that hold whatever the tests above are; see `bound`.

        Nets that may be left open count too: a test opposes what it opposes whether others are open
        or not, so the sides of k tests (open as either) tell demanded nets apart by k bits. Only
        that they must stand with a net they mustn't be opposed to doesn't hold of them.
        """
        sorts = sorts_of(self.demands)
        upward = [d for d in self.wanted if d.level_v >= level_v]
        away = self._may_float(sorts, level_v)

        def kept_together(at_v: Decimal) -> Units:
            allowed = allowed_pairs(self.demands, sorts, self.waveform, at_v)
            allowed[away] = True
            allowed[:, away] = True
            return units_of(sorts, allowed & ~sorts.joined())

        def least(pairs: Bools, at_v: Decimal) -> Colouring:
            units = kept_together(at_v)
            return colour(units.table(pairs & ~units.trapped(pairs)), units.sizes)

        pairs = sorts.any_of(d.pairs for d in upward)
        self._bounds.append(least(pairs, level_v))
        everything = units_of(sorts, allowed_pairs(self.demands, sorts, self.waveform, level_v))
        mine = everything.table(sorts.any_of(d.pairs for d in due))
        per_block = np.where(np.diagonal(mine), everything.sizes, mine.any(axis=1))
        units_due = int(per_block.sum())
        self.one_by_one += max(units_due - 1, 1)
        if len(self._bounds) == 1:
            self._own.append(self._bounds[0].least_tests)
            return
        above_v = min(d.level_v for d in self.wanted if d.level_v > level_v)
        above = units_of(sorts, allowed_pairs(self.demands, sorts, self.waveform, above_v),
                         leaving_open=away)  # fmt: skip
        only_here = above.trapped(sorts.any_of(d.pairs for d in due))
        self._own.append(least(only_here, level_v).least_tests)

    def bound(self) -> tuple[int, str]:
        """The larger of two bounds: that of all demands taken together at their own level or above,
        and the sum over levels of what no test at a higher level can cover."""
        widest = max(self._bounds, key=lambda found: found.least)
        together = bits_of(widest.least)
        apart = sum(self._own)
        if apart > together:
            parts = " + ".join(str(n) for n in self._own)
            return apart, f"levels taken apart: {parts}, as no test above can cover these pairs"
        return together, widest.proof


def _with_bodies(sorts: Sorts, wanted: Iterable[int]) -> set[int]:
    """Sorts, and all that are joined to them: a body is driven whole or open whole."""
    found = set(wanted)
    joined = {int(sorts.bodies[sort]) for sort in found} - {-1}
    return found | {sort for sort, body in enumerate(sorts.bodies.tolist()) if body in joined}


def _check_bodies(demands: Demands, sides: Ints) -> None:
    """Joined nets stand on one side, or are open, together.

    Raises:
        ValueError: they don't; such a test would drive what is said to be open.
    """
    for body in demands.bodies:
        if len(body) > 1 and len({int(sides[net]) for net in body}) > 1:
            names = ", ".join(demands.nets[net].name for net in body)
            raise ValueError(f"joined nets on different sides of a test: {names}")


def turned(demands: Demands, sides: Ints) -> Ints:
    """The same test with earth on the return side; without earth the smaller side is applied to."""
    if demands.earth_net is not None:
        turn = int(sides[demands.earth_net]) == 1
    else:
        turn = 2 * int((sides == 1).sum()) > int((sides >= 0).sum())
    return np.where(sides < 0, sides, 1 - sides) if turn else sides


def _uncovered(demand: PairDemand, marks: Sequence[bytes], cuts: Sequence[Cut]) -> bool:
    """Whether a pair of the demand is on one side in all tests (any open net counts as that)."""
    if any((cut.sides < 0).any() for cut in cuts):
        return True
    seen: dict[bytes, int] = {}
    for net, group in demand.pairs.group_of.items():
        if seen.setdefault(marks[net], group) != group:
            return True
    return False
