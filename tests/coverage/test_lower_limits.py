"""Lower limits on current: against a nodal solution, and by hand."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from orchestrator.coverage.masking import Masking
from orchestrator.coverage.shares import Values
from orchestrator.coverage.steps import see
from orchestrator.coverage.through import through
from orchestrator.documents import Document, build
from orchestrator.model.demands import Demands
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.resolve import resolve
from tests.coverage.test_cover import Data, judged, said, wires, withstand

Complex = NDArray[np.complex128]
OMEGA = 2 * np.pi * 50
CAPACITANCES = ["0 pF", "10 pF", "1 nF", "20 nF"]
RESISTANCES = ["200 kohm", "1 Mohm", "30 Mohm", "10 Gohm"]


def value_of(text: str) -> float:
    number, unit = text.split()
    scale = {"pF": 1e-12, "nF": 1e-9, "kohm": 1e3, "Mohm": 1e6, "Gohm": 1e9}
    return float(number) * scale[unit]


class Unit:
    """A random product of so many nets: every pair declared, sometimes one not."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.names = [f"n{i}" for i in range(rng.randint(3, 5))]
        every = list(combinations(range(len(self.names)), 2))
        shares = rng.choice([0.0, 0.5, 1.0])  # all alike, or mixed
        fixed = rng.choice(CAPACITANCES), rng.choice(RESISTANCES)
        self.tolerance = rng.choice([0, 10, 30])
        self.declared = {
            pair: (rng.choice(CAPACITANCES), rng.choice(RESISTANCES))
            if rng.random() < shares
            else fixed
            for pair in every
        }

    def product(self) -> Data:
        def entries(index: int) -> list[Data]:
            return [
                {"between": [[self.names[a]], [self.names[b]]], "value": values[index],
                 "tolerance_percent": self.tolerance}
                for (a, b), values in self.declared.items()
            ]  # fmt: skip

        demand = withstand("d", [], [], between=[[self.names[0]], [self.names[1]]])
        return {
            "name": "random (invented)",
            "revision": "1",
            "nets": {name: name for name in self.names},
            "capacitances": entries(0),
            "insulations": entries(1),
            "demands": [{k: v for k, v in demand.items() if k not in {"apply_to", "against"}}],
        }

    def made(self) -> Complex:
        """One unit within the tolerances: its admittance matrix (S)."""
        size, share = len(self.names), self.tolerance / 100
        matrix = np.zeros((size, size), dtype=np.complex128)
        for (a, b), (farads, ohms) in self.declared.items():
            ends = (1 - share, 1 + share, self.rng.uniform(1 - share, 1 + share))
            admittance = 1j * OMEGA * value_of(farads) * self.rng.choice(ends)
            add(matrix, a, b, admittance + 1 / (value_of(ohms) * self.rng.choice(ends)))
        return matrix


def add(matrix: Complex, one: int, other: int, admittance: complex) -> None:
    matrix[[one, other], [one, other]] += admittance
    matrix[[one, other], [other, one]] -= admittance


def drawn(matrix: Complex, sides: NDArray[np.int8]) -> complex:
    """Current per volt from source to return; nets of neither side float. Nodal analysis."""
    up, loose = np.flatnonzero(sides > 0), np.flatnonzero(sides == 0)
    volts = np.zeros(len(sides), dtype=np.complex128)
    volts[up] = 1
    if len(loose):
        inner = matrix[np.ix_(loose, loose)]
        known = -matrix[np.ix_(loose, up)] @ volts[up]
        volts[loose] = np.linalg.lstsq(inner, known, rcond=None)[0]
    return complex((matrix[up] @ volts).sum())


def cases(seed: int, products: int) -> Iterator[tuple[Unit, Demands, random.Random]]:
    rng = random.Random(seed)
    for _ in range(products):
        unit = Unit(rng)
        yield unit, resolve(Document.built(build(Product, unit.product()), "product")), rng


