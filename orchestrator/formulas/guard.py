"""Guard bands: the acceptance limit beside the specified one (JCGM 106:2012).

Two decision rules, and every figure says which:
- *simple acceptance* (JCGM 106, 8.2): the acceptance limit is the specified one; the risk of a
  wrong pass right at the limit is 50 %.
- *guarded acceptance* (8.3): the acceptance limit lies a guard band g inside. g = U = 2u leaves
  2.275 % at the limit, g = 1.645u leaves 5 % (computed).

The tester's stated accuracy ±(percent of reading + absolute part) is taken as bounds that the
error keeps within, and by `accepted` as the guard band itself (g = U, the stated bounds being U):
what the tester reads at the acceptance limit then lies within the specification even if it errs by
all that is stated. STATUS: clause numbers and the example of 7.4 from memory, figures computed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from statistics import NormalDist

from orchestrator.model.words import Edge

_STANDARD = NormalDist()


class Rule(StrEnum):
    """The decision rule of an acceptance limit."""

    SIMPLE = "simple acceptance"
    GUARDED = "guarded acceptance, g = U"


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A specified limit, the acceptance limit made from it, and the guard band between them."""

    specified: Decimal
    accepted: Decimal
    rule: Rule

    @property
    def guard(self) -> Decimal:
        """Width of the guard band, in the limit's unit."""
        return abs(self.accepted - self.specified)


def acceptance_limit(specified: float, guard: float, edge: Edge) -> float:
    """T − g for an upper limit, T + g for a lower one (JCGM 106, 8.3).

    100 Mohm at least with u = 1.5 Mohm: 102.467 Mohm for 5 %, 103.0 Mohm with U = 2u.

    Raises:
        ValueError: a negative guard band.
    """
    if guard < 0:
        raise ValueError("a guard band must not be negative")
    return specified - guard if edge is Edge.AT_MOST else specified + guard


def accepted(
    specified: Decimal, percent: Decimal, plus: Decimal, edge: Edge, rule: Rule = Rule.GUARDED
) -> Acceptance:
    """Acceptance limit from a tester's stated accuracy, ±(percent of reading + plus).

    Exact: the accuracy counts at the acceptance limit, for that is what the tester reads there.
    At most T: A = (T − plus)/(1 + p). At least T: A = (T + plus)/(1 − p).

    Raises:
        ValueError: a negative accuracy, 100 % or more with a lower limit, or an accuracy that
            leaves nothing of an upper limit: the tester can't prove it.
    """
    if min(percent, plus) < 0:
        raise ValueError("an accuracy must not be negative")
    if rule is Rule.SIMPLE:
        return Acceptance(specified, specified, rule)
    share = percent / 100
    if edge is Edge.AT_MOST:
        if specified < plus or (specified == plus and plus > 0):
            raise ValueError("the accuracy leaves nothing of the limit: the tester can't prove it")
        return Acceptance(specified, (specified - plus) / (1 + share), rule)
    if share >= 1:
        raise ValueError("an accuracy of 100 % or more proves no lower limit")
    return Acceptance(specified, (specified + plus) / (1 - share), rule)


def worst_reading(true: float, percent: float, plus: float, edge: Edge) -> float:
    """What a tester of a stated accuracy reads of a true value where it errs towards the limit.

    Any reading y lies within y·p + plus of the true value x: at most (x + plus)/(1 − p), at least
    (x − plus)/(1 + p), not below zero. For an upper limit the first, for a lower one the second.

    Raises:
        ValueError: a negative accuracy.
    """
    if min(percent, plus) < 0:
        raise ValueError("an accuracy must not be negative")
    share = percent / 100
    if edge is Edge.AT_LEAST:
        return max(0.0, (true - plus) / (1 + share))
    return (true + plus) / (1 - share) if share < 1 else math.inf


