"""A small linear network, solved by modified nodal analysis (complex, dense).

Resistors, capacitors and ideal voltage sources; a source of 0 V is an ammeter. Currents are taken
from the sources' own unknowns, never as a lead's tiny voltage drop times its conductance: with a
10 mohm lead in series with gigaohms that difference is good to 1e-6 only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

GROUND = "0"
ARC_OHM = 1000.0
"""What is left of a resistor that has broken down."""


@dataclass(frozen=True, slots=True)
class Branch:
    """A part between two nodes; `breakdown_v`: peak voltage above which it conducts."""

    a: str
    b: str
    resistance_ohm: float = math.inf
    capacitance_f: float = 0.0
    breakdown_v: float = math.inf


@dataclass(frozen=True, slots=True)
class Source:
    """An ideal voltage source from `a` (plus) to `b`."""

    name: str
    a: str
    b: str
    volts: complex


@dataclass(frozen=True, slots=True)
class Solution:
    """Voltages and currents; rms where the network is driven with rms figures.

    `currents`: into the plus terminal of each source, through it, to its minus terminal (a source
    that feeds the network reads negative). `broken`: parts that have broken down.
    """

    voltages: Mapping[str, complex]
    currents: Mapping[str, complex]
    broken: frozenset[int] = frozenset()

    def voltage(self, node: str) -> complex:
        """Against ground; a node that is connected to nothing floats at 0."""
        return self.voltages.get(node, 0j)


class Circuit:
    """Build with `resistor`, `capacitor`, `source`, then `solve`."""

    def __init__(self) -> None:
        self._branches: list[Branch] = []
        self._sources: list[Source] = []

    @property
    def branches(self) -> tuple[Branch, ...]:
        return tuple(self._branches)

    def add(self, branch: Branch) -> int:
        """Add a part; returns its number.

        Raises:
            ValueError: a resistance that isn't above zero or a negative capacitance.
        """
        if not branch.resistance_ohm > 0 or not branch.capacitance_f >= 0:
            raise ValueError(f"not a passive part: {branch}")
        self._branches.append(branch)
        return len(self._branches) - 1

    def resistor(self, a: str, b: str, ohm: float, *, breakdown_v: float = math.inf) -> int:
        """Add a resistor; returns its number."""
        return self.add(Branch(a, b, ohm, 0.0, breakdown_v))

    def capacitor(self, a: str, b: str, farad: float) -> int:
        """Add a capacitor; returns its number."""
        return self.add(Branch(a, b, math.inf, farad))

    def source(self, name: str, a: str, b: str, volts: complex) -> None:
        """Add a voltage source; 0 V makes an ammeter."""
        self._sources.append(Source(name, a, b, volts))

    def solve(self, frequency_hz: float = 0.0, *, broken: frozenset[int] = frozenset()) -> Solution:
        """Solve; at 0 Hz capacitors are open.

        Raises:
            numpy.linalg.LinAlgError: sources contradict each other (a loop of sources).
        """
        admittances = [_admittance(b, frequency_hz, n in broken) for n, b in self._numbered()]
        held = self._held_nodes(admittances)
        index = {node: n for n, node in enumerate(sorted(held - {GROUND}))}
        size = len(index) + len(self._sources)
        matrix = np.zeros((size, size), dtype=np.complex128)
        right = np.zeros(size, dtype=np.complex128)
        for branch, y in zip(self._branches, admittances, strict=True):
            if y != 0 and branch.a in held:
                _stamp(matrix, index.get(branch.a), index.get(branch.b), y)
        for n, source in enumerate(self._sources, start=len(index)):
            right[n] = source.volts
            for node, sign in ((source.a, 1.0), (source.b, -1.0)):
                if node in index:
                    matrix[index[node], n] += sign
                    matrix[n, index[node]] += sign
        answer = np.linalg.solve(matrix, right) if size else right
        voltages = {node: complex(answer[n]) for node, n in index.items()}
        currents = {s.name: complex(answer[n]) for n, s in enumerate(self._sources, len(index))}
        return Solution(voltages, currents, broken)

    def solve_with_breakdown(self, frequency_hz: float = 0.0) -> Solution:
        """Solve, letting every part break down whose peak voltage is too high, until none does."""
        peak = 1.0 if frequency_hz == 0 else math.sqrt(2.0)
        solution = self.solve(frequency_hz)
        while True:
            over = frozenset(
                n
                for n, b in self._numbered()
                if abs(solution.voltage(b.a) - solution.voltage(b.b)) * peak > b.breakdown_v
            )
            if over <= solution.broken:
                return solution
            solution = self.solve(frequency_hz, broken=solution.broken | over)

    def connected(self, a: str, b: str, below_ohm: float) -> bool:
        """Whether a path of resistors below `below_ohm` each leads from `a` to `b`."""
        near: dict[str, list[str]] = {}
        for branch in self._branches:
            if branch.resistance_ohm < below_ohm:
                near.setdefault(branch.a, []).append(branch.b)
                near.setdefault(branch.b, []).append(branch.a)
        return b in _reach({a}, near)

    def _numbered(self) -> list[tuple[int, Branch]]:
        return list(enumerate(self._branches))

    def _held_nodes(self, admittances: list[complex]) -> set[str]:
        """Nodes whose voltage is defined: those that something connects to ground.

        A part of the network that hangs in the air would make the matrix singular; a leak to
        ground for every node, the usual way round that, would falsify teraohm readings.
        """
        near: dict[str, list[str]] = {}
        pairs = [(s.a, s.b) for s in self._sources]
        pairs += [(b.a, b.b) for b, y in zip(self._branches, admittances, strict=True) if y != 0]
        for a, b in pairs:
            near.setdefault(a, []).append(b)
            near.setdefault(b, []).append(a)
        held = _reach({GROUND}, near)
        for source in self._sources:
            if source.a not in held:
                raise ValueError(f"source {source.name!r} has no way to ground")
        return held


def _admittance(branch: Branch, frequency_hz: float, broken: bool) -> complex:
    if broken:
        return complex(1 / ARC_OHM)
    return complex(1 / branch.resistance_ohm, 2 * math.pi * frequency_hz * branch.capacitance_f)


def _stamp(
    matrix: np.ndarray[tuple[int, int], np.dtype[np.complex128]],
    a: int | None,
    b: int | None,
    y: complex,
) -> None:
    if a is not None:
        matrix[a, a] += y
    if b is not None:
        matrix[b, b] += y
    if a is not None and b is not None:
        matrix[a, b] -= y
        matrix[b, a] -= y


def _reach(start: set[str], near: Mapping[str, list[str]]) -> set[str]:
    found, waiting = set(start), list(start)
    while waiting:
        for node in near.get(waiting.pop(), ()):
            if node not in found:
                found.add(node)
                waiting.append(node)
    return found
