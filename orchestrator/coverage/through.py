"""What nets that nothing drives conduct from one side of a step to the other, at most.

All that floats together is a two-terminal network of resistors and capacitors between the sides.
Its admittance is Y(s) = k₀ + k∞·s + Σ kᵢ·s/(s + pᵢ), no constant negative (form of an RC network:
Cauer; Guillemin, *Synthesis of Passive Networks*, 1957, from memory). So for every real σ > 0

    |Y(jω)| ≤ √(1 + (ω/σ)²) · Y(σ)            Re Y(jω) ≤ ½·(1 + √(1 + (ω/σ)²)) · Y(σ)

term by term: ω(σ + p)/(σ√(ω² + p²)) and ω²(σ + p)/(σ(ω² + p²)) have those as their largest values
over p ≥ 0. Y(σ) is that of a network of conductances G + σ·C alone; there Rayleigh holds (more
conductance anywhere, shorts included, never lowers it), so with all that floats taken as one node,
and every value at its most, Y(σ) ≤ Y₁·Y₂/(Y₁ + Y₂), Y₁ and Y₂ being G + σ·C to either side. The
least over many σ counts. It is exact where all is capacitive, or all resistive; what lies between
nets that float needs no declaration.

One net alone that floats is reckoned as it is, too: |Y₁|·|Y₂| / |Y₁ + Y₂|, with |Y₁ + Y₂| at least
cos(δ/2)·(|Y₁| + |Y₂|), δ being how far their phases may lie apart, and no less than either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from orchestrator.coverage.classes import Ids
from orchestrator.coverage.shares import Reals, Values, least_shares, most_between, silent
from orchestrator.coverage.steps import Sides

_RATIOS: Reals = np.logspace(-6, 6, 97)
"""σ/ω: any one gives a bound; eight a decade come within 1 % of the best."""


@dataclass(frozen=True, slots=True)
class _Ends:
    """Most and least (F, or S) from all that floats to source and to return."""

    most: tuple[float, float]
    least: tuple[float, float]


def through(
    values: Values,
    afloat: Ids,
    rest: Sides,
    omega: float,
    *,
    whole: bool,
    in_phase: bool = False,
) -> float:
    """The most admittance (S) that nets which float add between the sides; infinite: unbounded.

    Args:
        afloat: the nets that nothing drives.
        rest: the sides of all others.
        omega: 2πf; 0 for DC.
        whole: they are one conductor.
        in_phase: only current in phase with the voltage counts.
    """
    if not len(afloat):
        return 0.0
    siemens = _ends(values, afloat, rest, resistive=True)
    if not omega:
        return float(_series(*(np.array([most]) for most in siemens.most))[0])
    farads = _ends(values, afloat, rest, resistive=False)
    bound = _by_sigma(farads, siemens, omega, in_phase=in_phase)
    return min(bound, _alone(farads, siemens, omega)) if whole else bound


def _by_sigma(farads: _Ends, siemens: _Ends, omega: float, *, in_phase: bool) -> float:
    sigma = _RATIOS * omega
    one, other = (g + sigma * f for f, g in zip(farads.most, siemens.most, strict=True))
    factor = np.hypot(1, 1 / _RATIOS)
    if in_phase:
        factor = (1 + factor) / 2
    return float((factor * _series(one, other)).min())


def _alone(farads: _Ends, siemens: _Ends, omega: float) -> float:
    one, other = (
        np.array([math.hypot(omega * f, g)]) for f, g in zip(farads.most, siemens.most, strict=True)
    )
    # The least phase of either end; the most is a right angle.
    pairs = zip(farads.least, siemens.most, strict=True)
    lowest = min(math.atan2(omega * f, g) for f, g in pairs)
    spread = math.cos((math.pi / 2 - lowest) / 2)
    return float(min(_series(one, other)[0] / spread, one[0], other[0]))


def _series(one: Reals, other: Reals) -> Reals:
    """Y₁·Y₂/(Y₁ + Y₂); beside an end without bounds the other one counts."""
    low, high = np.minimum(one, other), np.maximum(one, other)
    share = np.divide(low, high, out=np.zeros_like(low), where=np.isfinite(high) & (high > 0))
    return np.asarray(low / (1 + share))


def _ends(values: Values, afloat: Ids, rest: Sides, *, resistive: bool) -> _Ends:
    found = values.siemens if resistive else values.farads
    most, least = [], []
    for end in (1, -1):
        probe = np.where(rest == end, -1, 0).astype(np.int8)
        probe[afloat] = 1
        unknown = bool(silent(found, probe).any())
        most.append(math.inf if unknown else most_between(found, probe))
        least.append(sum(share.total for share in least_shares(found, probe)))
    return _Ends((most[0], most[1]), (least[0], least[1]))
