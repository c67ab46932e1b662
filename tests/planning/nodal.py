"""A nodal solver, and units of a product as circuits for it: written from physics alone.

source: C.-W. Ho, A. E. Ruehli, P. A. Brennan, 'The modified nodal approach to network analysis',
IEEE Transactions on Circuits and Systems 22 (1975) 504-509 (from memory): Kirchhoff's current law
at every node, and the current of every ideal voltage source as a further unknown. The current that
a test draws is taken from the power (Tellegen's theorem): S = Σ Y·ΔV² over all branches, which
wires of milliohms beside insulation of gigohms don't spoil.

Nothing here asks `orchestrator.planning` or `orchestrator.coverage`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Literal

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from orchestrator.model.demands import Declared, Demands
from orchestrator.model.words import Edge, Measured, Waveform
from orchestrator.planning.plan import PlannedStep

Pair = tuple[int, int]
Node = tuple[str, object]
Corner = Literal["least", "nominal", "most"]
LIMB_OHM = 0.004
"""Of the wire from a net's middle to each of its points."""
ROUNDING = 1e-7
"""Relative: what only rounding of floats makes too much is not too much."""


# ---- the solver ---------------------------------------------------------------------------------


@dataclass
class Circuit:
    """Branches between nodes, and ideal sources; `solve` once all are in.

    Frequency in Hz, 0 for DC: then capacitances conduct nothing.
    """

    hertz: float = 0.0
    _nodes: dict[Node, int] = field(default_factory=dict)
    _branches: list[tuple[int, int, complex]] = field(default_factory=list)
    _sources: list[tuple[int, int, float]] = field(default_factory=list)

    def _node(self, name: Node) -> int:
        return self._nodes.setdefault(name, len(self._nodes))

    def admit(self, one: Node, other: Node, siemens: float, farad: float = 0.0) -> None:
        """A conductance with a capacitance beside it: Y = G + jωC."""
        value = complex(siemens, 2 * math.pi * self.hertz * farad)
        if value:
            self._branches.append((self._node(one), self._node(other), value))

    def drive(self, plus: Node, minus: Node, volts: float) -> None:
        """An ideal voltage source (rms); of 0 V: an ideal contact."""
        self._sources.append((self._node(plus), self._node(minus), volts))

    def solve(self) -> Solved:
        """Voltages against the first source's minus; what hangs on nothing stays out of it."""
        whole = len(self._nodes)
        ends = [(a, b) for a, b, _ in self._branches] + [(a, b) for a, b, _ in self._sources]
        here, there = np.array(ends).T
        joined = coo_matrix((np.ones(len(ends)), (here, there)), (whole, whole))
        label = connected_components(joined, directed=False)[1]
        ground = self._sources[0][1]
        alive = np.flatnonzero((label == label[ground]) & (np.arange(whole) != ground))
        row = np.full(whole, -1)
        row[alive] = np.arange(len(alive))
        count = len(self._branches)
        y = np.array([value for _, _, value in self._branches], dtype=np.complex128)
        volts = np.array([value for _, _, value in self._sources], dtype=np.complex128)
        a, b = row[here[:count]], row[there[:count]]
        plus, minus = row[here[count:]], row[there[count:]]
        own = len(alive) + np.arange(len(volts))
        one = np.ones(len(volts), dtype=np.complex128)
        rows = np.concatenate((a, b, a, b, plus, own, minus, own))
        columns = np.concatenate((a, b, b, a, own, plus, own, minus))
        values = np.concatenate((y, y, -y, -y, one, one, -one, -one))
        kept = (rows >= 0) & (columns >= 0)
        size = len(alive) + len(volts)
        matrix = coo_matrix((values[kept], (rows[kept], columns[kept])), (size, size))
        right = np.concatenate((np.zeros(len(alive), dtype=np.complex128), volts))
        found = splu(matrix.tocsc()).solve(right)
        volts_at = np.zeros(whole, dtype=np.complex128)
        volts_at[alive] = found[: len(alive)]
        across = volts_at[here[:count]] - volts_at[there[:count]]
        power = np.sum(y * across**2)
        names = {name: complex(volts_at[index]) for name, index in self._nodes.items()}
        return Solved(names, complex(power), tuple(-found[len(alive) :]))


@dataclass(frozen=True)
class Solved:
    """``volts``: by node. ``currents``: out of each source's plus (A). ``power``: Σ Y·ΔV²."""

    volts: Mapping[Node, complex]
    power: complex
    currents: tuple[complex, ...]


# ---- a unit of a product ------------------------------------------------------------------------


def pair_of(one: int, other: int) -> Pair:
    return (one, other) if one < other else (other, one)


def pairs_of(demands: Demands, one: Declared) -> list[Pair]:
    """Its pairs, but for those that the product itself joins."""
    return [
        pair
        for pair in combinations(sorted(one.pairs.nets), 2)
        if pair in one.pairs and demands.body_of[pair[0]] != demands.body_of[pair[1]]
    ]