def standard_uncertainty(reading: float, percent: float, plus: float) -> float:
    """Standard uncertainty of a reading from stated bounds of error: a/√3.

    Any error within the bounds is taken as equally likely (JCGM 100:2008, 4.3.7, from memory).

    Raises:
        ValueError: a negative accuracy.
    """
    if min(percent, plus) < 0:
        raise ValueError("an accuracy must not be negative")
    return (abs(reading) * percent / 100 + plus) / math.sqrt(3)


def guard_for_risk(standard_u: float, risk: float) -> float:
    """Guard band that leaves a share (0 to 0.5) of wrong passes at the limit: z(1 − risk)·u.

    JCGM 106, 8.3; the error is taken as normal. 5 %: 1.6449u; 2.275 %: 2u (computed).

    Raises:
        ValueError: a risk outside 0 (excluded) to 0.5, or a negative uncertainty.
    """
    if not 0 < risk <= 0.5 or standard_u < 0:
        raise ValueError("the risk must be above 0 and at most 0.5, the uncertainty not negative")
    return _STANDARD.inv_cdf(1 - risk) * standard_u


def conformance_probability(
    reading: float, standard_u: float, *, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value conforms: Φ((U − y)/u) − Φ((L − y)/u) (JCGM 106, 7.2-7.4).

    7.4: −5.47 V, u = 0.05 V, at most −5.40 V: Φ(1.40) = 0.91924.

    Raises:
        ValueError: an uncertainty that isn't positive, or limits the wrong way round.
    """
    if standard_u <= 0 or lower > upper:
        raise ValueError("the uncertainty must be positive and the lower limit not above the upper")
    return _phi((upper - reading) / standard_u) - _phi((lower - reading) / standard_u)


@dataclass(frozen=True, slots=True)
class Risks:
    """Shares of all units: bad ones passed (the customer's), good ones failed (the maker's)."""

    wrong_pass: float
    wrong_fail: float
    nonconforming: float


def global_risks(
    mean: float, spread: float, standard_u: float, *, lower: float, upper: float, guard: float = 0.0
) -> Risks:
    """Risks of a two-sided decision, units and errors normal (JCGM 106, 9.5, from memory).

    Integrates over the units' true values; the acceptance interval is [L + g, U − g].
    N(1500, 0.12) ohm, ±0.2 ohm, u = 0.04 ohm, no guard band: 1.894221 % and 3.720780 %
    (reference G, computed).

    Raises:
        ValueError: a spread or uncertainty that isn't positive, or no interval left.
    """
    if min(spread, standard_u) <= 0 or lower >= upper or lower + guard > upper - guard:
        raise ValueError("spread and uncertainty must be positive and leave an interval")

    def passes(true: float) -> float:
        low, high = (lower + guard - true) / standard_u, (upper - guard - true) / standard_u
        return _phi(high) - _phi(low)

    def density(true: float) -> float:
        z = (true - mean) / spread
        return math.exp(-z * z / 2) / (spread * math.sqrt(2 * math.pi))

    far = 9 * max(spread, standard_u)
    begin, end = min(mean, lower) - far, max(mean, upper) + far
    wrong_pass = _integral(lambda x: density(x) * passes(x), begin, lower)
    wrong_pass += _integral(lambda x: density(x) * passes(x), upper, end)
    wrong_fail = _integral(lambda x: density(x) * (1 - passes(x)), lower, upper)
    inside = _phi((upper - mean) / spread) - _phi((lower - mean) / spread)
    return Risks(wrong_pass, wrong_fail, 1 - inside)


def _phi(z: float) -> float:
    """The standard normal distribution; exact far out too, where its tail is all that counts."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _integral(of: Callable[[float], float], begin: float, end: float, parts: int = 4000) -> float:
    """Simpson's rule; 4,000 parts over some 20 standard deviations leave errors below 1e-9."""
    step = (end - begin) / parts
    inner = math.fsum(of(begin + i * step) * (4 if i % 2 else 2) for i in range(1, parts))
    return (of(begin) + inner + of(end)) * step / 3