@pytest.mark.parametrize("seed", [1, 2])
def test_what_floats_never_conducts_more_than_the_bound(seed: int) -> None:
    """Over 2,000 random cases with one to three nets afloat, R and C mixed; total and in phase."""
    tried, tightest = 0, 0.0
    for unit, demands, rng in cases(seed, 105):
        values, size = Values(demands), len(unit.names)
        for _ in range(10):
            sides = np.array([rng.choice([1, -1, 0, 0]) for _ in range(size)], dtype=np.int8)
            sides[:3] = 1, -1, 0
            loose = np.flatnonzero(sides == 0)
            tried += 1
            whole = len(loose) == 1
            in_phase = rng.random() < 0.4
            most = through(values, loose, sides, OMEGA, whole=whole, in_phase=in_phase)
            for _ in range(3):
                matrix = unit.made()
                for one in np.flatnonzero(sides > 0):  # what stands opposed is reckoned elsewhere
                    for other in np.flatnonzero(sides < 0):
                        add(matrix, int(one), int(other), matrix[one, other])
                current = drawn(matrix, sides)
                drawn_s = current.real if in_phase else abs(current)
                assert drawn_s <= most * (1 + 1e-9) + 1e-18
                tightest = max(tightest, drawn_s / most if most else 0.0)
    assert tried > 1000
    assert tightest > 0.99


def test_a_pair_held_as_shown_reads_below_the_limit_whatever_stands_beside_it() -> None:
    """A demanded `at_least` of each pair; groups, bodies of one and open nets; the pair's own
    current just below its limit, of any phase between resistive and capacitive."""
    shown = 0
    for unit, base, rng in cases(3, 200):
        names = unit.names
        made = unit.product()
        made["demands"][0] |= {
            "among": "every_net", "between": None, "level_ceiling": "1 kV",
            "accept": {"total_current": {"at_least": "1 mA"}},
        }  # fmt: skip
        demands = resolve(Document.built(build(Product, made), "product"))
        sides = np.array([rng.choice([1, -1, 0]) for _ in names], dtype=np.int8)
        sides[:2] = 1, -1
        limit = rng.choice([1, 1.5, 3, 10, 40])
        step: Data = withstand("w", [], [], level_ceiling="1 kV")
        step |= {
            "apply_to": [n for n, side in zip(names, sides, strict=True) if side > 0],
            "against": [n for n, side in zip(names, sides, strict=True) if side < 0],
            "accept": {"total_current": {"at_least": f"{limit} mA"}},
        }
        program = build(Program, {"name": "p", "revision": "1", "steps": [step]})
        (seen,) = see(demands, Document.built(program, "program"), None).voltage
        loose = Masking(demands).looseness(demands.pair_demands[0], seen)
        for one in np.flatnonzero(sides > 0):
            for other in np.flatnonzero(sides < 0):
                pair = np.array([one]), np.array([other])
                if not all(each.shows(*pair)[0, 0] for each in loose):
                    continue
                shown += 1
                for phase in (0.0, 0.4, 1.2, np.pi / 2):
                    matrix = unit.made()
                    add(matrix, int(one), int(other), matrix[one, other])  # its own is taken out
                    add(matrix, int(one), int(other), 0.999e-6 * np.exp(1j * phase))
                    assert 1000 * abs(drawn(matrix, sides)) < limit * 1e-3
        assert len(base.nets) == len(names)
    assert shown > 100


# ---- the rule, by hand --------------------------------------------------------------------------


def lower(at_least: str) -> Data:
    return {"total_current": {"at_least": at_least, "at_most": "90 mA"}}


def harness(count: int, farads: str | None, ohms: str | None = "1 Gohm", **more: Any) -> Data:
    """w0 and others against w1: each pair draws at least 1 mA at 1 kV, 50 Hz."""
    names = [f"w{i}" for i in range(count) if i != 1]
    demand = withstand("draws", [], [], between=[names, ["w1"]], accept=lower("1 mA"))
    demand["level_ceiling"] = "1 kV"
    product = wires(
        count, demands=[{k: v for k, v in demand.items() if k not in {"apply_to", "against"}}]
    )
    product["allow"]["floating"] = [{"nets": "every_net", "reason": "not the question here"}]
    share = {"among": "every_net", "tolerance_percent": "0"}
    product["capacitances"] = [] if farads is None else [{**share, "value": farads}]
    product["insulations"] = [] if ohms is None else [{**share, "value": ohms}]
    return {**product, **more}


