"""Whether a test stays within tester, energy, relays and what still reveals; see `group_limits`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

import numpy as np

from orchestrator.formulas.charging import shortest_rise_s
from orchestrator.formulas.currents import peak_v
from orchestrator.formulas.discharge import stored_energy_j
from orchestrator.formulas.group_limits import in_series
from orchestrator.model.demands import Demands, PairDemand
from orchestrator.model.words import Waveform
from orchestrator.planning.group_limits import NOTHING, GroupLimits, Shares
from orchestrator.planning.guarding import guard_of
from orchestrator.planning.levels import Cut
from orchestrator.planning.settled import SLACK, Breach, Settled
from orchestrator.planning.sums import Strays
from orchestrator.planning.tester import TesterLimits
from orchestrator.planning.words import amps, farads, joules, volts


class Budgets:
    """Judges tests of one product and tester."""

    def __init__(self, demands: Demands, tester: TesterLimits | None) -> None:
        self.demands = demands
        self.tester = tester or TesterLimits()
        self.capacitances = Strays(demands, demands.capacitances, inverse=False)
        self.conductances = Strays(demands, demands.insulations, inverse=True)
        ends = [demands.allowed.stored_energy_at_most_j, self.tester.stored_energy_j]
        self.energy_j = float(min(end for end in ends if end is not None))
        most = [demands.allowed.relays_at_most, self.tester.relays_at_most]
        self.relays = min((end for end in most if end is not None), default=None)

    def settle(self, cut: Cut, counting: Sequence[PairDemand]) -> Settled:
        """Limits for the demands that a test counts for."""
        found = Settled(self.capacitances.between(cut.sides), self.conductances.between(cut.sides))
        open_f, open_s = NOTHING, NOTHING
        if cut.floating:
            open_f = self.capacitances.through_open(cut.sides)
            open_s = self.conductances.through_open(cut.sides)
        self._energy(cut, counting[0].waveform, found, in_series(*open_f))
        self._relays(cut, found)
        shares = Shares(
            cut,
            counting[0],
            found.capacitance,
            found.conductance,
            alone=self._alone(cut),
            open_f=open_f,
            open_s=open_s,
        )
        if counting[0].waveform is Waveform.AC:
            self._tester(shares, found)
        guard = guard_of(self.demands, self.tester, counting[0].kind)
        GroupLimits(cut, counting, shares, found, guard).all_limits()
        return found

    def allows(self, cut: Cut, counting: Sequence[PairDemand]) -> bool:
        """Whether a test stays within all budgets."""
        return not self.settle(cut, counting).breaches

    def _alone(self, cut: Cut) -> bool:
        """One net a side, with what is joined to it; current may run by way of an open net, too."""
        if cut.floating:
            return False
        body_of = np.array(self.demands.body_of, dtype=np.int64)
        return all(len(np.unique(body_of[cut.sides == side])) == 1 for side in (0, 1))

    # ---- single budgets --------------------------------------------------------------------------

    def _energy(self, cut: Cut, waveform: Waveform, found: Settled, by_way_f: float) -> None:
        """``by_way_f``: capacitance by way of nets left open."""
        farad = found.capacitance.most + by_way_f
        if not farad:
            return
        top_v = float(peak_v(cut.wire_v) if waveform is Waveform.AC else cut.wire_v)
        energy_j = stored_energy_j(farad, top_v)
        told = f"{farads(farad)} at {volts(top_v)} store {joules(energy_j)} [½CU²]"
        if energy_j > self.energy_j * (1 + SLACK):
            found.breaches.append(Breach("stored energy", told, f"at most {joules(self.energy_j)}"))
        else:
            found.reasons.append(f"{told}, at most {joules(self.energy_j)} allowed")

    def _relays(self, cut: Cut, found: Settled) -> None:
        """One contact for each net at least."""
        closed = int((cut.sides >= 0).sum())
        if self.relays is not None and closed > self.relays:
            told = f"{closed} nets on the two sides"
            found.breaches.append(Breach("contacts", told, f"at most {self.relays} closed"))

    def _tester(self, shares: Shares, found: Settled) -> None:
        reach = self.tester.total_current_a
        if reach is not None and shares.total_most > float(reach) * (1 + SLACK):
            told = f"{amps(shares.total_most)} expected at most"
            found.breaches.append(Breach("tester's current", told, f"at most {amps(reach)}"))


def shortest_rise_ms(settled: Settled, wire_v: Decimal, current_a: Decimal) -> Decimal | None:
    """Shortest rise (s, rounded up to 1 ms) in which a current charges a test's most capacitance
    while its most insulation conducts; None: the insulation alone takes all of it."""
    steady_a = settled.conductance.most * float(wire_v)
    try:
        rise_s = shortest_rise_s(
            Decimal(repr(settled.capacitance.most)),
            wire_v,
            current_a,
            Decimal(repr(steady_a)),
        )
    except ValueError:
        return None
    return Decimal(math.ceil(1000 * float(rise_s) * (1 - SLACK))) / 1000


__all__ = ["Breach", "Budgets", "Settled", "TesterLimits", "shortest_rise_ms"]