@dataclass(frozen=True)
class Unit:
    """One unit: what each pair of nets has (F, S), and what is wrong with it.

    Attributes:
        off: points whose lead touches nothing. broken: points whose wire to their net is broken.
        parts: share of the way from the lower to the upper limit of loads and bonds.
    """

    demands: Demands
    farad: Mapping[Pair, float]
    siemens: Mapping[Pair, float]
    off: frozenset[str] = frozenset()
    broken: frozenset[str] = frozenset()
    parts: float = 0.9

    def with_fault(self, pair: Pair, siemens: float, farad: float) -> Unit:
        """The same unit with one pair that has this, whatever it was declared to have."""
        return replace(
            self, siemens={**self.siemens, pair: siemens}, farad={**self.farad, pair: farad}
        )

    def seen(self, apply_to: Iterable[str], against: Iterable[str], hertz: float) -> complex:
        """Admittance (S) that a tester sees between points that are joined to its two terminals."""
        circuit = Circuit(hertz)
        plus, minus = ("terminal", "source"), ("terminal", "return")
        circuit.drive(plus, minus, 1.0)
        for terminal, points in ((plus, apply_to), (minus, against)):
            for point in points:
                if point not in self.off:
                    circuit.drive(terminal, ("point", point), 0.0)
        for net in self.demands.nets:
            for point in net.points:
                if point not in self.broken:
                    circuit.admit(("point", point), ("net", net.index), 1 / LIMB_OHM)
        for (one, other), ohm in self._joints():
            circuit.admit(("net", one), ("net", other), 1 / ohm)
        for pair in {**self.farad, **self.siemens}:
            ends = (("net", pair[0]), ("net", pair[1]))
            circuit.admit(*ends, self.siemens.get(pair, 0.0), self.farad.get(pair, 0.0))
        return circuit.solve().power

    def _joints(self) -> Iterator[tuple[Pair, float]]:
        """Loads and bonds of the product, sound."""
        for load in self.demands.load_demands:
            low = float(load.limit(Measured.RESISTANCE, Edge.AT_LEAST) or 0)
            high = float(load.limit(Measured.RESISTANCE, Edge.AT_MOST) or low + 10)
            yield load.nets, low + self.parts * (high - low)
        earth = self.demands.earth_net
        for bond in self.demands.bond_demands:
            high = float(bond.limit(Measured.RESISTANCE, Edge.AT_MOST) or 0.1)
            for part in bond.parts:
                if earth is not None:
                    yield (self.demands.net_of_point[part], earth), self.parts * high


def declared_value(one: Declared, corner: Corner) -> float:
    """Of a capacitance: the end that is asked for."""
    return float({"least": one.least, "nominal": one.nominal, "most": one.most}[corner])


def _conductance(one: Declared, corner: Corner) -> float:
    """Of an insulation; the most conductance is that of the least resistance."""
    turned: dict[Corner, Corner] = {"least": "most", "nominal": "nominal", "most": "least"}
    return 1 / declared_value(one, turned[corner])


def spread_unit(demands: Demands, corner: Corner) -> Unit:
    """A unit at one end of all tolerances; values of pairs together are spread over them evenly.

    Several declarations of one pair lie in parallel.
    """
    farad: dict[Pair, float] = {}
    siemens: dict[Pair, float] = {}
    for table, entries, value in (
        (farad, demands.capacitances, declared_value),
        (siemens, demands.insulations, _conductance),
    ):
        for one in entries:
            pairs = pairs_of(demands, one)
            share = 1.0 if one.each_pair else 1 / max(1, len(pairs))
            for pair in pairs:
                table[pair] = table.get(pair, 0.0) + share * value(one, corner)
    return Unit(demands, farad, siemens)


def hard_unit(
    demands: Demands, step: PlannedStep, corner: Corner, spare: Pair | None = None
) -> Unit:
    """A unit at one end of all tolerances, as unfavourable to one step as it may be.

    A value that several pairs have together may all lie in one of them: for the most between the
    sides, in an opposed one; for the least, in ``spare`` (the faulty pair, whose value the fault
    replaces), else in one whose nets stand on one side or of which one is left open.
    """
    here, there = set(step.apply_nets), set(step.against_nets)

    def across(pair: Pair) -> int:
        """2: opposed; 1: one net is open; 0: on one side."""
        sides = [1 if net in here else -1 if net in there else 0 for net in pair]
        return 2 if sides[0] * sides[1] < 0 else 1 if 0 in sides else 0

    farad: dict[Pair, float] = {}
    siemens: dict[Pair, float] = {}
    for table, entries, value in (
        (farad, demands.capacitances, declared_value),
        (siemens, demands.insulations, _conductance),
    ):
        for one in entries:
            pairs = pairs_of(demands, one)
            if pairs and not one.each_pair:
                least = spare if spare in pairs else min(pairs, key=across)
                pairs = [max(pairs, key=across) if corner == "most" else least]
            for pair in pairs:
                table[pair] = table.get(pair, 0.0) + value(one, corner)
    return Unit(demands, farad, siemens)


# ---- readings -----------------------------------------------------------------------------------


def admittance(unit: Unit, step: PlannedStep) -> complex:
    """What a step sees of a unit (S), at its frequency; 50 Hz where it is AC and names none."""
    ac = step.waveform is Waveform.AC
    return unit.seen(step.apply_to, step.against, float(step.frequency_hz or 50) * ac)


def readings(step: PlannedStep, seen: complex, *, at_ceiling: bool) -> dict[Measured, float]:
    """What a perfect tester reads, at the step's level or at the most that the wire carries."""
    level = float(step.ceiling if at_ceiling else step.level)
    return {
        Measured.TOTAL_CURRENT: level * abs(seen),
        Measured.IN_PHASE_CURRENT: level * seen.real,
        Measured.RESISTANCE: 1 / seen.real if seen.real > 0 else math.inf,
    }


def passes(step: PlannedStep, seen: complex, *, at_ceiling: bool, slack: float = 0.0) -> bool:
    """Whether all limits hold; ``slack``: relative, in favour of the unit."""
    read = readings(step, seen, at_ceiling=at_ceiling)
    return all(
        read[limit.quantity] <= float(limit.value) * (1 + slack)
        if limit.edge is Edge.AT_MOST
        else read[limit.quantity] >= float(limit.value) * (1 - slack)
        for limit in step.limits
    )