def masked(product: Data, one: list[str], other: list[str], at_least: str, **more: Any) -> int:
    more = {"level_ceiling": "1 kV", **more}
    return (
        judged(product, withstand("w", one, other, accept=lower(at_least), **more)).pairs[0].masked
    )


def test_with_one_conductor_a_side_and_nothing_open_the_demanded_limit_shows_it() -> None:
    """Declared or not."""
    assert masked(harness(2, None, None), ["p0"], ["p1"], "1 mA") == 0
    assert masked(harness(2, None, None), ["p0"], ["p1"], "0.99 mA") == 1


def test_in_a_group_the_limit_must_lie_above_the_others_most_by_the_pairs_own() -> None:
    """The other pair draws 2π·50 Hz · 10 nF · 1 kV = 3.1416 mA; 4.1416 mA show a pair of 1 mA."""
    assert masked(harness(3, "10 nF"), ["p0", "p2"], ["p1"], "4.142 mA") == 0
    assert masked(harness(3, "10 nF"), ["p0", "p2"], ["p1"], "4.141 mA") == 2


def test_declared_as_nothing_the_others_leave_only_their_insulation() -> None:
    """1 kV over 1 Gohm is 1 uA."""
    assert masked(harness(3, "0 pF"), ["p0", "p2"], ["p1"], "1.001 mA") == 0
    assert masked(harness(3, "0 pF"), ["p0", "p2"], ["p1"], "1 mA") == 2


def test_what_isnt_declared_beside_the_pair_may_be_anything() -> None:
    """Of the group's other pairs, and on the way through nets left open."""
    found = judged(
        harness(3, None),
        withstand("w", ["p0", "p2"], ["p1"], accept=lower("80 mA"), level_ceiling="1 kV"),
    )
    assert found.pairs[0].masked == 2
    assert "is that of a group, and what stands beside the pair isn't declared" in said(found)
    assert masked(harness(3, None), ["p0"], ["p1"], "80 mA") == 1


def test_a_net_left_open_is_a_way_round_the_pair() -> None:
    """10 nF in series with 10 nF: 1.5708 mA, beside 1 mA of the pair."""
    assert masked(harness(3, "10 nF"), ["p0"], ["p1"], "2.572 mA") == 0
    assert masked(harness(3, "10 nF"), ["p0"], ["p1"], "2.57 mA") == 1


def test_above_the_demands_ceiling_a_bad_pair_draws_more_too() -> None:
    """At 2 kV a pair that draws just too little at 1 kV draws just under 2 mA."""
    more = {"level": "2 kV", "level_ceiling": "2 kV"}
    assert masked(harness(2, None), ["p0"], ["p1"], "2 mA", **more) == 0
    assert masked(harness(2, None), ["p0"], ["p1"], "1.99 mA", **more) == 1
    found = judged(
        harness(2, None), withstand("w", ["p0"], ["p1"], accept=lower("1.99 mA"), **more)
    )
    assert "at its limit of 1 mA the group may still read 2 mA at 2 kV" in said(found)


def test_an_upper_limit_on_resistance_is_hidden_alike() -> None:
    """A bleeder of at most 1 Mohm: beside another pair of 1 Gohm the group must read 999 kohm."""
    accept = {"resistance": {"at_most": "1 Mohm"}}
    demand: Data = {"name": "bleeder", "kind": "insulation", "level": "500 V", "dwell": "1 s"}
    demand |= {"between": [["w0", "w2"], ["w1"]], "accept": accept}
    product = harness(3, None, demands=[demand])

    def hidden(at_most: str) -> int:
        step = {"name": "r", "kind": "insulation", "level": "500 V", "dwell": "1 s"}
        limit = {"resistance": {"at_most": at_most}}
        return (
            judged(product, {**step, "apply_to": ["p0", "p2"], "against": ["p1"], "accept": limit})
            .pairs[0]
            .masked
        )

    assert hidden("999 kohm") == 0
    assert hidden("1 Mohm") == 2
